"""The survey of the schedule: what never plays, what is always cut, and dates without a time of the sun."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from gloaming.daemon.direction.decide import day_plan
from gloaming.daemon.reports.nights import SeasonNight, not_given, season
from gloaming.daemon.site.load import overlapping
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.nights import Cause, NotGiven, OpensBy
from gloaming.daemon.timetable.rules import HoursRule, PerformanceRule, selects
from gloaming.daemon.timetable.times import TimeExpression, instant_on
from gloaming.daemon.timetable.zones import resolve
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.time_units import DAY_NS, HOUR_NS, SECOND_NS

LONGEST_NS = 14 * HOUR_NS
"""A performance with a closing by the clock that lasts longer than this probably closes before it opens."""
AHEAD = timedelta(days=365)


@dataclass(frozen=True)
class _Season:
    """The nights, and those left out, from `first` to `last`."""

    site: Site
    first: date
    last: date
    rows: tuple[SeasonNight, ...]
    left_out: tuple[NotGiven, ...]

    @property
    def dates(self) -> Iterator[date]:
        return (self.first + timedelta(days=shift) for shift in range((self.last - self.first).days + 1))


def survey_schedule(site: Site, first: date, last: date) -> tuple[Finding, ...]:
    """The findings about the dates from `first` to `last`, or about a year if that is longer."""
    if not site.performances:
        return (
            Finding(
                FindingCode.NO_PERFORMANCE,
                "warning",
                "site.toml",
                "there is no performance",
                "add a [[performance]] table",
            ),
        )
    last = max(last, first + AHEAD)
    found = _Season(site, first, last, season(site, first, last), not_given(site, first, last))
    performances = [one for performance in site.performances for one in _performance(found, performance)]
    return (*performances, *_overlaps(found), *_never_given(found), *_hours(found), *_skipped(found))


def _performance(found: _Season, performance: PerformanceRule) -> Iterator[Finding]:
    rows = [row for row in found.rows if row.night.performance is performance]
    left_out = [night for night in found.left_out if night.performance is performance]
    place = performance.place
    if not rows and not left_out:
        yield _no_date(found, performance)
        return
    reasons = Counter((night.code, night.why) for night in left_out)
    for (code, why), count in reasons.items():
        first = next(night.date for night in left_out if night.why == why)
        if not rows:
            yield Finding(FindingCode.NEVER_OPENS, "error", place, f"it never opens: {why}", _hint(code))
        elif code in (Cause.GIVEN_ALONE, Cause.HIGHER_RANK):
            yield Finding(
                FindingCode.LEFT_TO_ANOTHER,
                "fact",
                place,
                f"{_nights(count)} left to another performance, the first on {first}: {why}",
            )
        else:
            yield Finding(
                FindingCode.LEFT_OUT,
                "warning",
                place,
                f"{_nights(count)} left out, the first on {first}: {why}",
                _hint(code),
            )
    yield from _cut(rows, place)
    long = [row for row in rows if row.closes_ns - row.night.opens_ns > LONGEST_NS]
    if long and performance.to.clock:
        hours = (long[0].closes_ns - long[0].night.opens_ns) / HOUR_NS
        text = (
            f"it closes before it opens: on {long[0].night.date}, {performance.to.text} is {hours:.0f} hours after the "
            "opening"
        )
        yield Finding(
            FindingCode.CLOSES_BEFORE_IT_OPENS,
            "error",
            place,
            text,
            "let it close after it opens, or limit the opening with not_after",
        )
    by_clock = [row for row in rows if row.night.opens_code == OpensBy.IF_NO_SUNSET]
    if by_clock:
        text = f"{_nights(len(by_clock))} without a sunset, the first on {by_clock[0].night.date}"
        yield Finding(FindingCode.NO_SUNSET, "fact", place, f"{text}: {by_clock[0].night.opens_by}")


def _no_date(found: _Season, performance: PerformanceRule) -> Finding:
    sets = [performance.season] if performance.season else list(performance.dates or ())
    ends = [dates.ends for dates in sets]
    past = [end for end in ends if end is not None and end < found.first]
    if ends and len(past) == len(ends):
        return Finding(
            FindingCode.SEASON_OVER,
            "warning",
            performance.place,
            f"it is over: its last date was {max(past)}",
            "give it new dates",
        )
    text = f"it selects no date from {found.first} to {found.last}"
    return Finding(
        FindingCode.NO_DATE,
        "error",
        performance.place,
        text,
        "check season, days, dates and except: together they leave no date",
    )


def _cut(rows: list[SeasonNight], place: str) -> Iterator[Finding]:
    cut = [row for row in rows if row.night.cut_by]
    if not cut:
        return
    by = ", ".join(dict.fromkeys(str(row.night.cut_by) for row in cut))
    if len(cut) == len(rows):
        yield Finding(
            FindingCode.ALWAYS_CUT, "warning", place, f"every night is cut short, by {by}", "let it close earlier"
        )
    else:
        yield Finding(
            FindingCode.CUT, "fact", place, f"{_nights(len(cut))} cut short, the first on {cut[0].night.date}, by {by}"
        )


def _overlaps(found: _Season) -> Iterator[Finding]:
    pair = overlapping(found.site, found.first, found.last)
    if pair:
        first, second, _ = pair
        text = f"on {second.date} it overlaps the performance at {first.performance.place}, of the same rank"
        yield Finding(FindingCode.OVERLAP, "error", second.performance.place, text, "give one a higher rank")


def _never_given(found: _Season) -> Iterator[Finding]:
    """Shows without a performance, and pieces that no night reaches."""
    for show in found.site.shows.values():
        rows = [row for row in found.rows if row.night.show == show.name]
        if not any(performance.show == show.name for performance in found.site.performances):
            yield Finding(
                FindingCode.SHOW_UNUSED, "fact", show.place, f"{show.name} has no performance; it can be called"
            )
        if not rows:
            continue
        never = {piece.name for piece in rows[0].occurrence.order}
        for row in rows:
            never -= day_plan(row.night.opens_ns, found.site, (), zones=row.zones).rundown(row.occurrence).pieces
            if not never:
                break
        for name in sorted(never):
            text = f"{show.name} never reaches {name}: no night is long enough"
            yield Finding(
                FindingCode.PIECE_NEVER_REACHED,
                "warning",
                show.place,
                text,
                "put it earlier in the order, or close later",
            )


def _hours(found: _Season) -> Iterator[Finding]:
    """Neighbours' hours that begin at a time of the sun which does not come."""
    for kind, rule in _rules(found.site):
        if rule.from_.event is None:
            continue
        without = [
            on for on in found.dates if selects(rule, on) and instant_on(rule.from_, on, found.site.spot) is None
        ]
        if without:
            text = f"{len(without)} dates without {rule.from_.text}, the first on {without[0]}: "
            text += f"the {kind} hours begin at the earliest possible time there"
            yield Finding(FindingCode.HOURS_WITHOUT_SUN, "warning", rule.place, text, "use a time of the clock")


