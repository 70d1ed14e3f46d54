"""Reads dates, seasons, Easter, public holidays and RFC 5545 rules. A WrongValueError has a hint."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache

from dateutil.easter import EASTER_ORTHODOX, EASTER_WESTERN, easter
from dateutil.rrule import rrule, rrulestr

from gloaming.daemon.timetable.times import shown
from gloaming.shows.config_files.errors import WrongValueError

YEARS = range(1900, 2101)
MonthDay = tuple[int | None, int, int]
_MOVABLE = re.compile(
    r"(?:(orthodox easter|easter)|holidays of ([A-Z]{2})(?:-([A-Z0-9]{1,3}))?)(?:$|\s+([+-])\s+(\d{1,3}) days?)",
    re.ASCII,
)
_FREQUENCIES = ("YEARLY", "MONTHLY", "WEEKLY", "DAILY")
_RULE_START = re.compile(r"DTSTART:(\d{8})\n(?:RRULE:)?", re.ASCII)
_RULE_END = re.compile(r";UNTIL=(\d{8})(?:T\d{6}Z?)?(?=;|$)", re.ASCII)
_NO_DAYS = re.compile(r"\n|DTSTART|BYHOUR|BYMINUTE|BYSECOND|BYEASTER")


@dataclass(frozen=True, slots=True)
class Dates:
    """A set of calendar dates. `contains` is exact for every date of the years 1900 to 2100.

    Either all dates from `first` to `last` (every year where the year is None), or movable days: `shift` days from
    those of a `calendar`: "easter", "orthodox easter", or a country with its part ("GB-ENG").
    """

    text: str
    first: MonthDay | None = None
    last: MonthDay | None = None
    calendar: str | None = None
    shift: int = 0

    def contains(self, day: date) -> bool:
        if self.calendar is not None:
            days = timedelta(days=self.shift)
            return any(day in _movable(self.calendar, year, days) for year in {day.year, (day - days).year})
        assert self.first
        assert self.last
        if self.first[0] is not None:
            return _full(self.first) <= day <= _full(self.last)
        month_day = (day.month, day.day)
        begin, end = self.first[1:], self.last[1:]
        return begin <= month_day <= end if begin <= end else month_day >= begin or month_day <= end

    @property
    def ends(self) -> date | None:
        """The last of the dates, None where they repeat every year."""
        return _full(self.last) if self.last and self.last[0] is not None else None


def _full(written: MonthDay) -> date:
    year, month, day = written
    assert year is not None
    return date(year, month, day)


@lru_cache(maxsize=1024)
def _movable(calendar: str, year: int, shift: timedelta) -> frozenset[date]:
    """The days of a calendar in a year, shifted."""
    if calendar.endswith("easter"):
        found = easter(year, EASTER_ORTHODOX) if calendar.startswith("orthodox") else easter(year, EASTER_WESTERN)
        return frozenset({found + shift})
    return frozenset(day + shift for day in _holidays(calendar, year))


def _holidays(calendar: str, year: int) -> tuple[date, ...]:
    """The public holidays of a country in a year. ValueError where none are known."""
    from holidays import country_holidays

    country, _, part = calendar.partition("-")
    try:
        return tuple(country_holidays(country, subdiv=part or None, years=year))
    except NotImplementedError:
        raise ValueError(f"no public holidays are known for {calendar}") from None


def _month_day(text: str) -> MonthDay:
    found = re.fullmatch(r"(?:(\d{4})-)?(\d\d)-(\d\d)", text.strip(), re.ASCII)
    if not found:
        raise ValueError(text)
    year = int(found[1]) if found[1] else None
    date(year or 2000, int(found[2]), int(found[3]))
    if year is not None and year not in YEARS:
        raise ValueError(text)
    return year, int(found[2]), int(found[3])


def read_dates(text: object) -> Dates:
    """Read dates: "2026-12-24", "12-24" every year, "12-24..12-26", "easter - 2 days", "holidays of GB-ENG - 1 day"."""
    hint = 'as "2026-12-24", "12-24", "12-24..12-26", "easter - 2 days" or "holidays of GB-ENG"'
    if isinstance(text, date) and not isinstance(text, datetime):
        text = text.isoformat()
    if not isinstance(text, str):
        raise WrongValueError(f"{shown(text)} is not a date", hint)
    if found := _MOVABLE.fullmatch(text.strip()):
        shift = int(found[5] or 0) * (-1 if found[4] == "-" else 1)
        if abs(shift) > 366:
            raise WrongValueError(f"{shown(text)} is more than a year away", hint)
        calendar = found[1] or "-".join(part for part in (found[2], found[3]) if part)
        try:
            _movable(calendar, 2026, timedelta(0))
        except ValueError as error:
            raise WrongValueError(str(error), 'as "holidays of GB-ENG", by ISO 3166') from None
        return Dates(text, calendar=calendar, shift=shift)
    ends = text.split("..")
    try:
        first, last = _month_day(ends[0]), _month_day(ends[-1])
        if len(ends) > 2 or (first[0] is None) != (last[0] is None):
            raise ValueError(text)
        if first[0] is not None and _full(first) > _full(last):
            raise ValueError(text)
    except ValueError:
        raise WrongValueError(f"{shown(text)} is not a date that exists", hint) from None
    return Dates(text, first, last)


def read_season(text: object) -> Dates:
    """Read a season: "11-27..01-06" every year, or "2026-11-27..2027-01-06"."""
    hint = 'as "11-27..01-06" or "2026-11-27..2027-01-06"'
    if not isinstance(text, str) or ".." not in text:
        raise WrongValueError(f"{shown(text)} is not a season", hint)
    try:
        return read_dates(text)
    except ValueError:
        raise WrongValueError(f"{shown(text)} is not a season", hint) from None


@lru_cache(maxsize=256)
def rule_dates(text: str, year: int) -> frozenset[date]:
    """The dates of an RFC 5545 recurrence rule in a year.

    A rule counts from its DTSTART. A rule without DTSTART counts from the first day of the year.
    """
    if year not in YEARS:
        return frozenset()
    first, last = _midnight(date(year, 1, 1)), _midnight(date(year, 12, 31))
    return frozenset(at.date() for at in _rule(text, year).between(first, last, inc=True))


def _rule(text: str, year: int) -> rrule:
    """The rule, up to its UNTIL or the last of `YEARS`."""
    start, until = _RULE_START.match(text), _RULE_END.search(text)
    begin = _day(start[1]) if start else date(year, 1, 1)
    end = _day(until[1]) if until else date(YEARS[-1], 12, 31)
    rule = rrulestr(_RULE_END.sub("", text[start.end() :] if start else text), dtstart=_midnight(begin))
    assert isinstance(rule, rrule)
    return rule.replace(until=_midnight(end))


@lru_cache(maxsize=256)
def _has_dates(text: str) -> bool:
    """Whether a rule has any date. If not, this takes seconds: dateutil searches to the year 9999."""
    return next(iter(_rule(text, YEARS[100])), None) is not None


def _day(digits: str) -> date:
    try:
        day = date(int(digits[:4]), int(digits[4:6]), int(digits[6:]))
    except ValueError:
        raise ValueError(f"{digits} is not a date") from None
    if day.year not in YEARS:
        raise ValueError(f"{digits} is not within 1900 to 2100")
    return day


def _midnight(day: date) -> datetime:
    return datetime(day.year, day.month, day.day)  # noqa: DTZ001 - dates, no zone


def read_rule(text: object) -> str:
    """Read an RFC 5545 recurrence rule of whole days: FREQ=YEARLY;BYMONTH=11;BYDAY=4TH.

    "DTSTART:20261127\n" may precede it. A rule with an INTERVAL needs a DTSTART. A COUNT is refused: a season or an
    UNTIL ends a rule.
    """
    hint = 'as "FREQ=YEARLY;BYMONTH=11;BYDAY=4TH"'
    if not isinstance(text, str):
        raise WrongValueError(f"{shown(text)} is not a rule", hint)
    start = _RULE_START.match(text)
    rule = text[start.end() :] if start else text
    frequency = re.search(r"(?:^|;|:)FREQ=(\w+)", rule)
    if not frequency or frequency[1] not in _FREQUENCIES or _NO_DAYS.search(rule):
        raise WrongValueError(f"{shown(text)} is not a rule of days (RFC 5545 3.3.10)", hint)
    if "COUNT=" in rule:
        raise WrongValueError(f"{shown(text)} has a COUNT", "end it with a season, or with UNTIL=20270106")
    if not start and re.search(r"INTERVAL=(?!1(?:;|$))", rule):
        problem = f"{shown(text)} has an INTERVAL, but no date from which it counts"
        raise WrongValueError(problem, 'as "DTSTART:20261127\\nRRULE:FREQ=WEEKLY;INTERVAL=2"')
    if re.search(r"INTERVAL=(?!0*[1-9]\d*(?:;|$))", rule):
        raise WrongValueError(f"{shown(text)} has an INTERVAL that is not a number above 0 (RFC 5545 3.3.10)", hint)
    try:
        if not _has_dates(text):
            raise ValueError("it never has a date")
    except (ValueError, TypeError, KeyError, AttributeError, IndexError) as error:
        raise WrongValueError(f"{shown(text)} is not a rule of days (RFC 5545 3.3.10): {error}", hint) from None
    return text
