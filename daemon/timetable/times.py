"""Reads times of day, lengths and weekdays, and computes the instant of a time on a date.

A WrongValueError has a hint.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

from gloaming.daemon.timetable.sun import EVENTS, Spot, solar_noon, sun_event
from gloaming.daemon.timetable.zones import local_date, resolve
from gloaming.shows.config_files.errors import WrongValueError
from gloaming.shows.time_units import DAY_NS, HOUR_NS, MINUTE_NS, SECOND_NS

_UNITS = {"ms": 1_000_000, "s": SECOND_NS, "min": MINUTE_NS, "h": HOUR_NS}
_LENGTH = re.compile(r"(\d{1,9}(?:\.\d{1,9})?) ?(ms|s|min|h)(?= |$)", re.ASCII)
_LONGEST_NS = 366 * 24 * _UNITS["h"]
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_CLOCK = re.compile(r"\d\d:\d\d", re.ASCII)
_HEIGHT = r"[+-]?\d{1,3}(?:\.\d{1,9})?"
_EVENT = re.compile(rf"(?:sun at ({_HEIGHT})|([a-z ]+?))(?:$|\s+([+-])\s+(.+))", re.ASCII)
_WORDS = "|".join(word for word, event in EVENTS.items() if event.altitude is not None)
TIME_PATTERN = rf"^(?:{_CLOCK.pattern}|\s*(?:{_WORDS}|sun at {_HEIGHT})(?:\s+[+-]\s+.+)?\s*)$"
"""The pattern of a time, for a JSON Schema. It accepts some that `read_time` refuses, such as 25:00."""
LENGTH_PATTERN = rf"^\s*(?:{_LENGTH.pattern}\s*)+$"
"""The pattern of a length, for a JSON Schema."""
_DAY = rf"\s*(?:{'|'.join(_DAYS)})\s*"
DAYS_PATTERN = rf"^(?:\s*daily\s*|{_DAY}(?:-{_DAY})?(?:,{_DAY}(?:-{_DAY})?)*)$"
"""The pattern of days, for a JSON Schema."""

HALF_DAY_NS = DAY_NS // 2
AFTER_NS = 3 * HALF_DAY_NS
Resolve = Callable[[date, time, ZoneInfo], int]
"""Makes an instant of a clock time, on nights when the clocks change too: a function of zones.py."""


def shown(value: object) -> str:
    """A value as it is in the file: texts in quotes, TOML's dates and times without."""
    text = value.isoformat() if isinstance(value, time) else repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= 80 else f"{text[:77]}..."


@dataclass(frozen=True, slots=True)
class TimeExpression:
    """A time of day: of the clock, or of the sun with an offset. `sun at` has an `altitude`."""

    text: str
    clock: time | None = None
    event: str | None = None
    altitude: float | None = None
    offset_ns: int = 0


def read_time(text: object) -> TimeExpression:
    """Read a time: `HH:MM`, a name of `EVENTS`, or `sun at -4`; after a sun time, `+` or `-` a length."""
    hint = 'as "22:30", "sunset + 20 min" or "sun at -4"'
    if not isinstance(text, str):
        raise WrongValueError(f"{shown(text)} is not a time", hint)
    if _CLOCK.fullmatch(text):
        try:
            return TimeExpression(text, clock=time.fromisoformat(text))
        except ValueError:
            raise WrongValueError(f"{shown(text)} is not a time of day", hint) from None
    found = _EVENT.fullmatch(text.strip())
    if not found or (found[1] is None and not _has_height(found[2])):
        raise WrongValueError(f"{shown(text)} is not a time", hint)
    event, altitude = (found[2], None) if found[1] is None else ("sun", float(found[1]))
    if altitude is not None and not -18 <= altitude <= 18:
        raise WrongValueError(f"{shown(text)}: the height of the sun must be from -18 to 18 degrees", "as sun at -4")
    offset = read_length(found[4]) if found[4] else 0
    if offset > 12 * _UNITS["h"]:
        raise WrongValueError(f"{shown(text)} is more than 12 hours from the event of the sun", "as sunset + 20 min")
    return TimeExpression(text, event=event, altitude=altitude, offset_ns=-offset if found[3] == "-" else offset)


def _has_height(event: str) -> bool:
    return event in EVENTS and EVENTS[event].altitude is not None


def read_length(text: object) -> int:
    """Read a length as nanoseconds: "20 min", "1 h 30 min", "4 s", "0 ms"."""
    if isinstance(text, str) and text.strip():
        rest, total = text.strip(), 0
        while found := _LENGTH.match(rest):
            total += round(float(found[1]) * _UNITS[found[2]])
            rest = rest[found.end() :].lstrip()
        if not rest and total <= _LONGEST_NS:
            return total
    raise WrongValueError(f"{shown(text)} is not a length", 'as "20 min", "1 h 30 min", "4 s" or "0 ms"')


def read_days(text: object) -> frozenset[int]:
    """Read days of the week, Monday 0: "daily", "mon-wed", "thu,sun"."""
    hint = 'as "daily", "mon-wed" or "thu,sun"'
    if not isinstance(text, str):
        raise WrongValueError(f"{shown(text)} are not days", hint)
    if text.strip() == "daily":
        return frozenset(range(7))
    days: set[int] = set()
    for part in text.split(","):
        names = [name.strip() for name in part.split("-")]
        if len(names) > 2 or any(name not in _DAYS for name in names):
            raise WrongValueError(f"{shown(text)} are not days", hint)
        first, last = _DAYS.index(names[0]), _DAYS.index(names[-1])
        days.update((first + more) % 7 for more in range((last - first) % 7 + 1))
    return frozenset(days)


def instant_on(time: TimeExpression, day: date, spot: Spot, by: Resolve = resolve) -> int | None:
    """The instant of a time on a calendar date. None where the sun does not reach its height."""
    if time.clock is not None:
        return by(day, time.clock, spot.zone)
    assert time.event is not None
    at_ns = sun_event(spot, day, time.event, time.altitude)
    return None if at_ns is None else at_ns + time.offset_ns


def earliest_on(time: TimeExpression, day: date, spot: Spot) -> int:
    """The earliest instant that a sun time could have on a date, whether it comes or not."""
    assert time.event is not None
    noon_ns = solar_noon(spot, day)
    return time.offset_ns + (noon_ns - HALF_DAY_NS if EVENTS[time.event].morning else noon_ns)


def first_after(time: TimeExpression, at_ns: int, spot: Spot, by: Resolve = resolve) -> int | None:
    """The first instant of a time after `at_ns`, within 36 hours. `sun at` counts morning and evening."""
    day = local_date(at_ns, spot.zone)
    times = [time]
    if time.event == "sun":
        times.append(TimeExpression(time.text, None, "rising", time.altitude, time.offset_ns))
    found = [instant_on(each, day + timedelta(days=shift), spot, by) for each in times for shift in range(-1, 3)]
    later = [found_ns for found_ns in found if found_ns is not None and at_ns < found_ns <= at_ns + AFTER_NS]
    return min(later, default=None)
