"""Triggers in a planner: an event becomes a call or a refusal, and a restart or a step of the clock changes neither."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.requests import WAITING_MAX
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.confirmation import Sent
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.triggers import Pulled
from tests.daemon.quay_site import TABLES, ns, performance, site_of, write

S, MIN = 1_000_000_000, 60_000_000_000
HOUR = 60 * MIN
SHOWS = TABLES + '\n[[show]]\nname = "short"\norder = ["swell"]\n' + performance('from = "18:00"\nto = "22:00"')
GATE = '\n[[trigger]]\nname = "gate"\nshow = "short"\nlasts = "5 min"\nhttp = true\n'
BELLS = '\n[[trigger]]\nname = "gate"\npiece = "bells"\nhttp = true\n'
LANTERNS = '\n[[trigger]]\nname = "path"\npiece = "lanterns"\nhttp = true\n'
NOTE = 'note = "somebody pressed the button by the gate"\n'


class SetClock(Clock):
    """A clock that stands where a test sets it. A step sets the wall clock alone."""

    def __init__(self, at: str) -> None:
        self.wall_ns, self.passed_ns = ns(at) - 1, 0
        super().__init__(1, lambda: self.wall_ns, lambda: self.passed_ns)  # moved by a nanosecond: it is trusted

    def passes(self, ns: int) -> None:
        self.wall_ns += ns
        self.passed_ns += ns


class Venue:
    """A site with triggers, and its planner in this process, without a transmitter."""

    def __init__(self, folder: Path, *tables: str, at: str = "2026-12-12T18:00:50") -> None:
        self.folder, self.clock = folder / "site", SetClock(at)
        self.planner = Planner(site_of(self.folder, SHOWS, *tables), self.folder / "state", self.clock)

    def reload(self, *tables: str) -> None:
        write(self.folder, SHOWS, *tables)
        assert asyncio.run(self.planner.reload("a test")) is None

    def restart(self) -> None:
        assert asyncio.run(self.planner.written())  # and no orderly end
        self.planner = Planner(self.planner.site, self.folder / "state", self.clock)

    def pull(self, *names: str) -> list[ReasonCode | None]:
        """The events of an instant. For each, why it was refused; None where it has called."""

        async def work() -> list[Pulled]:
            triggers = self.planner._parts.triggers
            return await asyncio.gather(*(triggers.pulled(name, "http", self.at_ns) for name in names))

        return [one.refused.code if one.refused else None for one in asyncio.run(work())]

    @property
    def at_ns(self) -> int:
        return self.planner.now_ns()

    def listed(self, name: str = "gate") -> dict[str, Any]:
        return next(one for one in self.planner._parts.triggers.as_json() if one["name"] == name)

    def lines(self) -> list[tuple[str, str]]:
        return [(row["who"], row["text"]) for row in reversed(self.planner.journal(50, kinds=("trigger",)))]


Open = Callable[..., Venue]


@pytest.fixture
def venue(tmp_path: Path) -> Open:
    return lambda *tables, **more: Venue(tmp_path, *tables, **more)


def test_an_event_calls_a_show_with_a_line_in_the_journal(venue: Open) -> None:
    here = venue(GATE, NOTE)
    assert here.pull("gate") == [None]
    assert here.planner.decision().show == "short"
    (override,) = here.planner.now()["overrides"]
    assert (override["kind"], override["who"], override["remaining_s"]) == ("call", "trigger gate", 300)
    text = "gate calls short (http): somebody pressed the button by the gate"
    assert here.lines() == [("trigger gate", text)]


def test_two_events_of_an_instant_are_one_call(venue: Open) -> None:
    here = venue(GATE)
    assert here.pull("gate", "gate") == [None, ReasonCode.PLAYS_ALREADY]
    here.clock.passes(1_000_000)
    assert here.pull("gate") == [ReasonCode.PLAYS_ALREADY]
    assert here.listed()["refusals"] == {"plays-already": 2}
    assert len(here.planner.now()["overrides"]) == 1


def test_an_event_during_a_pause_is_counted_and_noted_once_a_minute(venue: Open) -> None:
    here = venue(GATE)
    asyncio.run(here.planner.ask({"kind": "pause"}, "Ada"))
    assert here.pull(*["gate"] * 50) == [ReasonCode.PAUSE] * 50
    here.clock.passes(MIN)
    assert here.listed()["refusals"] == {"pause": 50}
    assert here.lines() == [("", "gate is refused (http): paused by Ada at 18:00:50 until 18:15:50")]
    assert [one["kind"] for one in here.planner.now()["health"]["troubles"]] == ["transmitter"]


def test_cool_down_and_most_per_hour_last_over_a_restart(venue: Open) -> None:
    here = venue(GATE, 'cool_down = "20 min"\nmost_per_hour = 2\n')
    assert here.pull("gate") == [None]
    here.restart()
    assert here.listed()["calls"] == 1
    here.clock.passes(20 * MIN - 1)
    assert here.pull("gate") == [ReasonCode.COOL_DOWN]
    here.clock.passes(1)
    assert here.pull("gate") == [None]
    here.clock.passes(20 * MIN)
    here.restart()
    assert here.pull("gate") == [ReasonCode.MOST_PER_HOUR]
    here.clock.passes(20 * MIN)
    assert here.pull("gate") == [None]


@pytest.mark.parametrize(
    ("step_ns", "after_ns"), [(-HOUR, MIN), (-30 * S, 6 * MIN), (-6 * MIN, 6 * MIN), (30 * S, MIN), (HOUR, 6 * MIN)]
)
def test_no_step_of_the_clock_makes_a_rest_twice_as_long(venue: Open, step_ns: int, after_ns: int) -> None:
    here = venue(GATE, 'cool_down = "10 min"\n', at="2026-12-12T19:30")
    here.clock.passes(123)  # a call does not end at a whole second
    assert here.pull("gate") == [None]
    here.clock.passes(after_ns)
    here.clock.wall_ns += step_ns
    here.clock.passes(20 * MIN - after_ns)
    assert here.pull("gate") == [None]


def test_an_edit_of_the_trigger_counts_from_the_next_event_on(venue: Open) -> None:
    here = venue(GATE, 'cool_down = "1 min"\n')
    assert here.pull("gate") == [None]
    here.clock.passes(6 * MIN)
    here.reload(GATE, 'cool_down = "10 min"\n')
    assert here.pull("gate") == [ReasonCode.COOL_DOWN]
    here.reload(GATE.replace("gate", "bell"))
    assert here.pull("gate", "bell") == [ReasonCode.NO_TRIGGER, None]


def test_an_untrusted_clock_refuses_with_its_reason(venue: Open) -> None:
    here = venue(GATE)
    trust = here.planner._parts.situation.trust
    trust.verdict = replace(trust.verdict, trusted=False)
    assert here.pull("gate") == [ReasonCode.NO_CLOCK]
    assert here.listed()["refused_now"]["code"] == "no-clock"


def test_a_call_that_commands_refuse_is_a_refusal_with_its_reason(venue: Open) -> None:
    here = venue(BELLS, "after_piece = true\n", at="2026-12-12T18:02")

    async def ten_wait() -> None:
        for _ in range(WAITING_MAX):
            await here.planner.ask({"kind": "call", "piece": "lanterns", "after": True}, "Ada")

    asyncio.run(ten_wait())
    assert here.pull("gate") == [ReasonCode.TOO_MANY_CALLS]
    assert here.listed()["refusals"] == {"too-many-calls": 1}


def test_a_trigger_that_goes_from_the_site_while_it_calls_has_called(
    venue: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    here = venue(GATE)
    sender = here.planner._parts.sender
    confirmed = sender.confirmed

    async def slowly(asked: Override, ends: bool = False) -> Sent:
        write(here.folder, SHOWS)
        assert await here.planner.reload("a test") is None
        return await confirmed(asked, ends)

    monkeypatch.setattr(sender, "confirmed", slowly)
    assert here.pull("gate") == [None]
    assert here.lines() == [("trigger gate", "gate calls short (http)")]
    assert here.planner.outside.triggers.as_json() == []


def test_the_counts_are_those_since_noon(venue: Open) -> None:
    here = venue(GATE, at="2026-12-12T21:59")
    assert here.pull("gate", "gate") == [None, ReasonCode.PLAYS_ALREADY]
    here.clock.passes(13 * HOUR)  # 10:59 on the next day
    found = here.listed()
    assert (found["calls"], found["refusals"]) == (1, {"plays-already": 1})
    here.clock.passes(61 * MIN)
    found = here.listed()
    assert (found["calls"], found["refusals"], found["last_refusal"]) == (0, {}, None)
    assert found["last_call"] == "2026-12-12T21:59:00+00:00"


def test_a_piece_is_called_and_not_again_while_its_sound_is_prepared_it_plays_or_waits(venue: Open) -> None:
    here = venue(BELLS, at="2026-12-12T18:00:52")  # bells plays first, for 100 s
    assert here.pull("gate") == [ReasonCode.PLAYS_ALREADY]
    here.clock.passes(MIN)  # tide, after a gap
    assert here.planner.decision().piece == "tide"
    assert here.pull("gate") == [None]
    here.clock.passes(S // 2)
    assert here.planner.decision().piece == "tide", "the sound of bells is prepared"
    assert here.pull("gate") == [ReasonCode.WAITS_ALREADY]
    here.clock.passes(S)
    assert here.planner.decision().piece == "bells"
    assert here.pull("gate") == [ReasonCode.PLAYS_ALREADY]
    assert [one["piece"] for one in here.planner.now()["overrides"]] == ["bells"]


def test_after_piece_begins_at_the_end_of_the_piece_that_plays(venue: Open) -> None:
    here = venue(LANTERNS + "after_piece = true\n", at="2026-12-12T18:00:52")
    assert here.pull("path") == [None]
    here.clock.passes(2 * S)
    assert here.planner.decision().piece == "bells"
    assert here.pull("path") == [ReasonCode.WAITS_ALREADY]
    (override,) = here.planner.now()["overrides"]
    assert here.planner.decision(ns(override["at"])).piece == "lanterns"


def test_of_two_triggers_within_a_moment_the_later_one_plays(venue: Open) -> None:
    here = venue(BELLS, LANTERNS, at="2026-12-12T18:02")
    assert here.planner.decision().piece == "tide"
    assert here.pull("gate") == [None]
    here.clock.passes(1_000_000)
    assert here.pull("path") == [None]
    here.clock.passes(5 * S)
    assert here.planner.decision().piece == "lanterns"


def test_a_trigger_works_only_during_its_shows_also_while_a_called_piece_plays(venue: Open) -> None:
    here = venue(BELLS, 'only_during = ["evening"]\n', LANTERNS, 'only_during = ["short"]\n', at="2026-12-12T18:02")
    assert here.pull("gate", "path") == [None, ReasonCode.OTHER_SHOW]
    here.clock.passes(5 * S)
    assert here.pull("gate", "path") == [ReasonCode.PLAYS_ALREADY, ReasonCode.OTHER_SHOW]
