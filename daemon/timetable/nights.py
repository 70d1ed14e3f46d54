"""The nights of a season: when each performance opens and closes on each date, and by which rule."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum
from functools import lru_cache
from typing import Protocol

from gloaming.daemon.timetable.dates import YEARS
from gloaming.daemon.timetable.rules import HoursRule, PerformanceRule, selects, windows
from gloaming.daemon.timetable.sun import Spot, stays_below
from gloaming.daemon.timetable.times import TimeExpression, first_after, instant_on
from gloaming.daemon.timetable.zones import local_date
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError

DATES_MAX = 1000


class Timetable(Hashable, Protocol):
    """The attributes of a site that the timetable reads."""

    @property
    def spot(self) -> Spot: ...
    @property
    def dark(self) -> tuple[HoursRule, ...]: ...
    @property
    def performances(self) -> tuple[PerformanceRule, ...]: ...
    @property
    def if_no_sunset(self) -> TimeExpression | None: ...


class OpensBy(StrEnum):
    """Which time or rule decides when a performance opens."""

    FROM = "from"
    IF_NO_SUNSET = "if-no-sunset"
    NOT_BEFORE = "not-before"
    NOT_AFTER = "not-after"
    DARK_HOURS = "dark-hours"
    ANOTHER = "another-performance"


class Cause(StrEnum):
    """Why a performance is not given on a date that it selects."""

    GIVEN_ALONE = "given-alone"
    HIGHER_RANK = "higher-rank"
    DARK_HOURS = "dark-hours"
    NO_CLOSING = "no-closing"
    SUN_STAYS_UP = "sun-stays-up"
    SUN_STAYS_DOWN = "sun-stays-down"


CAUSES = {
    Cause.GIVEN_ALONE: "another performance is set to be given alone on this date",
    Cause.HIGHER_RANK: "performances of a higher rank take all its time ({})",
    Cause.DARK_HOURS: "it lies in the dark hours ({})",
    Cause.NO_CLOSING: "its closing time {} does not come: the sun does not reach that height",
    Cause.SUN_STAYS_UP: "there is no {} that day: the sun stays up",
    Cause.SUN_STAYS_DOWN: "there is no {} that day: the sun stays down. Set if_no_sunset to give an opening time",
}


@dataclass(frozen=True, slots=True)
class Night:
    """One performance on one date.

    `to_ns` is the closing. A piece that began earlier may finish until `latest_ns`. `cut_by` names the rule that closes
    the performance before its own closing time.
    """

    date: date
    performance: PerformanceRule
    show: str
    opens_ns: int
    to_ns: int
    latest_ns: int
    opens_by: str
    closes_by: str
    cut_by: str | None
    rank: int
    opens_code: OpensBy


@dataclass(frozen=True, slots=True)
class NotGiven:
    """A date that a performance selects but on which it is not given, and why."""

    date: date
    performance: PerformanceRule
    code: Cause
    what: str = ""
    """The time, rule or performance that the text names."""

    @property
    def why(self) -> str:
        return CAUSES[self.code].format(self.what)


def nights(site: Timetable, first: date, last: date) -> tuple[Night, ...]:
    """The nights on the dates from `first` to `last`, both included, in order of their openings."""
    return tuple(night for night in each_date(site, first, last) if isinstance(night, Night))


def not_given(site: Timetable, first: date, last: date) -> tuple[NotGiven, ...]:
    """The nights that are not given on the dates from `first` to `last`."""
    return tuple(night for night in each_date(site, first, last) if isinstance(night, NotGiven))


def each_date(site: Timetable, first: date, last: date) -> tuple[Night | NotGiven, ...]:
    """Nights given and not given, in order. InputError outside 1900..2100 and above 1000 dates."""
    count = (last - first).days + 1
    if first.year not in YEARS or last.year not in YEARS:
        raise InputError(
            ConfigError(
                "dates",
                None,
                None,
                f"{first} to {last} is not within 1900 to 2100",
                "as 2026-12-20",
                ConfigErrorCode.DATES_NOT_SERVED,
            )
        )
    if count > DATES_MAX:
        raise InputError(
            ConfigError(
                "dates",
                None,
                None,
                f"{count} dates are too many",
                f"ask for {DATES_MAX} at most",
                ConfigErrorCode.DATES_NOT_SERVED,
            )
        )
    found = [night for shift in range(count) for night in _on(site, first + timedelta(days=shift))]
    return tuple(sorted(found, key=lambda night: night.opens_ns if isinstance(night, Night) else 0))


def nights_between(site: Timetable, from_ns: int, until_ns: int) -> tuple[Night, ...]:
    """The nights that overlap an interval."""
    first = local_date(from_ns, site.spot.zone) - timedelta(days=3)
    last = local_date(until_ns, site.spot.zone) + timedelta(days=1)
    found: list[Night] = []
    for shift in range((last - first).days + 1):
        for night in _on(site, first + timedelta(days=shift)):
            if isinstance(night, Night) and night.opens_ns < until_ns and night.latest_ns > from_ns:
                found.append(night)
    return tuple(found)


@lru_cache(maxsize=4096)
def _on(site: Timetable, day: date) -> tuple[Night | NotGiven, ...]:
    """The nights of one date, after the ranks of others."""
    found = _by_themselves(site, day)
    if len(site.performances) < 2:
        return found
    near = [night for shift in (-1, 0, 1) for night in _by_themselves(site, day + timedelta(days=shift))]
    others = [night for night in near if isinstance(night, Night)]
    return tuple(_among(night, others) if isinstance(night, Night) else night for night in found)


@lru_cache(maxsize=4096)
def _by_themselves(site: Timetable, day: date) -> tuple[Night | NotGiven, ...]:
    """The nights of one date, each without regard to the others."""
    if day.year not in YEARS:
        return ()
    chosen = [performance for performance in site.performances if selects(performance, day)]
    alone = max((performance.rank for performance in chosen if performance.alone), default=None)
    found: list[Night | NotGiven] = []
    for performance in chosen:
        if alone is not None and performance.rank < alone:
            found.append(NotGiven(day, performance, Cause.GIVEN_ALONE))
        else:
            found.append(_night(site, performance, day))
    return tuple(found)


def _among(night: Night, others: list[Night]) -> Night | NotGiven:
    """A night, reduced to the time that nights of a higher rank leave. One that lies inside it changes nothing here."""
    higher = [other for other in others if other.rank > night.rank]
    while before := next((one for one in higher if one.opens_ns <= night.opens_ns < one.to_ns), None):
        by = f"the closing of {before.show} ({before.performance.place}), of a higher rank"
        night = replace(night, opens_ns=before.to_ns, opens_by=by, opens_code=OpensBy.ANOTHER)
    if night.opens_ns >= night.to_ns:
        return NotGiven(night.date, night.performance, Cause.HIGHER_RANK, by)
    while after := next((one for one in higher if one.opens_ns < night.to_ns <= one.to_ns), None):
        by = f"{after.show} ({after.performance.place}), of a higher rank"
        night = replace(night, to_ns=after.opens_ns, latest_ns=after.opens_ns, cut_by=by)
    coming = [
        one.opens_ns for one in others if one.rank >= night.rank and night.to_ns <= one.opens_ns < night.latest_ns
    ]
    return replace(night, latest_ns=min([night.latest_ns, *coming]))


def _night(site: Timetable, performance: PerformanceRule, day: date) -> Night | NotGiven:
    opening = _opening(site, performance, day)
    if isinstance(opening, NotGiven):
        return opening
    opens_ns, opens_by, opens_code = opening
    to_ns = first_after(performance.to, opens_ns, site.spot)
    if to_ns is None:
        return NotGiven(day, performance, Cause.NO_CLOSING, performance.to.text)
    closes_by = f"to {performance.to.text}"
    latest_ns = to_ns + (performance.grace if performance.at_close == "finish" else 0)
    cut_by = None
    for begin_ns, end_ns, rule in _dark(site, opens_ns, latest_ns):
        if begin_ns <= opens_ns < end_ns:
            if end_ns >= to_ns:
                return NotGiven(day, performance, Cause.DARK_HOURS, rule.place)
            opens_ns, opens_by = end_ns, f"the end of the dark hours ({rule.place})"
            opens_code = OpensBy.DARK_HOURS
        elif opens_ns < begin_ns < latest_ns:
            if begin_ns < to_ns:
                to_ns, cut_by = begin_ns, f"dark hours ({rule.place} neighbours.dark)"
            latest_ns = begin_ns
            break
    return Night(
        day,
        performance,
        performance.show,
        opens_ns,
        to_ns,
        latest_ns,
        opens_by,
        closes_by,
        cut_by,
        performance.rank,
        opens_code,
    )


def _dark(site: Timetable, from_ns: int, until_ns: int) -> Iterator[tuple[int, int, HoursRule]]:
    """The dark hours that overlap an interval. Windows that touch or overlap are joined under the first one's rule."""
    last: tuple[int, int, HoursRule] | None = None
    for begin_ns, end_ns, rule in windows(site.dark, site.spot, from_ns, until_ns):
        if last and begin_ns <= last[1]:
            last = (last[0], max(last[1], end_ns), last[2])
        else:
            if last:
                yield last
            last = (begin_ns, end_ns, rule)
    if last:
        yield last