def _skipped(found: _Season) -> Iterator[Finding]:
    """Times of the clock that a date does not have, because the clocks go forward."""
    changes = [on for on in found.dates if _midnight(found, on + timedelta(days=1)) - _midnight(found, on) < DAY_NS]
    rules: list[tuple[str, HoursRule | PerformanceRule]] = [*_rules(found.site)]
    rules += [("performance", performance) for performance in found.site.performances]
    for kind, rule in rules:
        for key, clock in (("from", rule.from_), ("to", rule.to)):
            for on in changes:
                at = _moved(clock, on, found.site)
                if at and (selects(rule, on) or selects(rule, on - timedelta(days=1))):
                    text = (
                        f"on {on} there is no {clock.text}, because the clocks go forward: {kind} {key} is {at:%H:%M}"
                    )
                    yield Finding(FindingCode.CLOCK_PUT_FORWARD, "fact", rule.place, text)


def _midnight(found: _Season, on: date) -> int:
    return resolve(on, datetime.min.time(), found.site.timezone)


def _moved(clock: TimeExpression, on: date, site: Site) -> datetime | None:
    """What a time of the clock becomes on a date that does not have it; None if the date has it."""
    if clock.clock is None:
        return None
    at = datetime.fromtimestamp(resolve(on, clock.clock, site.timezone) // SECOND_NS, site.timezone)
    return at if at.time() != clock.clock else None


def _rules(site: Site) -> Iterable[tuple[str, HoursRule]]:
    hours = site.neighbours
    return [
        *(("dark", rule) for rule in hours.dark),
        *(("quiet", rule) for rule in hours.quiet),
        *(("dim", rule) for rule in hours.dim),
    ]


def _nights(count: int) -> str:
    return f"{count} nights are" if count != 1 else "1 night is"


def _hint(code: Cause) -> str:
    match code:
        case Cause.SUN_STAYS_DOWN:
            return 'set if_no_sunset in [site], as if_no_sunset = "15:30"'
        case Cause.DARK_HOURS:
            return "let it open before the dark hours begin, or remove its dates from them with except"
        case _:
            return "limit the opening with not_before or not_after, or leave these dates out with season"
