"""`gloaming boards`: what it prints of each board, and its exit codes."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.api.cli.main import main
from tests.api.cli.conftest import AnsweringServer

QUAY = {
    "name": "quay",
    "this": True,
    "in_site": True,
    "contact": True,
    "since": None,
    "text": "in contact",
    "controllers": ["left", "right"],
    "spare_for": None,
    "carries": False,
    "address": None,
    "program": "1.0",
    "same_site": True,
    "troubles": 0,
    "clock": {"by": "chrony", "text": "kept by chrony", "error_ms": 0.4, "offset_ms": None, "trusted": True},
    "asked": [],
}
SPARE = {
    **QUAY,
    "name": "spare",
    "this": False,
    "controllers": [],
    "spare_for": "quay",
    "carries": True,
    "address": "https://192.0.2.13:8080",
    "same_site": False,
    "troubles": 2,
    "clock": {"by": "chrony", "text": "kept by chrony", "error_ms": 0.4, "offset_ms": -0.3, "trusted": True},
    "asked": [{"id": 7, "on_the_wire": False, "text": "the transmitter has not confirmed it"}],
}
EAST = {**QUAY, "name": "east", "this": False, "contact": False, "text": "no contact since 20:14", "program": None}


@pytest.mark.parametrize(
    ("sharing", "boards", "code", "lines"),
    [
        (
            "connected",
            [QUAY, SPARE],
            0,
            [
                "quay (this one): in contact, feeds left, right",
                "    clock kept by chrony, within 0.4 ms, program 1.0",
                "spare: in contact, spare for quay: it carries the light",
                "    clock kept by chrony, within 0.4 ms, 0.3 ms behind this one, program 1.0, https://192.0.2.13:8080",
                "    its site is not the same as here",
                "    2 troubles: gloaming now on that board names them",
                "    override 7: the transmitter has not confirmed it",
            ],
        ),
        ("none", [], 0, ["the site has no boards: one board gives all of the show"]),
        ("connected", [{**EAST, "clock": None}], 1, ["east: no contact since 20:14, feeds left, right"]),
        (
            "none",
            [{**QUAY, "controllers": [], "clock": None, "in_site": False}],
            0,
            [
                "quay (this one): in contact, not in site.toml",
                "    program 1.0",
                "the site has no broker: what you ask for here reaches this board only",
            ],
        ),
    ],
)
def test_each_board_has_a_line_and_what_is_wrong_with_it(
    sharing: str,
    boards: list[dict[str, object]],
    code: int,
    lines: list[str],
    board: AnsweringServer,
    token: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Exit 1 if one has no contact."""
    board.answer = lambda _: board.json(200, this="quay", sharing=sharing, boards=boards)
    assert main(["boards", "--url", board.url, "--token-file", str(token)]) == code
    assert capfd.readouterr().out.splitlines() == lines
    assert board.asked[0][1] == "/api/boards"