def _opening(site: Timetable, performance: PerformanceRule, day: date) -> tuple[int, str, OpensBy] | NotGiven:
    """When a performance opens on a date and by which of its times, or why it does not."""
    time = performance.from_
    opens_ns, opens_by, code = instant_on(time, day, site.spot), time.text, OpensBy.FROM
    if opens_ns is None:
        assert time.event
        if not stays_below(site.spot, day, time.event, time.altitude):
            return NotGiven(day, performance, Cause.SUN_STAYS_UP, time.text)
        opens_ns = instant_on(site.if_no_sunset, day, site.spot) if site.if_no_sunset else None
        if opens_ns is None or site.if_no_sunset is None:
            return NotGiven(day, performance, Cause.SUN_STAYS_DOWN, time.text)
        opens_by = f"if_no_sunset {site.if_no_sunset.text}, as there is no {time.text} that day"
        code = OpensBy.IF_NO_SUNSET
    for limit, name, later in (
        (performance.not_before, OpensBy.NOT_BEFORE, True),
        (performance.not_after, OpensBy.NOT_AFTER, False),
    ):
        limit_ns = instant_on(limit, day, site.spot) if limit else None
        if limit and limit_ns is not None and (limit_ns > opens_ns) == later and limit_ns != opens_ns:
            opens_ns, opens_by, code = limit_ns, f"{name.replace('-', '_')} {limit.text}", name
    return opens_ns, opens_by, code


def overlaps(site: Timetable, first: date, last: date) -> tuple[Night, Night] | None:
    """The first two nights of equal rank that overlap, None where there are none."""
    ranks = [performance.rank for performance in site.performances]
    shared = {rank for rank in ranks if ranks.count(rank) > 1}
    open_now: dict[int, Night] = {}
    begin = first
    while begin <= last and shared:
        end = min(last, begin + timedelta(days=DATES_MAX - 1))
        for night in nights(site, begin, end):
            if night.rank not in shared:
                continue
            before = open_now.get(night.rank)
            if before and night.opens_ns < before.to_ns and before.performance is not night.performance:
                return before, night
            if before is None or night.to_ns > before.to_ns:
                open_now[night.rank] = night
        begin = end + timedelta(days=1)
    return None
