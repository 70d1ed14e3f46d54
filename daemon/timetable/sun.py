"""When the sun stands where: events by astral, each bound to a calendar date by that date's solar noon.

An evening event of a date is the first after that date's solar noon, even past midnight; a morning event is the last
before it. None where the sun does not come to that height. At the edge of polar day and night, where the sun's path
grazes the height asked for, the events are minutes out.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from astral import Observer, SunDirection, sun

from gloaming.daemon.timetable.local import SECOND_NS, local_date

DUSK_ALTITUDE = -6.0
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Spot:
    """A place on the earth: degrees north and east, metres above its horizon, and its zone."""

    latitude: float
    longitude: float
    elevation_m: float
    zone: ZoneInfo


def _ns(at: datetime) -> int:
    passed = at.astimezone(UTC) - _EPOCH
    return (passed.days * 86_400 + passed.seconds) * SECOND_NS + passed.microseconds * 1000


@lru_cache(maxsize=20_000)
def solar_noon(spot: Spot, day: date) -> int:
    """The sun's transit that falls on a calendar date in the spot's zone."""
    for shift in (0, -1, 1):
        at = sun.noon(Observer(spot.latitude, spot.longitude, 0.0), day + timedelta(days=shift), UTC)
        if at.astimezone(spot.zone).date() == day:
            return _ns(at)
    midday = datetime(day.year, day.month, day.day, 12, tzinfo=spot.zone)
    return _ns(midday)


@lru_cache(maxsize=50_000)
def _events(spot: Spot, utc_day: date, event: str, altitude: float | None) -> int | None:
    """astral's event of a UTC day; the elevation must be a float, since astral ignores an integer."""
    observer = Observer(spot.latitude, spot.longitude, float(spot.elevation_m))
    try:
        if event == "sunset":
            return _ns(sun.sunset(observer, utc_day, UTC))
        if event == "sunrise":
            return _ns(sun.sunrise(observer, utc_day, UTC))
        flat = Observer(spot.latitude, spot.longitude, 0.0)
        direction = SunDirection.RISING if event in ("dawn", "rising") else SunDirection.SETTING
        height = DUSK_ALTITUDE if altitude is None else altitude
        return _ns(sun.time_at_elevation(flat, height, utc_day, direction, UTC))
    except ValueError:
        return None


@lru_cache(maxsize=50_000)
def sun_event(spot: Spot, day: date, event: str, altitude: float | None = None) -> int | None:
    """A date's sun event; `sun` is the evening's passage of a height, `rising` the morning's."""
    noon_ns = solar_noon(spot, day)
    morning = event in ("sunrise", "dawn", "rising")
    found = [_events(spot, day + timedelta(days=shift), event, altitude) for shift in (-2, -1, 0, 1, 2)]
    half_ns = 43_200 * SECOND_NS + 1800 * SECOND_NS
    if morning:
        return max((at for at in found if at is not None and noon_ns - half_ns <= at <= noon_ns), default=None)
    return min((at for at in found if at is not None and noon_ns <= at <= noon_ns + half_ns), default=None)


def sunset_after(spot: Spot, at_ns: int) -> int | None:
    """The first sunset from an instant on, within a day and a half."""
    return _first_after(spot, at_ns, "sunset")


def sunrise_after(spot: Spot, at_ns: int) -> int | None:
    """The first sunrise from an instant on, within a day and a half."""
    return _first_after(spot, at_ns, "sunrise")


def _first_after(spot: Spot, at_ns: int, event: str) -> int | None:
    day = local_date(at_ns, spot.zone)
    found = [sun_event(spot, day + timedelta(days=shift), event) for shift in (-1, 0, 1)]
    return min((at for at in found if at is not None and at >= at_ns), default=None)
