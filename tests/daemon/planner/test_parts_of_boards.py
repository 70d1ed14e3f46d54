"""A board of several: what it watches, limits and sends of the rig, and what a spare sends."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest

from gloaming.daemon.planner.messages import setup_of
from gloaming.daemon.planner.rig_monitor import RigMonitor
from gloaming.daemon.planner.troubles import TroubleCode
from gloaming.daemon.site import board_name
from gloaming.daemon.site.load import load_site
from tests.daemon.planner.rig_stub import RIG, SITE, Stub

EAST = """[[controller]]
name = "right"
host = "right.lan"
universes = "3"
[[string]]
name = "rail"
controller = "right"
universe = 3
pixels = 100
supply = "box"
"""
BOARDS = """[[board]]
name = "quay"
controllers = ["left"]
[[board]]
name = "east"
controllers = ["right"]
[[board]]
name = "loft"
spare_for = "east"
interface = "end0"
"""


def of_board(name: str, folder: Path, monkeypatch: pytest.MonkeyPatch) -> RigMonitor:
    """The rig monitor of a board that has a part of the rig. A supply feeds strings of both parts."""
    monkeypatch.setenv(board_name.VARIABLE, name)
    planner: Any = Stub(folder)
    (folder / "rig.toml").write_text(RIG + EAST, encoding="utf-8")
    (folder / "site.toml").write_text(SITE.format(limiter="true") + BOARDS, encoding="utf-8")
    planner.site = load_site(folder)
    return RigMonitor(planner, lambda: None, {})


def test_boards_that_share_a_supply_stay_within_it_together_whatever_each_shows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Dark pixels draw 200 and 100 mA of 29 A. Of the 28.7 A for light the 200 pixels have two thirds, the 100 one."""
    left, right, spare = (of_board(name, tmp_path, monkeypatch).limits() for name in ("quay", "east", "loft"))
    assert left and right and spare == right
    (own,), (other,) = left.levels[1], right.levels[1]
    assert (own.ma, own.always_ma) == (pytest.approx(200 + 28_700 * 2 / 3), 200)
    assert (other.ma, other.always_ma) == (pytest.approx(100 + 28_700 / 3), 100)
    assert own.ma + other.ma == pytest.approx(29_000)
    assert [one.spans for one in right.strings] == [((3, 1, 300),)]  # the limiter knows none but its own strings
    assert (len(left.levels[0]), right.levels[0]) == (1, ())  # nor another board's fuse


def test_a_board_watches_its_own_controllers_and_says_who_feeds_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    of = of_board("quay", tmp_path, monkeypatch)
    assert list(of.reach.found) == ["left"]
    left, right = of.controllers()
    assert (left["boards"], left["words"]) == (["quay"], "has not been asked yet")
    assert (right["boards"], right["words"], right["since"]) == (["east"], "is fed by east", None)
    asyncio.run(of.look_up())
    assert of.names.unanswered == of.names.addresses == {}  # nobody asks for right.lan
    assert of.troubles() == []
    setup = setup_of(of._situation.site, UUID(int=0), of.limits(), {})
    assert ([one.number for one in setup.targets], setup.heading.priority) == ([1, 2], 100)


def test_a_spare_sends_what_its_board_sends_with_a_lower_priority(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """E1.31 6.2.3: a receiver takes the data of the source with the highest priority."""
    main, spare = (
        setup_of(of_board(name, tmp_path, monkeypatch)._situation.site, UUID(int=0), None, {"right.lan": "192.0.2.22"})
        for name in ("east", "loft")
    )
    assert spare.targets == main.targets
    assert (main.heading.priority, spare.heading.priority) == (100, 90)
    assert (main.interface, spare.interface) == (None, "end0")


def test_a_board_that_is_not_in_the_site_sends_nothing_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    of = of_board("quai", tmp_path, monkeypatch)
    assert setup_of(of._situation.site, UUID(int=0), of.limits(), {}).targets == ()
    (trouble,) = of.troubles()
    assert (trouble.code, trouble.kind, trouble.subject) == (TroubleCode.BOARD_UNKNOWN, "boards", "quai")
    assert "its boards are quay, east, loft" in trouble.text
