"""`gloaming rig-check`, by a running planner: what it prints, and its exit codes."""

from __future__ import annotations

import re

from tests.api.daemon import Daemon
from tests.api.evening import gloaming


def test_a_check_is_shown_until_it_is_ended(daemon: Daemon) -> None:
    asked = gloaming("rig-check", "pixel", "37", "--string", "ridge", "--level", "0.5", daemon.site)
    assert (asked.returncode, asked.stderr) == (0, "")
    assert asked.stdout.startswith("pixel 37, white of string ridge until ")
    assert [one["check"] for one in daemon.now()["overrides"]] == ["pixel 37, white of string ridge"]
    (number,) = (one["id"] for one in daemon.now()["overrides"])
    ended = gloaming("rig-check", "end", daemon.site)
    assert ended.returncode == 0
    assert ended.stdout.startswith(f"rig check {number} ended, on the wire: ")
    assert daemon.now()["overrides"] == []
    again = gloaming("rig-check", "end", daemon.site)
    assert (again.returncode, again.stderr) == (1, "no rig check is under way\n")


def test_a_burn_in_says_when_it_ends_when_it_is_dark_and_what_to_mind(daemon: Daemon) -> None:
    asked = gloaming("burn-in", "16", "--pattern", "colour", "--level", "0.4", daemon.site)
    assert (asked.returncode, asked.stderr) == (0, "")
    ends, dark, caution = asked.stdout.splitlines()
    assert re.fullmatch(
        r"burn-in, colour, white of the whole rig until 2026-12-13T1\d:\d\d:\d\d, on the wire: .*", ends
    )
    assert dark == "meanwhile: dark hours 23:00 to 07:00: no light"
    assert "somebody stays within reach" in caution and "licensed electrician" in caution
    now = gloaming("now", daemon.site).stdout
    assert "burn-in, colour, white of the whole rig by " in now
    assert "; meanwhile: dark hours 23:00 to 07:00: no light" in now
    assert gloaming("rig-check", "ends", daemon.site).returncode == 0
    assert [one["kind"] for one in daemon.now()["overrides"]] == ["burn-in", "rig-check"]
    ended = gloaming("rig-check", "end", daemon.site)
    assert ended.returncode == 0
    assert re.findall(r"^(burn-in|rig check) \d+ ended", ended.stdout, re.MULTILINE) == ["burn-in", "rig check"]
    asked = gloaming("burn-in", "25", daemon.site)
    line = "request: hours: 25.0 is not a number of hours above 0 and up to 24; as 12\n"
    assert (asked.returncode, asked.stderr) == (2, line)


def test_a_string_that_this_rig_does_not_have_is_named(daemon: Daemon) -> None:
    asked = gloaming("rig-check", "colour", "--string", "mast", daemon.site)
    assert asked.returncode == 2
    assert "mast" in asked.stderr and "ridge" in asked.stderr and len(asked.stderr.splitlines()) == 1


def test_a_port_or_a_fixture_is_checked_alone(daemon: Daemon) -> None:
    where = {
        "port 3 of left": (["--port", "3 of left"], ["--port", "3", "--controller", "left"]),
        "zone roof": (["--zone", "roof"],),
        "fixture lamp": (["--fixture", "lamp"],),
    }
    for text, calls in where.items():
        for words in calls:
            asked = gloaming("rig-check", "colour", *words, daemon.site)
            assert (asked.returncode, asked.stderr) == (0, "")
            assert f"colour, white of {text} until " in asked.stdout
    assert [one["fixture"] for one in daemon.now()["overrides"]] == ["lamp"]
    assert gloaming("rig-check", "end", daemon.site).returncode == 0
    for words, line in (
        (["--port", "3"], "request: port: there is no port '3'; use 3 of left"),
        (["--fixture", "lmap"], "request: fixture: there is no fixture 'lmap'; use lamp"),
        (["--fixture", "lamp", "--port", "3"], "request: fixture: it cannot go with port; give one of the two"),
    ):
        asked = gloaming("rig-check", "colour", *words, daemon.site)
        assert (asked.returncode, asked.stderr) == (2, f"{line}\n")
