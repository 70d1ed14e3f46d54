"""A board whose clock is set: what was asked for there counts from the right instants, on all boards of the site."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.requests import ask
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.store import Store
from tests.daemon.planner.exchange import Exchange
from tests.daemon.planner.test_triggers import HOUR, MIN, SHOWS, S, SetClock
from tests.daemon.planner.test_triggers_of_boards import BOARDS, NAMES
from tests.daemon.quay_site import site_of

AT = "2026-12-12T18:00:50"


class Venue:
    """Three boards, each with its own clock. All begin right."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.site = folder, site_of(folder / "site", SHOWS, BOARDS)
        self.clocks = {name: SetClock(AT) for name in NAMES}
        self.boards = {name: self.situation(name) for name in NAMES}
        self.exchange = Exchange(self.boards)

    def situation(self, name: str) -> Situation:
        clock = self.clocks[name]
        store = Store(self.folder / name, clock.now_ns())
        found = Situation(replace(self.site, board_name=name), store, clock, lambda: None)
        store.set_fact("cid", f"the CID of {name}")
        return found

    def passes(self, ns: int) -> None:
        for clock in self.clocks.values():
            clock.passes(ns)

    def set(self, name: str, step_ns: int) -> None:
        """Somebody sets the clock of a board."""
        self.clocks[name].wall_ns += step_ns
        self.boards[name].after_step()

    def ask(self, name: str, **request: object) -> Override:
        board, at_ns = self.boards[name], self.clocks[name].now_ns()
        asked = ask(request, at_ns, board.site, board.overrides, "Ada")
        return board.add(asked, board.replaced_by(asked))

    def end(self, name: str, id: int) -> None:
        self.boards[name].end(id, self.clocks[name].now_ns(), "Ada")

    def times(self, id: int) -> tuple[int, int]:
        """From when until when an override is in force, as seconds from now. All boards agree."""
        now_ns, found = self.clocks["quay"].now_ns(), set()
        for board in self.boards.values():
            found |= {(one.at_ns - now_ns, one.end_ns - now_ns) for one in board.overrides if one.id == id}
        (one,) = found
        return round(one[0] / S), round(one[1] / S)


@pytest.fixture
def venue(tmp_path: Path) -> Iterator[Venue]:
    here = Venue(tmp_path)
    yield here
    for board in here.boards.values():
        board.store.close()


@pytest.mark.parametrize("ahead_ns", [HOUR, -HOUR, 30 * S, 26 * HOUR])
def test_what_was_asked_for_while_a_clock_was_wrong_counts_from_the_right_instant_everywhere(
    venue: Venue, ahead_ns: int
) -> None:
    venue.passes(123)  # so that no end is at a whole second, which is a time of the clock
    venue.set("east", ahead_ns)
    asked = venue.ask("east", kind="pause", minutes=15)
    others = venue.ask("quay", kind="dim", level=0.5, minutes=30)
    venue.passes(5 * MIN)
    venue.set("east", -ahead_ns)
    assert venue.times(asked.id) == (-300, 600)
    assert venue.times(others.id) == (-300, 1500), "it was asked of another board"
    assert [one.version for one in venue.boards["quay"].overrides if one.id == others.id] == [1]


def test_what_a_board_ends_while_its_clock_is_ahead_is_ended_for_all_when_it_is_right_again(venue: Venue) -> None:
    asked = venue.ask("quay", kind="pause", minutes=50)
    venue.set("east", HOUR // 2)
    venue.passes(10 * MIN)
    venue.end("east", asked.id)
    venue.passes(5 * MIN)
    venue.set("east", -HOUR // 2)
    assert venue.times(asked.id) == (-900, -300)


def test_what_an_earlier_boot_was_asked_for_does_not_move_although_other_boards_give_higher_ids(
    venue: Venue, monkeypatch: pytest.MonkeyPatch
) -> None:
    venue.passes(123)
    earlier = venue.ask("east", kind="dim", level=0.5, minutes=60)
    venue.boards["east"].store.close()
    monkeypatch.setattr("gloaming.daemon.planner.clock_trust.boot_id", lambda: "the next boot")
    venue.boards["east"] = venue.situation("east")
    venue.exchange = Exchange(venue.boards)
    for _ in range(3):
        venue.ask("quay", kind="mute", minutes=5)
    asked = venue.ask("east", kind="pause", minutes=15)
    venue.passes(MIN)
    venue.set("east", -HOUR)
    assert venue.times(earlier.id) == (-60, 3540)
    assert venue.times(asked.id) == (-60 - 3600, 840 - 3600), "somebody has set it wrong; it is moved with it"


def test_a_site_that_has_no_boards_any_more_moves_all_that_it_was_asked_for(venue: Venue) -> None:
    venue.passes(123)
    asked, board = venue.ask("east", kind="pause", minutes=15), venue.boards["east"]
    board.adopt(replace(venue.site, boards=(), board_name=""))
    venue.clocks["east"].wall_ns -= HOUR
    board.after_step()
    (found,) = board.overrides
    assert (found.at_ns, found.until_ns) == (asked.at_ns - HOUR, asked.until_ns - HOUR)


def test_what_an_earlier_boot_was_asked_for_does_not_move_although_the_site_has_boards_since(
    venue: Venue, monkeypatch: pytest.MonkeyPatch
) -> None:
    venue.passes(123)
    whole, clock, store = replace(venue.site, board_name="east"), venue.clocks["east"], venue.boards["east"].store
    for boot, request in (("a boot", {"kind": "dim", "level": 0.5}), ("the next boot", {"kind": "pause"})):
        monkeypatch.setattr("gloaming.daemon.planner.clock_trust.boot_id", lambda boot=boot: boot)
        board = venue.boards["east"] = Situation(replace(whole, boards=(), board_name=""), store, clock, lambda: None)
        venue.ask("east", **request)
    earlier, asked = board.overrides
    board.adopt(whole)
    clock.wall_ns -= HOUR
    board.after_step()
    assert all(one.id > 1 << 28 for one in board.overrides)
    assert {one.kind: one.at_ns for one in board.overrides} == {"dim": earlier.at_ns, "pause": asked.at_ns - HOUR}
