"""One press that all boards hear is one call on all of them, whichever of them is lost or apart."""

from __future__ import annotations

import asyncio
import random
import time
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.integrations.mqtt_listener import Heard
from gloaming.daemon.planner import outside
from gloaming.daemon.planner.acting_board import START_NS
from gloaming.daemon.planner.outside import TableKind
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.site.schema_delivery import Hook
from tests.daemon.planner.exchange import Exchange
from tests.daemon.planner.test_triggers import SHOWS, S, SetClock
from tests.daemon.quay_site import site_of

NAMES = ("quay", "east", "spare")
BOARDS = """
[[board]]
name = "quay"
controllers = ["left"]

[[board]]
name = "east"
controllers = []

[[board]]
name = "spare"
spare_for = "quay"
"""
GATE = '\n[[trigger]]\nname = "gate"\nshow = "short"\nlasts = "10 s"\nmqtt = "mqtt://127.0.77.9:9/x"\n'


class Venue:
    """Three boards of a site, without broker and transmitter: a test hands them messages and facts."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, table: str = GATE) -> None:
        monkeypatch.setattr(outside, "TURN_S", 0.05)
        monkeypatch.setattr(outside, "LOOK_S", 0.01)
        site = site_of(folder / "site", SHOWS, BOARDS, table)
        self.clock = SetClock("2026-12-12T18:00:50")
        self.boards = {name: Planner(replace(site, board_name=name), folder / name, self.clock) for name in NAMES}
        for number, board in enumerate(self.boards.values()):
            board._parts.store.set_fact("cid", f"the CID of board {number}")
        self.exchange = Exchange({name: board._parts.situation for name, board in self.boards.items()})
        for name, board in self.boards.items():
            board._parts.acting._seen = lambda name=name: self.exchange.seen(name)  # type: ignore[misc]  # mypy infers no type of a lambda with a default
        self.clock.passes(START_NS)

    async def press(self, *heard: str, payload: str = "") -> None:
        """A message that some boards hear. Returns when all have acted on it or left it to others."""
        message = Heard("x", payload.encode(), False, time.monotonic())
        for name in heard:
            self.boards[name].outside._loop = asyncio.get_running_loop()
            self.boards[name].outside._take(TableKind.TRIGGER, "gate", message)
        tasks = [task for name in heard for task in self.boards[name].outside._pulled.values()]
        await asyncio.gather(*tasks)

    def calls(self, name: str) -> list[Override]:
        return [one for one in self.boards[name]._parts.situation.overrides if one.who == "trigger gate"]

    def refusals(self, name: str) -> int:
        return sum(self.boards[name]._parts.triggers.counts()["gate"].refusals.values())


def apart(*names: str) -> dict[str, int]:
    """These boards are alone, each by itself; the others are together."""
    return {name: names.index(name) + 1 if name in names else 0 for name in NAMES}


def authors(calls: Iterable[Override]) -> list[str]:
    return [one.author for one in calls]


def test_the_first_board_calls_and_the_others_leave_it_to_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def work() -> None:
        here = Venue(tmp_path, monkeypatch)
        await here.press(*NAMES)
        assert [authors(here.calls(name)) for name in NAMES] == [["quay"]] * 3
        assert [board._parts.triggers.as_json()[0]["board"] for board in here.boards.values()] == ["quay"] * 3
        await here.press(*NAMES)
        assert [here.refusals(name) for name in NAMES] == [1, 0, 0], "counted once"
        here.exchange.divide(apart("quay"))
        here.clock.passes(20 * S)
        await here.press(*NAMES)
        assert [authors(here.calls(name))[1:] for name in NAMES] == [["quay"], ["spare"], ["spare"]]
        here.exchange.divide(apart())
        here.clock.passes(20 * S)
        await here.press(*NAMES)
        (_, one, _), *others = (here.calls(name) for name in NAMES)
        assert [authors(calls) for calls in others] == [["quay", one.author, "quay"]] * 2

    asyncio.run(work())


def test_where_the_first_board_hears_nothing_although_in_contact_its_spare_calls_a_little_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work() -> None:
        here = Venue(tmp_path, monkeypatch)
        await here.press("east", "spare")
        assert [authors(here.calls(name)) for name in NAMES] == [["spare"]] * 3
        here.clock.passes(20 * S)
        await here.boards["east"].ask({"kind": "pause"}, "Ada")
        await here.press("east", "spare")
        assert [len(here.calls(name)) for name in NAMES] == [1] * 3
        assert [here.refusals(name) for name in NAMES] == [0] * 3, "the first board would have counted it"

    asyncio.run(work())


def test_the_named_board_acts_and_a_rest_counts_what_another_board_called(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work() -> None:
        here = Venue(tmp_path, monkeypatch, GATE + 'board = "east"\ncool_down = "5 min"\nmost_per_hour = 2\n')
        await here.press(*NAMES)
        assert authors(here.calls("quay")) == ["east"]
        here.exchange.divide(apart("east"))
        here.clock.passes(200 * S)
        await here.press("quay", "spare")
        assert [here.refusals(name) for name in NAMES] == [1, 0, 0], "it rests, although east is lost"
        here.clock.passes(101 * S)
        await here.press("quay", "spare")
        here.clock.passes(301 * S)
        await here.press("quay", "spare")
        assert authors(here.calls("spare")) == ["east", "quay"]
        assert here.refusals("quay") == 2, "two in an hour, of two boards"

    asyncio.run(work())


def test_a_board_that_acts_for_another_one_takes_no_second_press_for_the_one_that_it_knows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else its call would count as the call of before, and a press would be lost without a word."""

    async def work() -> None:
        here = Venue(tmp_path, monkeypatch)
        await here.press(*NAMES)
        (call,) = here.calls("spare")
        here.clock.passes(2 * S)
        await here.boards["spare"].undo(call.id, "Ada")
        here.exchange.divide(apart("quay"))
        await here.press("east", "spare")
        assert here.refusals("spare") == 1
        here.clock.passes(8 * S)
        await here.press("east", "spare")
        assert authors(here.calls("east")) == ["quay", "spare"]

    asyncio.run(work())


