"""`gloaming overrides`, `undo` and `resume`, by a running planner."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from gloaming.api.cli.main import main
from gloaming.daemon.direction.overrides import TERMS, Kind
from tests.api.cli.conftest import AnsweringServer
from tests.api.daemon import Daemon

CALLS = {
    Kind.PAUSE: "pause 15",
    Kind.DARK: "dark --zone roof",
    Kind.CALL: "call short 5",
    Kind.DIM: "dim 0.5 --zone roof",
    Kind.MUTE: "mute",
    Kind.SKIP: "skip",
    Kind.RIG_CHECK: "rig-check walk --string ridge",
    Kind.BURN_IN: "burn-in 1 --controller left",
    Kind.OUT_OF_SERVICE: 'out-of-service railing --until saturday --why "it flickers"',
}


def said(capfd: pytest.CaptureFixture[str], daemon: Daemon, call: str, code: int = 0) -> str:
    """What a call prints, for the site of the planner."""
    assert main([*shlex.split(call), str(daemon.site)]) == code, capfd.readouterr().err
    printed = capfd.readouterr()
    return printed.out if code == 0 else printed.err


@pytest.mark.parametrize("kind", CALLS)
def test_undo_takes_back_each_kind_of_override(kind: Kind, daemon: Daemon, capfd: pytest.CaptureFixture[str]) -> None:
    assert CALLS.keys() == {kind for kind in Kind if not TERMS[kind].of_a_hold}
    assert said(capfd, daemon, "overrides", 1) == ""
    made = json.loads(said(capfd, daemon, f"{CALLS[kind]} --json"))
    (listed,) = json.loads(said(capfd, daemon, "overrides --json"))
    assert (listed["id"], listed["kind"]) == (made["id"], kind)
    zone = f" for {made['zone']}" if "zone" in made else ""
    (line,) = said(capfd, daemon, "overrides").splitlines()
    assert line.startswith(f"{kind.words} {made['id']}{zone}")
    assert f" by this machine until {made['until'][:19]}" in line
    assert said(capfd, daemon, f"undo {made['id']}").startswith(f"{kind.words} {made['id']} ended, ")
    assert said(capfd, daemon, "overrides", 1) == ""
    assert said(capfd, daemon, f"undo {made['id']}", 1) == f"no override {made['id']} is in force; none is\n"


def test_undo_takes_the_latest_and_resume_says_what_still_holds(
    daemon: Daemon, capfd: pytest.CaptureFixture[str]
) -> None:
    ids = [json.loads(said(capfd, daemon, f"{call} --json"))["id"] for call in ("mute", "dim 0.4", "pause 5", "skip")]
    assert json.loads(said(capfd, daemon, "undo --json"))["id"] == ids[-1]
    lines = said(capfd, daemon, "resume").splitlines()
    assert lines[0].startswith(f"pause {ids[2]} ended, on the wire: ")
    assert [line.split(" by ")[0] for line in lines[1:]] == [
        f"still holds: mute {ids[0]}",
        f"still holds: dim {ids[1]} to 40% of the brightness that is set",
    ]
    said(capfd, daemon, "dark")
    found = json.loads(said(capfd, daemon, "resume --json"))
    assert [one["kind"] for one in found["ended"]] == ["dark"]
    assert [one["id"] for one in found["still_holds"]] == ids[:2]
    assert said(capfd, daemon, "resume --json", 1) == "nothing is paused or dark by hand\n"


def test_a_name_is_that_of_a_show_or_else_of_a_piece(daemon: Daemon, capfd: pytest.CaptureFixture[str]) -> None:
    line = said(capfd, daemon, "call lanterns --after")
    assert re.match(r"call from 18:\d\d:\d\d until 2026-12-12T18:\d\d:\d\d, ", line), line
    (listed,) = [one for one in said(capfd, daemon, "overrides").splitlines() if "lanterns" in one]
    assert re.match(r"call \d+ of lanterns from 18:\d\d:\d\d by this machine until 2026-12-12T18:", listed), listed
    said(capfd, daemon, "undo")
    assert json.loads(said(capfd, daemon, "call short --json"))["show"] == "short"
    said(capfd, daemon, "undo")
    wrong = said(capfd, daemon, "call lantern", 2)
    assert wrong == "call: there is no show and no piece 'lantern'; did you mean lanterns?\n"
    assert "after: it cannot go with show" in said(capfd, daemon, "call short --after", 2)
    assert "minutes: it cannot go with piece" in said(capfd, daemon, "call lanterns 5", 2)


LATE = ("hut", False, "it has not confirmed this")
EAST, SPARE = ("east", False, "no contact since 20:14"), ("spare", True, "light: tide")


@pytest.mark.parametrize(
    ("here", "others", "lines"),
    [
        (None, [], ["pause until 2026-12-12T20:31:00, on the wire: black"]),
        (True, [SPARE], ["pause until 2026-12-12T20:31:00, on the wire on 2 of 2 boards: black"]),
        (
            True,
            [EAST, SPARE],
            [
                "pause until 2026-12-12T20:31:00, on the wire on 2 of 3 boards: black",
                "east: no contact since 20:14",
                "a board without contact plays on, and gets this when it is back",
            ],
        ),
        (
            False,
            [SPARE, LATE],
            [
                "pause until 2026-12-12T20:31:00, stored, but not on the wire: black; on the wire on 1 of 3 boards",
                "hut: it has not confirmed this",
            ],
        ),
        (
            True,
            [(f"hut-{number}", False, "never in contact") for number in range(1, 15)],
            [
                "pause until 2026-12-12T20:31:00, on the wire on 1 of 15 boards: black",
                *(f"hut-{number}: never in contact" for number in range(1, 13)),
                "and 2 more: see gloaming boards",
                "a board without contact plays on, and gets this when it is back",
            ],
        ),
    ],
)
def test_a_command_names_the_boards_on_whose_wire_it_is_not(
    here: bool | None,
    others: list[tuple[str, bool, str]],
    lines: list[str],
    board: AnsweringServer,
    token: Path,
    capfd: pytest.CaptureFixture[str],
) -> None:
    """Without boards the line is as before."""
    named = [
        {"name": name, "on_the_wire": on, "text": text, "contact": "contact" not in text}
        for name, on, text in (("quay", here, "black"), *others)
    ]
    boards = {} if here is None else {"boards": named}
    taken = {"id": 5, "kind": "pause", "until": "2026-12-12T20:31:00+00:00", "ended": []}
    board.answer = lambda _: board.json(201, **taken, on_the_wire=here is not False, wire="black", **boards)
    assert main(["pause", "15", "--url", board.url, "--token-file", str(token)]) == 0
    assert capfd.readouterr().out.splitlines() == lines


def test_the_commands_of_an_evening_load_nothing_that_only_the_planner_needs(daemon: Daemon) -> None:
    """A small board would take seconds to load it, for a person who waits for the dark."""
    code = (
        "import sys; from gloaming.api.cli.main import main; main(sys.argv[1:]); print(*sys.modules, file=sys.stderr)"
    )
    for call in ("now", "pause 15", "resume"):
        words = [sys.executable, "-c", code, *call.split(), str(daemon.site)]
        done = subprocess.run(words, capture_output=True, text=True, check=True)
        loaded = {name.partition(".")[0] for name in done.stderr.split()}
        assert not loaded & {"apscheduler", "astral", "fastapi", "numpy", "zstandard"}, call
