"""`gloaming rig-check`, by a running planner: what it prints, and its exit codes."""

from __future__ import annotations

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
