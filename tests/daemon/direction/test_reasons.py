"""The reasons: each code has its text, and only `reasons.py` makes one."""

from __future__ import annotations

import ast

import pytest

from gloaming.daemon.direction.overrides import TERMS, Kind
from gloaming.daemon.direction.reasons import TEXTS, reason
from gloaming.daemon.direction.score import ReasonCode
from tests.places import TOP


def test_every_code_has_its_text() -> None:
    assert set(TEXTS) == set(ReasonCode)


@pytest.mark.parametrize("kind", sorted(set(Kind) - {Kind.CALL, Kind.SKIP}))
def test_every_override_that_lasts_is_a_reason(kind: Kind) -> None:
    found = reason(
        ReasonCode(kind.value),
        "override 7",
        override=7,
        by=" by Ada",
        at="18:00",
        until="18:15",
        level=0.4,
        check="walk",
        hold="wind",
    )
    assert found.override == 7
    assert ("wind" if TERMS[kind].of_a_hold else " by Ada at 18:00 until 18:15") in found.text


def test_the_brief_text_of_a_closing_is_the_same_every_night() -> None:
    values = {"show": "evening", "closes": "22:00", "closes_by": "to 22:00"}
    first, second = (
        reason(ReasonCode.OPENED, "site.toml:9 performance", opens=opens, opens_by="sunset", **values)
        for opens in ("16:04", "16:05")
    )
    assert first.text == "evening opened 16:04 (sunset), closes 22:00 (to 22:00)" != second.text
    assert first.brief == second.brief == "the closing at 22:00 (to 22:00)"


def test_reasons_are_made_in_one_place() -> None:
    made = [
        str(path.relative_to(TOP))
        for folder in ("daemon", "api")
        for path in (TOP / folder).rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Reason"
    ]
    assert made == ["daemon/direction/reasons.py"]
