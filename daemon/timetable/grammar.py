"""How times, lengths, days, dates and seasons are written. Text to frozen values; a ValueError says what is right."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, time, timedelta
from functools import lru_cache
from typing import Literal

from dateutil.easter import EASTER_ORTHODOX, EASTER_WESTERN, easter
from dateutil.rrule import rrule, rruleset, rrulestr

SECOND_NS = 1_000_000_000
_UNITS = {"ms": 1_000_000, "s": SECOND_NS, "min": 60 * SECOND_NS, "h": 3600 * SECOND_NS}
_LENGTH = re.compile(r"(\d+(?:\.\d+)?) ?(ms|s|min|h)(?= |$)")
_DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_EVENT = re.compile(r"(sunrise|sunset|dawn|dusk|sun at ([+-]?\d+(?:\.\d+)?))(?:$|\s+([+-])\s+(.+))")
_EASTER = re.compile(r"(orthodox easter|easter)(?:$|\s+([+-])\s+(\d+) days?)")
YEARS = range(1900, 2101)


@dataclass(frozen=True, slots=True)
class TimeExpression:
    """A time of day: of the clock, or of the sun with an offset. `altitude` is set for `sun at`."""

    text: str
    clock: time | None = None
    event: str | None = None
    altitude: float | None = None
    offset_ns: int = 0


@dataclass(frozen=True, slots=True)
class Dates:
    """A set of calendar dates, as written; `contains` is exact for every date of the years 1900 to 2100."""

    text: str
    first: tuple[int | None, int, int] | None = None
    last: tuple[int | None, int, int] | None = None
    easter_days: int | None = None
    easter_kind: Literal[2, 3] = EASTER_WESTERN

    def contains(self, day: date) -> bool:
        if self.easter_days is not None:
            years = {day.year, (day - timedelta(days=self.easter_days)).year}
            return any(easter(year, self.easter_kind) + timedelta(days=self.easter_days) == day for year in years)
        assert self.first and self.last
        if self.first[0] is not None:
            return date(*_full(self.first)) <= day <= date(*_full(self.last))
        month_day = (day.month, day.day)
        begin, end = self.first[1:], self.last[1:]
        return begin <= month_day <= end if begin <= end else month_day >= begin or month_day <= end


def _full(written: tuple[int | None, int, int]) -> tuple[int, int, int]:
    assert written[0] is not None
    return written[0], written[1], written[2]


def read_time(text: str) -> TimeExpression:
    """`HH:MM`, `sunrise`, `sunset`, `dawn`, `dusk` or `sun at -4`, a sun time with `+` or `-` a length."""
    right = 'as "22:30", "sunset + 20 min" or "sun at -4"'
    if not isinstance(text, str):
        raise ValueError(f"{text!r} is not a time; {right}")
    if re.fullmatch(r"\d\d:\d\d", text):
        try:
            return TimeExpression(text, clock=time.fromisoformat(text))
        except ValueError:
            raise ValueError(f"{text!r} is not a time of day; {right}") from None
    found = _EVENT.fullmatch(text.strip())
    if not found:
        raise ValueError(f"{text!r} is not a time; {right}")
    altitude = float(found[2]) if found[2] else None
    if altitude is not None and not -18 <= altitude <= 18:
        raise ValueError(f"{text!r}: the sun's height is given from -18 to 18 degrees; as sun at -4")
    offset = read_length(found[4]) if found[4] else 0
    if offset > 12 * _UNITS["h"]:
        raise ValueError(f"{text!r} is more than 12 hours from the sun's event; as sunset + 20 min")
    event = "sun" if altitude is not None else found[1]
    return TimeExpression(text, event=event, altitude=altitude, offset_ns=-offset if found[3] == "-" else offset)


def read_length(text: object) -> int:
    """A length as nanoseconds: "20 min", "1 h 30 min", "4 s", "0 ms"."""
    if isinstance(text, str) and text.strip():
        rest, total = text.strip(), 0
        while found := _LENGTH.match(rest):
            total += round(float(found[1]) * _UNITS[found[2]])
            rest = rest[found.end() :].lstrip()
        if not rest:
            return total
    raise ValueError(f'{text!r} is not a length; as "20 min", "1 h 30 min", "4 s" or "0 ms"')


def read_days(text: object) -> frozenset[int]:
    """Days of the week, Monday 0: "daily", "sun-thu", "fri,sat"."""
    right = 'as "daily", "sun-thu" or "fri,sat"'
    if not isinstance(text, str):
        raise ValueError(f"{text!r} are not days; {right}")
    if text.strip() == "daily":
        return frozenset(range(7))
    days: set[int] = set()
    for part in text.split(","):
        names = [name.strip() for name in part.split("-")]
        if len(names) > 2 or any(name not in _DAYS for name in names):
            raise ValueError(f"{text!r} are not days; {right}")
        first, last = _DAYS.index(names[0]), _DAYS.index(names[-1])
        days.update((first + more) % 7 for more in range((last - first) % 7 + 1))
    return frozenset(days)


def _month_day(text: str) -> tuple[int | None, int, int]:
    found = re.fullmatch(r"(?:(\d{4})-)?(\d\d)-(\d\d)", text.strip())
    if not found:
        raise ValueError(text)
    year = int(found[1]) if found[1] else None
    date(year or 2000, int(found[2]), int(found[3]))
    if year is not None and year not in YEARS:
        raise ValueError(text)
    return year, int(found[2]), int(found[3])


def read_dates(text: object) -> Dates:
    """Dates: "2026-12-24", "12-24" every year, "12-24..12-26", "easter - 2 days", "orthodox easter"."""
    right = 'as "2026-12-24", "12-24", "12-24..12-26" or "easter - 2 days"'
    if isinstance(text, date):
        text = text.isoformat()
    if not isinstance(text, str):
        raise ValueError(f"{text!r} is not a date; {right}")
    if found := _EASTER.fullmatch(text.strip()):
        days = int(found[3] or 0) * (-1 if found[2] == "-" else 1)
        if abs(days) > 366:
            raise ValueError(f"{text!r} is more than a year from Easter; {right}")
        kind: Literal[2, 3] = EASTER_ORTHODOX if found[1].startswith("orthodox") else EASTER_WESTERN
        return Dates(text, easter_days=days, easter_kind=kind)
    ends = text.split("..")
    try:
        first, last = _month_day(ends[0]), _month_day(ends[-1])
        if len(ends) > 2 or (first[0] is None) != (last[0] is None):
            raise ValueError(text)
        if first[0] is not None and date(*_full(first)) > date(*_full(last)):
            raise ValueError(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a date that exists; {right}") from None
    return Dates(text, first, last)


def read_season(text: object) -> Dates:
    """A season: "11-27..01-06" every year, or "2026-11-27..2027-01-06"."""
    right = 'as "11-27..01-06" or "2026-11-27..2027-01-06"'
    if not isinstance(text, str) or ".." not in text:
        raise ValueError(f"{text!r} is not a season; {right}")
    try:
        return read_dates(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a season; {right}") from None


@lru_cache(maxsize=256)
def rule_dates(text: str, year: int) -> frozenset[date]:
    """The dates of an RFC 5545 recurrence rule within a year; the rule counts from the year's first day."""
    begin = date(year, 1, 1)
    found = _rule(text, begin)
    last = date(year, 12, 31)
    dates: set[date] = set()
    for at in found:
        if at.date() > last:
            break
        dates.add(at.date())
    return frozenset(dates)


def _rule(text: str, begin: date) -> rrule | rruleset:
    from datetime import datetime

    return rrulestr(text, dtstart=datetime(begin.year, begin.month, begin.day))  # noqa: DTZ001 - dates, no zone


def read_rule(text: object) -> str:
    """An RFC 5545 recurrence rule of whole days: FREQ=YEARLY;BYMONTH=11;BYDAY=4TH."""
    right = "as FREQ=YEARLY;BYMONTH=11;BYDAY=4TH"
    if not isinstance(text, str):
        raise ValueError(f"{text!r} is not a rule; {right}")
    frequency = re.search(r"FREQ=(\w+)", text)
    if not frequency or frequency[1] not in ("YEARLY", "MONTHLY", "WEEKLY", "DAILY") or "\n" in text:
        raise ValueError(f"{text!r} is not a rule of days (RFC 5545 3.3.10); {right}")
    try:
        rule_dates(text, 2026)
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise ValueError(f"{text!r} is not a rule of days (RFC 5545 3.3.10): {error}; {right}") from None
    return text
