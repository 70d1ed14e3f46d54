"""The times of the sun, from astral's formulas. Each event belongs to the calendar date of its solar noon.

An evening event of a date is the first after the solar noon of that date, even past midnight. A morning event is the
last before it. An event is None where the sun does not reach its height.

astral's own events take declination and equation of time up to a day from the event. Near the poles they are wrong by
minutes, and some fall on no UTC day. This module solves astral's formulas for the instant itself. At the edge of polar
day and night, where the sun only just reaches a height, one arc minute of refraction changes the result by minutes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from functools import lru_cache
from math import cos, radians, sin
from zoneinfo import ZoneInfo

from astral import sun

from gloaming.daemon.timetable.zones import local_date, resolve
from gloaming.shows.time_units import DAY_NS, MINUTE_NS, SECOND_NS

HORIZON = -0.8333
"""The centre's height in degrees when the upper limb touches the horizon: refraction 34', radius 16' (USNO, NOAA)."""
CIVIL_TWILIGHT = -6.0
NEAR_NS = SECOND_NS // 10
_J2000_NS = 946_728_000 * SECOND_NS
_CENTURY_NS = 36_525 * DAY_NS
_EPOCH = date(1970, 1, 1)


@dataclass(frozen=True, slots=True)
class SunEvent:
    """A passage of the sun, in the morning or evening. `altitude`: degrees of its centre (None: given each time)."""

    morning: bool
    altitude: float | None = None


EVENTS = {
    "sunrise": SunEvent(morning=True, altitude=HORIZON),
    "sunset": SunEvent(morning=False, altitude=HORIZON),
    "dawn": SunEvent(morning=True, altitude=CIVIL_TWILIGHT),
    "dusk": SunEvent(morning=False, altitude=CIVIL_TWILIGHT),
    "sun": SunEvent(morning=False),
    "rising": SunEvent(morning=True),
}
"""The names of sun events. `sun at -4` is a "sun" with a height; "rising" is the same height in the morning."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A place: degrees north and east, metres above its horizon, and its time zone."""

    latitude: float
    longitude: float
    elevation_m: float
    zone: ZoneInfo


def _century(at_ns: int) -> float:
    """Julian centuries from J2000, as astral's functions need them."""
    return (at_ns - _J2000_NS) / _CENTURY_NS


def _transit(spot: Spot, utc_day: date) -> int:
    """The sun's transit of the spot's meridian that is nearest to mean noon of a UTC day."""
    mean_ns = (utc_day - _EPOCH).days * DAY_NS + round((720.0 - 4.0 * spot.longitude) * MINUTE_NS)
    at_ns = mean_ns
    for _ in range(2):
        at_ns = mean_ns - round(sun.eq_of_time(_century(at_ns)) * MINUTE_NS)
    return at_ns


@lru_cache(maxsize=20_000)
def solar_noon(spot: Spot, day: date) -> int:
    """The sun's transit on a calendar date in the spot's zone, or the nearest one where the date has none.

    A date can have none where the zone's midnight is at solar noon, and where the zone skipped the date.
    """
    transits: list[int] = []
    for shift in (0, -1, 1):
        at_ns = _transit(spot, day + timedelta(days=shift))
        if local_date(at_ns, spot.zone) == day:
            return at_ns
        transits.append(at_ns)
    midday_ns = resolve(day, time(12), spot.zone)
    return min(transits, key=lambda at_ns: abs(at_ns - midday_ns))


class _Height:
    """How far the sun is above a height (a difference of sines), in the half day on one side of a transit."""

    def __init__(self, spot: Spot, transit_ns: int, altitude: float) -> None:
        self.sine, self.cosine = sin(radians(spot.latitude)), cos(radians(spot.latitude))
        self.transit_ns, self.height = transit_ns, sin(radians(altitude))
        self.equation = sun.eq_of_time(_century(transit_ns))

    def above(self, at_ns: int) -> float:
        century = _century(at_ns)
        declination = radians(sun.sun_declination(century))
        minutes = (at_ns - self.transit_ns) / MINUTE_NS + sun.eq_of_time(century) - self.equation
        hour_angle = cos(radians(minutes / 4.0))
        return self.sine * sin(declination) + self.cosine * cos(declination) * hour_angle - self.height


def _passage(height: _Height, first_ns: int, last_ns: int) -> int | None:
    """The second at which the sun passes the height on one side of a transit (false position, Illinois method)."""
    first, last = height.above(first_ns), height.above(last_ns)
    if first <= 0 or last >= 0:
        return None
    side = 0
    while True:
        at_ns = first_ns + round((last_ns - first_ns) * first / (first - last))
        here = height.above(at_ns)
        if here > 0:
            step_ns, first_ns, first = at_ns - first_ns, at_ns, here
            last, side = (last / 2 if side > 0 else last), 1
        else:
            step_ns, last_ns, last = last_ns - at_ns, at_ns, here
            first, side = (first / 2 if side < 0 else first), -1
        if abs(step_ns) < NEAR_NS or not here:
            return round(at_ns / SECOND_NS) * SECOND_NS


@lru_cache(maxsize=50_000)
def sun_event(spot: Spot, day: date, event: str, altitude: float | None = None) -> int | None:
    """A sun event of a date, to the whole second. None where the sun does not reach its height.

    `event` is one of `EVENTS` (else a KeyError). `altitude` is needed where the event has no fixed one. Elevation
    lowers the horizon; it does not change twilight.
    """
    noon_ns = solar_noon(spot, day)
    half_ns = -DAY_NS // 2 if EVENTS[event].morning else DAY_NS // 2
    return _passage(_Height(spot, noon_ns, _altitude(spot, event, altitude)), noon_ns, noon_ns + half_ns)


def stays_below(spot: Spot, day: date, event: str, altitude: float | None = None) -> bool:
    """Whether the sun stays below an event's height all day on a date, as in polar night."""
    noon_ns = solar_noon(spot, day)
    return _Height(spot, noon_ns, _altitude(spot, event, altitude)).above(noon_ns) <= 0


def _altitude(spot: Spot, event: str, altitude: float | None) -> float:
    if altitude is not None:
        return altitude
    own = EVENTS[event].altitude
    assert own is not None
    return HORIZON - float(sun.adjust_to_horizon(spot.elevation_m)) if own == HORIZON else own


def sun_after(spot: Spot, at_ns: int, event: str) -> int | None:
    """The first event of a kind at or after an instant, within a day and a half."""
    day = local_date(at_ns, spot.zone)
    found = [sun_event(spot, day + timedelta(days=shift), event) for shift in (-1, 0, 1)]
    return min((at for at in found if at is not None and at >= at_ns), default=None)
