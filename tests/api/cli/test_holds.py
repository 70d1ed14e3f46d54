"""`gloaming holds`, by a running planner."""

from __future__ import annotations

import pytest

from gloaming.api.cli.holds import _lines
from tests.api.cli.test_live import said
from tests.api.daemon import Daemon
from tests.waiting import wait_until


def test_holds_are_listed_with_why_and_one_is_ended_for_an_hour(
    daemon: Daemon, capfd: pytest.CaptureFixture[str]
) -> None:
    assert said(capfd, daemon, "holds") == "the site has no hold\n"
    site = daemon.site / "site.toml"
    with site.open("a", encoding="utf-8") as file:
        file.write('\n[[hold]]\nname = "wind"\nhttp = true\nabove = 14\nmakes = "dim"\nlevel = 0.3\nmay_end = true\n')
        file.write('if_silent = "hold"\nsilent_after = "1 s"\n')
    daemon.ask("POST", "/api/reload")
    wait_until(lambda: daemon.now()["overrides"], "the hold")
    (override,) = daemon.now()["overrides"]
    number = override["id"]
    what, last, undo = said(capfd, daemon, "holds").splitlines()
    assert what.startswith("wind makes the rig dim, to 30%: it holds since 2026-12-12 18:0")
    assert ": no reading since 18:0" in what and last == "    last reading: none yet; the source is silent"
    assert undo == f"    gloaming undo {number} ends it for an hour"
    (line,) = said(capfd, daemon, "overrides").splitlines()
    assert line.startswith(f"hold dim {number} to 30% of the brightness that is set by wind: no reading since 18:0")
    assert line.endswith(f"; gloaming undo {number} ends it for an hour")
    said(capfd, daemon, "mute")
    assert said(capfd, daemon, "undo").startswith("mute ")  # the latest that a person asked for
    assert said(capfd, daemon, f"undo {number}").startswith(f"hold dim {number} ended, ")
    assert "    a person has ended it until 2026-12-12 19:0" in said(capfd, daemon, "holds")


def test_of_several_boards_the_one_that_acts_is_named() -> None:
    state = {"holds": False, "since": None, "text": "no reading yet", "heard": None, "silent": False}
    rest = {"ended_until": None, "may_end": False, "problem": None, "zone": None, "makes": "dark", "level": None}
    assert _lines({"name": "wind", "board": "spare", **state, **rest})[2] == "    of the boards, spare acts on it"
