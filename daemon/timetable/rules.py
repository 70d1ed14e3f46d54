"""The rules of dates and hours that the timetable reads, and the windows of instants that hours make.

A window begins on each date that its rule selects. In doubt a window is longer, for the neighbours' sake:

- Where the sun does not reach the height that begins a window, the window begins at the earliest possible instant.
- Where the sun does not reach the height that ends it, the window lasts a day.
- When the clocks change, a skipped beginning is the instant of the change, and an end that comes twice is the second.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from datetime import date, timedelta
from functools import lru_cache
from hashlib import sha256
from typing import Literal, Protocol, TypeVar

from gloaming.daemon.timetable.dates import Dates, rule_dates
from gloaming.daemon.timetable.sun import Spot
from gloaming.daemon.timetable.times import TimeExpression, earliest_on, first_after, instant_on
from gloaming.daemon.timetable.zones import earliest, latest, local_date
from gloaming.shows.time_units import DAY_NS


class DateRule(Hashable, Protocol):
    """A choice of calendar dates. Rules are compared by identity, because they are keys of caches."""

    @property
    def place(self) -> str: ...
    @property
    def season(self) -> Dates | None: ...
    @property
    def days(self) -> frozenset[int] | None: ...
    @property
    def dates(self) -> tuple[Dates, ...] | None: ...
    @property
    def rrule(self) -> str | None: ...
    @property
    def except_(self) -> tuple[Dates, ...]: ...


class HoursRule(DateRule, Protocol):
    """Hours that begin on the selected dates. `contents` are its keys and values without `place`."""

    @property
    def from_(self) -> TimeExpression: ...
    @property
    def to(self) -> TimeExpression: ...
    @property
    def contents(self) -> Sequence[tuple[str, object]]: ...


class PerformanceRule(DateRule, Protocol):
    """A show given from an opening to a closing on the selected dates."""

    @property
    def show(self) -> str: ...
    @property
    def from_(self) -> TimeExpression: ...
    @property
    def to(self) -> TimeExpression: ...
    @property
    def not_before(self) -> TimeExpression | None: ...
    @property
    def not_after(self) -> TimeExpression | None: ...
    @property
    def at_close(self) -> Literal["finish", "cut"]: ...
    @property
    def grace(self) -> int: ...
    @property
    def rank(self) -> int: ...
    @property
    def alone(self) -> bool: ...
    @property
    def zone(self) -> str | None: ...


H = TypeVar("H", bound=HoursRule)


def selects(rule: DateRule, day: date) -> bool:
    """Whether a rule selects a calendar date."""
    if (rule.season and not rule.season.contains(day)) or any(dates.contains(day) for dates in rule.except_):
        return False
    if rule.dates is not None:
        return any(dates.contains(day) for dates in rule.dates)
    if rule.rrule is not None:
        return day in rule_dates(rule.rrule, day.year)
    return rule.days is None or day.weekday() in rule.days


def windows(rules: Iterable[H], spot: Spot, from_ns: int, until_ns: int) -> tuple[tuple[int, int, H], ...]:
    """The whole windows `(begin_ns, end_ns, rule)` that overlap `[from_ns, until_ns)`, in order of their beginnings."""
    first = local_date(from_ns, spot.zone) - timedelta(days=3)
    days = (local_date(until_ns, spot.zone) - first).days + 2  # "sunrise - 9 h" begins on the evening before its date
    found: list[tuple[int, int, H]] = []
    for rule in rules:
        for shift in range(days):
            window = _window(rule, first + timedelta(days=shift), spot)
            if window and window[0] < until_ns and window[1] > from_ns:
                found.append((*window, rule))
    return tuple(sorted(found, key=lambda window: window[:2]))


@lru_cache(maxsize=1024)
def rule_id(rule: HoursRule, spot: Spot) -> str:
    """The id of a rule at a spot. It depends on their contents only, not on the place in the file."""
    return sha256(repr((type(rule).__name__, rule.contents, spot)).encode()).hexdigest()[:16]


@lru_cache(maxsize=50_000)
def _window(rule: HoursRule, day: date, spot: Spot) -> tuple[int, int] | None:
    """The window that begins on a date, None where the rule does not select it."""
    if not selects(rule, day):
        return None
    begin_ns = instant_on(rule.from_, day, spot, earliest)
    if begin_ns is None:
        begin_ns = earliest_on(rule.from_, day, spot)
    first_ns = first_after(rule.to, begin_ns, spot)
    if first_ns is None:
        return begin_ns, begin_ns + DAY_NS
    second_ns = first_after(rule.to, begin_ns, spot, latest)
    return begin_ns, max(first_ns, second_ns or first_ns)
