"""A hold of several boards: one begins and ends it, and another one goes on where that is lost."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from gloaming.daemon.direction.overrides import Kind
from gloaming.daemon.planner.acting_board import START_NS
from gloaming.daemon.site.schema_boards import Board as BoardTable
from gloaming.daemon.site.site import Site
from tests.cases import cases
from tests.daemon.planner.exchange import Exchange
from tests.daemon.planner.test_holds import WIND, Board, S
from tests.daemon.planner.test_holds import site as site

NAMES = ("quay", "east", "spare")
TABLES = (
    BoardTable(place="site.toml:1", name="quay", controllers=("left",)),
    BoardTable(place="site.toml:5", name="east", controllers=("right",)),
    BoardTable(place="site.toml:9", name="spare", spare_for="quay"),
)
OVER_MQTT = {**{key: value for key, value in WIND.items() if key != "http"}, "mqtt": "mqtt://192.0.2.5/roof/wind"}
START_S = START_NS // S


class Venue:
    """Three boards whose clocks agree, and what they share."""

    def __init__(self, folder: Path, site: Site, table: dict[str, object]) -> None:
        self.boards: dict[str, Board] = {}
        for number, name in enumerate(NAMES):
            board = Board(folder / name, replace(site, boards=TABLES, board_name=name), table)
            board.store.set_fact("cid", f"the CID of board {number}")
            self.boards[name] = board
        self.exchange = Exchange({name: board.situation for name, board in self.boards.items()})
        for name, board in self.boards.items():
            board.seen = lambda name=name: self.exchange.seen(name)  # type: ignore[misc]  # mypy infers no type of a lambda with a default
        self.later(START_S)

    def later(self, seconds: float) -> None:
        for board in self.boards.values():
            board.later(seconds)

    def heard(self, payload: str, *names: str) -> None:
        for name in names or NAMES:
            self.boards[name].heard(payload)

    def restart(self, name: str) -> None:
        self.boards[name].start()
        self.exchange.boards[name] = self.boards[name].situation

    def apart(self, *names: str) -> None:
        """These boards are alone, each by itself; the others are together."""
        self.exchange.divide({name: names.index(name) + 1 if name in names else 0 for name in NAMES})

    def authors(self) -> list[list[str]]:
        """Which board has begun the holds in force, as each board knows."""
        return [[one.author for one in board.standing] for board in self.boards.values()]

    def acting(self) -> list[object]:
        return [board.holds.as_json()[0]["board"] for board in self.boards.values()]


Open = Callable[..., Venue]


@pytest.fixture
def venue(tmp_path: Path, site: Site) -> Open:
    return lambda **more: Venue(tmp_path, site, {**OVER_MQTT, **more})


def test_the_first_board_begins_and_ends_it_and_the_spare_ends_it_where_that_is_lost(venue: Open) -> None:
    here = venue()
    here.heard("15.2")
    here.later(30)
    assert here.authors() == [["quay"]] * 3
    assert here.acting() == ["quay"] * 3
    here.apart("quay")
    here.heard("9", "east", "spare")
    here.later(599)
    assert here.authors() == [["quay"]] * 3, "also on the board that is alone"
    here.later(1)
    assert here.authors() == [["quay"], [], []], "the lost board keeps it: it has heard nothing else"
    here.apart()
    here.later(1)
    assert here.authors() == [[]] * 3
    assert ["is over" in " ".join(board.lines()) for board in here.boards.values()] == [False, False, True]


def test_a_hold_in_force_goes_on_on_a_board_that_knows_nothing_of_its_readings(venue: Open) -> None:
    here = venue()
    here.heard("15.2", "quay")
    here.later(30)
    here.apart("quay")
    here.later(3600)
    (found,) = here.boards["spare"].standing
    assert (found.kind, found.author, found.why) == (Kind.HOLD_DARK, "quay", "15.2 is above 14 since 18:00:10")
    here.restart("spare")
    here.later(START_S)
    here.heard("9", "spare", "east")
    here.later(600)
    assert here.authors() == [["quay"], [], []]


@pytest.mark.parametrize("asked", NAMES)
def test_a_person_ends_it_for_an_hour_on_all_boards_whichever_is_asked(venue: Open, asked: str) -> None:
    here = venue()
    here.heard("15.2")
    here.later(30)
    board = here.boards[asked]
    assert board.holds.end(board.standing[0], board.now_ns, "Ada") == "the hold wind is ended until 19:00:40"
    assert here.authors() == [[]] * 3
    here.later(1800)
    here.apart("quay")
    here.later(1799)
    assert here.authors() == [[]] * 3, "also where another board acts"
    here.later(1)
    assert here.authors() == [["quay"], ["spare"], ["spare"]]
    here.apart()
    here.later(1)
    assert len({one.id for board in here.boards.values() for one in board.standing}) == 1


def test_of_two_holds_that_boards_apart_have_begun_one_stays_and_ends_by_its_rule(venue: Open) -> None:
    here = venue()
    here.apart("east")
    here.heard("15.2", "quay", "spare")
    here.later(5)
    here.heard("15.2", "east")
    here.later(30)
    assert here.authors() == [["quay"], ["east"], ["quay"]]
    here.apart()
    here.later(1)
    assert here.authors() == [["quay"]] * 3
    here.heard("9")
    here.later(600)
    assert here.authors() == [[]] * 3


def test_what_a_person_ends_while_boards_are_apart_is_ended_on_all_when_they_meet(venue: Open) -> None:
    here = venue()
    here.apart("quay")
    here.heard("15.2")
    here.later(30)
    spare = here.boards["spare"]
    spare.holds.end(spare.standing[0], spare.now_ns, "Ada")
    here.later(1800)
    assert here.authors() == [["quay"], [], []]
    here.apart()
    here.later(1)
    assert here.authors() == [[]] * 3
    here.later(1798)
    assert here.authors() == [[]] * 3
    here.later(1)
    assert here.authors() == [["quay"]] * 3


def test_readings_by_http_are_for_the_named_board_alone(tmp_path: Path, site: Site) -> None:
    here = Venue(tmp_path, site, {**WIND, "board": "east"})
    here.heard("15.2", "east")
    here.later(30)
    assert here.authors() == [["east"]] * 3
    here.apart("east")
    here.later(3600)
    assert here.authors() == [["east"]] * 3, "no other board can know that it is over"
    assert here.acting() == ["east"] * 3


def test_a_hold_that_the_site_no_longer_has_is_ended_by_one_board(venue: Open) -> None:
    here = venue()
    here.heard("15.2")
    here.later(30)
    for name in reversed(NAMES):
        here.boards[name].edit()
        here.later(1)
        assert here.authors() == ([[]] if name == "quay" else [["quay"]]) * 3


@pytest.mark.parametrize("seed", range(12))
def test_boards_that_hear_the_same_readings_hold_when_one_board_alone_would(
    seed: int, tmp_path: Path, site: Site
) -> None:
    """Boards are lost and come back, a person ends the hold on any of them. One board alone is the measure."""
    chance = random.Random(seed)
    table = {**OVER_MQTT, "for": "30 s", "clear_for": "60 s", "if_silent": chance.choice(("ignore", "hold"))}
    here, alone = Venue(tmp_path, site, table), Board(tmp_path / "alone", site, table)
    alone.later(START_S)
    held = 0
    for _ in range(cases(150)):
        match chance.randrange(8):
            case 0:
                lost = chance.choice(NAMES)
                here.apart(*([lost] if chance.random() < 0.5 else []))
            case 1 if alone.standing and chance.random() < 0.3:
                here.apart()
                for board in (alone, here.boards[chance.choice(NAMES)]):
                    board.holds.end(board.standing[0], board.now_ns, "Ada")
            case 2 | 3 | 4:
                reading = chance.choice(("16", "15", "12", "9"))
                alone.heard(reading)
                here.heard(reading)
        seconds = chance.choice((1, 10, 20, 40, 70, 400))
        alone.later(seconds)
        here.later(seconds)
        here.later(0)  # what one board has ended, the others know at their next look
        held += len(alone.standing)
        parts = {here.exchange.part[name]: [] for name in NAMES}
        for name, board in here.boards.items():
            assert bool(board.standing) == bool(alone.standing), (name, here.exchange.part)
            parts[here.exchange.part[name]].append([one.id for one in board.standing])
        assert all(ids == of_a_part[0] for of_a_part in parts.values() for ids in of_a_part)
    assert held > 5
    for board in (alone, *here.boards.values()):
        board.store.close()
