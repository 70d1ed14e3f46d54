"""`gloaming triggers`, by a running planner."""

from __future__ import annotations

import pytest

from gloaming.api.cli.triggers import _lines
from tests.api.cli.test_live import said
from tests.api.daemon import Daemon


def test_triggers_are_listed_with_why_they_would_be_refused_now(
    daemon: Daemon, capfd: pytest.CaptureFixture[str]
) -> None:
    assert said(capfd, daemon, "triggers") == "the site has no trigger\n"
    site = daemon.site / "site.toml"
    with site.open("a", encoding="utf-8") as file:
        file.write('\n[[trigger]]\nname = "gate"\nshow = "short"\nzone = "roof"\nhttp = true\n')
    daemon.ask("POST", "/api/reload")
    gate = ["gate calls short on roof, by http", "    never yet; since noon 0 calls, refused: none"]
    assert said(capfd, daemon, "triggers").splitlines() == gate
    said(capfd, daemon, "dark 5 --zone roof")
    *lines, last = said(capfd, daemon, "triggers").splitlines()
    assert lines == gate and last.startswith("    now refused: roof: dark by this machine at 18:0")


def test_of_several_boards_the_one_that_acts_is_named() -> None:
    rest = {"piece": None, "show": "short", "zone": None, "last_call": None, "calls": 0, "refusals": {}}
    found = {"name": "gate", "by": ["mqtt", "http"], "board": "quay", "refused_now": None, **rest}
    assert _lines(found)[0] == "gate calls short, by mqtt, http (quay acts on mqtt)"