@pytest.mark.parametrize("seed", range(6))
def test_each_press_is_one_call_on_all_boards_whoever_hears_it_and_whoever_is_apart(
    seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work() -> None:
        chance, here = random.Random(seed), Venue(tmp_path, monkeypatch)
        presses = 0
        for _ in range(8):
            here.exchange.divide({name: chance.randrange(2) for name in NAMES})
            heard = [name for name in NAMES if chance.random() < 0.7]
            await here.press(*chance.sample(heard, len(heard)))
            presses += bool(heard)
            here.clock.passes(20 * S)
        here.exchange.divide(apart())
        first, *others = (here.calls(name) for name in NAMES)
        assert len(first) == presses, "none is lost and none is called twice"
        assert others == [first, first]

    asyncio.run(work())


def test_one_board_sends_the_public_topic_and_a_hook_unless_the_hook_names_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    table = '\n[public]\nmqtt = "mqtt://127.0.77.9:9/quay/now"\n'
    hook = Hook(place="site.toml:1", at="opening", url="http://192.0.2.5/on")
    own = hook.model_copy(update={"board": "east"})

    def senders(here: Venue) -> tuple[list[str], list[str], list[str]]:
        for board in here.boards.values():
            board.public.look()
        topics = [name for name, board in here.boards.items() if board.public._topic]
        monitors = {name: board._parts.monitor for name, board in here.boards.items()}
        hooks = [[name for name, monitor in monitors.items() if monitor._sends(one)] for one in (hook, own)]
        return topics, hooks[0], hooks[1]

    async def work() -> None:
        here = Venue(tmp_path, monkeypatch, table)
        assert senders(here) == (["quay"], ["quay"], ["east"])
        here.exchange.divide(apart("quay"))
        assert senders(here) == (["quay", "spare"], ["quay", "spare"], ["east"])
        here.exchange.divide(apart())
        assert senders(here) == (["quay"], ["quay"], ["east"])
        for board in here.boards.values():
            board.public.close()

    asyncio.run(work())
