"""When a hold holds: its state, and how readings and time change it. Pure; all instants and lengths in ns.

    it does not hold   the condition has lasted for `for`              -> it holds, from that instant
    it does not hold   silent, if_silent = "hold"                      -> it holds, from that instant
    it holds           the condition has been over for `clear_for`     -> it does not hold
    it holds           silent, if_silent = "hold"                      -> it holds, and `clear_for` begins anew

A reading counts until the next one comes. A source is silent when no reading has come for `silent_after`. The time in
which the planner does not listen counts for no silence. With if_silent = "hold", a hold that outlasts a restart ends
only after a reading has come.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.overrides import OUT_OF_SERVICE_DAYS, Kind, Override
from gloaming.daemon.site.schema_outside import Hold
from gloaming.shows.time_units import DAY_NS, SECOND_NS

READING_BYTES_MAX = 10_000
WORD_MAX = 200
SHOWN_MAX = 40
Reading = float | str
KINDS = {"dark": Kind.HOLD_DARK, "paused": Kind.HOLD_PAUSE, "dim": Kind.HOLD_DIM}


class UnreadableError(ValueError):
    """A payload that is no reading."""


@dataclass(frozen=True, slots=True)
class HoldState:
    """The state of a hold.

    `listens_ns` is the instant from which readings could be heard; `first_ns` is the first reading since then.
    `run_ns` is the instant from which the readings have spoken for a change without a break: for the condition, or
    while it holds, against it. It holds from `from_ns` on, since a reading `by` has crossed at `since_ns`; without
    `by`, since no reading came after `since_ns`. Until `ended_until_ns` a person has ended it.
    """

    listens_ns: int
    reading: Reading | None = None
    heard_ns: int | None = None
    first_ns: int | None = None
    run_ns: int | None = None
    silent: bool = False
    from_ns: int | None = None
    by: Reading | None = None
    since_ns: int = 0
    ended_until_ns: int = 0

    def in_force_at(self, at_ns: int) -> bool:
        """Whether it keeps the light off or low. The state is that of the instant."""
        return self.from_ns is not None and at_ns >= self.ended_until_ns

    @property
    def knows_why(self) -> bool:
        """Whether it is known why it holds; not where another board has begun it."""
        return self.by is not None or self.silent

    @property
    def last_ns(self) -> int:
        """The instant from which silence counts."""
        return self.listens_ns if self.heard_ns is None else max(self.heard_ns, self.listens_ns)


def read_payload(hold: Hold, payload: bytes) -> Reading:
    """The reading in a payload: a finite number, or a word where the hold has `equals`. UnreadableError."""
    word = hold.equals is not None
    expected = "a word" if word else "a number"
    if hold.json_key is not None:
        expected = f"a JSON object whose {hold.json_key!r} is {expected}"
    if len(payload) > READING_BYTES_MAX:
        raise UnreadableError(f"{len(payload)} bytes came; {expected} of {READING_BYTES_MAX} bytes at most is expected")
    try:
        value: object = payload.decode().strip()
        if hold.json_key is not None:
            value = json.loads(payload)[hold.json_key]
        text = value if isinstance(value, str) else json.dumps(value)
        word = word and not isinstance(value, dict | list)
        if not word and not isinstance(value, bool) and math.isfinite(number := float(text)):
            return number
        if word and text.isprintable() and 0 < len(text) <= WORD_MAX:
            return text
    except (ValueError, LookupError, TypeError, RecursionError):
        pass
    shown = repr(payload[:SHOWN_MAX].decode(errors="replace")) + (" ..." if len(payload) > SHOWN_MAX else "")
    raise UnreadableError(f"{shown} came; {expected} is expected")


def is_over(hold: Hold, reading: Reading) -> bool:
    """Whether a reading speaks for the hold."""
    if isinstance(reading, str):
        return reading == hold.equals
    return reading > hold.above if hold.above is not None else hold.below is not None and reading < hold.below


def is_clear(hold: Hold, reading: Reading) -> bool:
    """Whether a reading speaks for the end of the hold."""
    if not isinstance(reading, str) and hold.until_below is not None:
        return reading < hold.until_below
    if not isinstance(reading, str) and hold.until_above is not None:
        return reading > hold.until_above
    return not is_over(hold, reading)


def next_change(hold: Hold, state: HoldState) -> tuple[int, HoldState] | None:
    """The next change that time alone brings: its instant, and the state from then on."""
    found: list[tuple[int, HoldState]] = []
    if hold.if_silent == "hold" and not state.silent:
        silent_ns = state.last_ns + hold.silent_after
        from_ns = silent_ns if state.from_ns is None else state.from_ns
        silence = replace(state, silent=True, from_ns=from_ns, by=None, since_ns=state.last_ns, run_ns=None)
        found.append((silent_ns, silence))
    if state.run_ns is not None and state.from_ns is None:
        holds_ns = state.run_ns + hold.for_
        holds = replace(state, from_ns=holds_ns, by=state.reading, since_ns=state.run_ns, run_ns=None)
        found.append((holds_ns, holds))
    if state.run_ns is not None and state.from_ns is not None:
        heard_ns = 0 if hold.if_silent == "ignore" else state.first_ns
        if heard_ns is not None:
            found.append((max(state.run_ns + hold.clear_for, heard_ns), replace(state, from_ns=None, run_ns=None)))
    return min(found, key=lambda change: change[0], default=None)


def at(hold: Hold, state: HoldState, at_ns: int) -> HoldState:
    """The state at an instant, when no reading has come since."""
    while (change := next_change(hold, state)) and change[0] <= at_ns:
        state = change[1]
    return state


def heard(hold: Hold, state: HoldState, reading: Reading, at_ns: int) -> HoldState:
    """The state when a reading comes. `at_ns` is no earlier than the reading before."""
    state = at(hold, state, at_ns)
    first_ns = at_ns if state.first_ns is None else state.first_ns
    state = replace(state, reading=reading, heard_ns=at_ns, first_ns=first_ns, silent=False)
    if state.from_ns is not None and state.by is None and is_over(hold, reading):
        state = replace(state, by=reading, since_ns=at_ns)
    speaks = is_over(hold, reading) if state.from_ns is None else is_clear(hold, reading)
    run_ns = at_ns if state.run_ns is None else state.run_ns
    return at(hold, replace(state, run_ns=run_ns if speaks else None), at_ns)


def resumed(state: HoldState, at_ns: int) -> HoldState:
    """The state when a planner listens again."""
    return replace(state, listens_ns=at_ns, first_ns=None)


def taken_over(hold: Hold, state: HoldState, from_ns: int) -> HoldState:
    """The state when another board has found that it holds, from an instant on."""
    by = state.reading if state.reading is not None and is_over(hold, state.reading) else None
    return replace(state, from_ns=from_ns, by=by, since_ns=from_ns, run_ns=None)


def moved(state: HoldState, step_ns: int) -> HoldState:
    """The state after the wall clock was set by `step_ns`: all that has lasted has lasted as long."""

    def later(at_ns: int | None) -> int | None:
        return None if at_ns is None else at_ns + step_ns

    return replace(
        state,
        listens_ns=state.listens_ns + step_ns,
        heard_ns=later(state.heard_ns),
        first_ns=later(state.first_ns),
        run_ns=later(state.run_ns),
        from_ns=later(state.from_ns),
        since_ns=state.since_ns + step_ns,
        ended_until_ns=state.ended_until_ns + step_ns,
    )


def condition(hold: Hold, reading: Reading) -> str:
    """What a reading is: "15.2 is above 14", "calm is not storm"."""
    over = "is" if is_over(hold, reading) else "is not"
    if isinstance(reading, str):
        return f"{reading} {over} {hold.equals}" if over == "is not" else f"it is {reading}"
    side, limit = ("above", hold.above) if hold.above is not None else ("below", hold.below)
    return f"{reading:g} {over} {side} {limit:g}"


def clock_time(at_ns: int, zone: ZoneInfo) -> str:
    """An instant as a time of a zone's clock: "18:05", "18:05:30"."""
    at = datetime.fromtimestamp(at_ns // SECOND_NS, zone)
    return f"{at:%H:%M:%S}" if at.second else f"{at:%H:%M}"


def why_of(hold: Hold, state: HoldState, zone: ZoneInfo) -> str:
    """Why it holds: "15.2 is above 14 since 18:05"."""
    since = clock_time(state.since_ns, zone)
    return f"no reading since {since}" if state.by is None else f"{condition(hold, state.by)} since {since}"


def override_of(hold: Hold, state: HoldState, at_ns: int, zone: ZoneInfo) -> Override:
    """The override of a hold that holds, from an instant on, with id 0. It is ended when it is over."""
    return Override(
        id=0,
        kind=KINDS[hold.makes],
        at_ns=at_ns,
        until_ns=at_ns + OUT_OF_SERVICE_DAYS * DAY_NS,
        who=f"hold {hold.name}",
        level=hold.level,
        zone=hold.zone,
        why=why_of(hold, state, zone),
        hold=hold.name,
    )
