"""A season as a table: each night's opening and closing, as `decide` has them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import pairwise

from gloaming.daemon.direction.decide import day_plan, isoformat
from gloaming.daemon.direction.occurrences import occurrence_of
from gloaming.daemon.direction.rundown import Occurrence
from gloaming.daemon.site.load import Site
from gloaming.daemon.timetable.dates import YEARS
from gloaming.daemon.timetable.nights import Night, nights
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

    def as_json(self, site: Site) -> dict[str, object]:
        """The row as `gloaming nights --json` prints it."""
        night = self.night
        return {
            "date": night.date.isoformat(),
            "show": night.show,
            "opens": isoformat(night.opens_ns, site.timezone),
            "closes": isoformat(self.closes_ns, site.timezone),
            "opens_code": str(night.opens_code),
            "opens_by": night.opens_by,
            "closes_by": night.closes_by,
            "cut_by": night.cut_by,
        }


def season(site: Site, first: date, last: date) -> tuple[SeasonNight, ...]:
    """The nights from `first` to `last`, both included, without overrides. InputError."""
    found = nights(site, first, last)
    if first < FIRST:
        raise InputError(
            ConfigError(
                "dates", None, None, f"{first} is before {FIRST}", "as 2026-12-20", ConfigErrorCode.DATES_NOT_SERVED
            )
        )
    return tuple(_row(site, night) for night in found)


def coming_seasons(site: Site, first: date, count: int) -> tuple[SeasonNight, ...]:
    """The nights of `count` seasons from `first` on. The first is the season that runs then, else the next.

    A season ends where no night follows for `APART`. Nights all year round count as one year.
    """
    end = date(YEARS[-1], 12, 31)
    latest = first + min(count * YEAR + APART, max(end - first, timedelta()))
    coming = nights(site, first, latest)
    ends = [one.date for one, after in pairwise(coming) if after.date - one.date > APART]
    if len(ends) < count:
        ends.append(coming[-1].date if ends else min(first + YEAR, latest))
    return season(site, first, ends[min(count, len(ends)) - 1])


def _row(site: Site, night: Night) -> SeasonNight:
    occurrence, plan = occurrence_of(night, site), day_plan(night.opens_ns, site, ())
    over = [
        plan.end_of(one) for one in plan.occurrences if one.rank > occurrence.rank and one.opens_ns < night.opens_ns
    ]
    opens_ns = max([night.opens_ns, *(end_ns for end_ns in over if end_ns < night.to_ns)])
    return SeasonNight(replace(night, opens_ns=opens_ns), occurrence, plan.end_of(occurrence))
