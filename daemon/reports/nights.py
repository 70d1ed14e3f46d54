"""A season as a table: each night's opening and closing, as `decide` has them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise

from gloaming.daemon.direction.decide import day_plan, isoformat
from gloaming.daemon.direction.occurrences import occurrence_of
from gloaming.daemon.direction.rundown import Occurrence
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.dates import YEARS
from gloaming.daemon.timetable.nights import Night, NotGiven, each_date
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError

YEAR, APART = timedelta(days=365), timedelta(days=30)
FIRST = date(1900, 2, 1)
"""Before this date, not everything that a night depends on is known."""


@dataclass(frozen=True, slots=True)
class SeasonNight:
    """One night of a performance, from its first light to when its last piece has finished or its light is off."""

    night: Night
    occurrence: Occurrence
    closes_ns: int

    @property
    def zones(self) -> frozenset[str]:
        """The zone of its performance; empty: the whole rig."""
        return _zones(self.night.performance.zone)

    def as_json(self, site: Site) -> dict[str, object]:
        """The row as `gloaming nights --json` prints it."""
        night = self.night
        return {
            "date": night.date.isoformat(),
            "show": night.show,
            **({"zone": night.performance.zone} if night.performance.zone else {}),
            "opens": isoformat(night.opens_ns, site.timezone),
            "closes": isoformat(self.closes_ns, site.timezone),
            "opens_code": str(night.opens_code),
            "opens_by": night.opens_by,
            "closes_by": night.closes_by,
            "cut_by": night.cut_by,
        }


def season(site: Site, first: date, last: date) -> tuple[SeasonNight, ...]:
    """The nights from `first` to `last`, both included, without overrides. InputError."""
    found = _nights(site, first, last)
    if first < FIRST:
        raise InputError(
            ConfigError(
                "dates", None, None, f"{first} is before {FIRST}", "as 2026-12-20", ConfigErrorCode.DATES_NOT_SERVED
            )
        )
    return tuple(_row(site, night) for night in found)


def not_given(site: Site, first: date, last: date) -> tuple[NotGiven, ...]:
    """The nights that are not given on the dates from `first` to `last`."""
    return tuple(night for night in _each_date(site, first, last) if isinstance(night, NotGiven))


def _nights(site: Site, first: date, last: date) -> list[Night]:
    found = [night for night in _each_date(site, first, last) if isinstance(night, Night)]
    return sorted(found, key=lambda night: night.opens_ns)


def _each_date(site: Site, first: date, last: date) -> Iterator[Night | NotGiven]:
    """Nights given and not given. The hours and ranks of other zones do not concern a performance."""
    for zone in dict.fromkeys((None, *(performance.zone for performance in site.performances))):
        for night in each_date(site.in_zones(_zones(zone)), first, last):
            if night.performance.zone == zone:
                yield night


def _zones(zone: str | None) -> frozenset[str]:
    return frozenset() if zone is None else frozenset([zone])


def coming_seasons(site: Site, first: date, count: int) -> tuple[SeasonNight, ...]:
    """The nights of `count` seasons from `first` on. The first is the season that runs then, else the next.

    A season ends where no night follows for `APART`. Nights all year round count as one year.
    """
    end = date(YEARS[-1], 12, 31)
    latest = first + min(count * YEAR + APART, max(end - first, timedelta()))
    coming = _nights(site, first, latest)
    ends = [one.date for one, after in pairwise(coming) if after.date - one.date > APART]
    if len(ends) < count:
        ends.append(coming[-1].date if ends else min(first + YEAR, latest))
    return season(site, first, ends[min(count, len(ends)) - 1])


def _row(site: Site, night: Night) -> SeasonNight:
    zones = _zones(night.performance.zone)
    occurrence, plan = occurrence_of(night, site), day_plan(night.opens_ns, site, (), zones=zones)
    over = [
        plan.end_of(one) for one in plan.occurrences if one.rank > occurrence.rank and one.opens_ns < night.opens_ns
    ]
    opens_ns = max([night.opens_ns, *(end_ns for end_ns in over if end_ns < night.to_ns)])
    return SeasonNight(replace(night, opens_ns=opens_ns), occurrence, plan.end_of(occurrence))
