"""Time zones: local times as instants, and whether a place is near the city of its zone.

When the clocks change, a local time is skipped or comes twice. The coordinates of the zones' cities come from zone.tab
of the IANA time zone database, which has every zone of zone1970.tab and more.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from importlib.resources import files
from math import acos, cos, radians, sin
from zoneinfo import ZoneInfo

from gloaming.shows.time_units import SECOND_NS

EARTH_KM = 6371
"""Mean radius of the Earth."""
FAR_KM = 1000
"""A place nearer than this to the city of its zone is not questioned."""
MUCH_NEARER = 4
_ISO_6709 = re.compile(r"([+-])(\d{2})(\d{2})(\d{2})?([+-])(\d{3})(\d{2})(\d{2})?")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def resolve(day: date, clock: time, zone: ZoneInfo) -> int:
    """The instant (ns since the Unix epoch) of a local time, by RFC 5545 3.3.5.

    A skipped time moves on by the gap. Of a time that comes twice, the first is meant. Python's fold 0 does the same.
    """
    return _instant(datetime.combine(day, clock, zone).replace(fold=0))


def earliest(day: date, clock: time, zone: ZoneInfo) -> int:
    """The same as `resolve`, but a skipped time is the instant at which the clocks change."""
    local = datetime.combine(day, clock, zone)
    before, after = local.replace(fold=0).utcoffset(), local.replace(fold=1).utcoffset()
    if before is None or after is None or after <= before:
        return resolve(day, clock, zone)
    low_s, high_s = _instant(local.replace(fold=1)) // SECOND_NS, resolve(day, clock, zone) // SECOND_NS
    while high_s - low_s > 1:  # the change comes after low_s, and at high_s or before
        middle_s = (low_s + high_s) // 2
        if datetime.fromtimestamp(middle_s, zone).utcoffset() == before:
            low_s = middle_s
        else:
            high_s = middle_s
    return high_s * SECOND_NS


def latest(day: date, clock: time, zone: ZoneInfo) -> int:
    """The same as `resolve`, but of a time that comes twice the second is meant."""
    return max(_instant(datetime.combine(day, clock, zone).replace(fold=fold)) for fold in (0, 1))


def _instant(local: datetime) -> int:
    passed = local.astimezone(UTC) - _EPOCH
    return (passed.days * 86_400 + passed.seconds) * SECOND_NS


def local_date(at_ns: int, zone: ZoneInfo) -> date:
    """The calendar date of an instant in a zone."""
    return (_EPOCH + timedelta(seconds=at_ns // SECOND_NS)).astimezone(zone).date()


@dataclass(frozen=True, slots=True)
class UnlikelyPlace:
    """Coordinates that are probably wrong: the key, the problem, and what to write."""

    key: str
    problem: str
    hint: str


@cache
def _cities() -> dict[str, tuple[float, float]]:
    """Latitude and longitude in degrees, by name of zone."""
    cities: dict[str, tuple[float, float]] = {}
    for line in files("tzdata").joinpath("zoneinfo", "zone.tab").read_text(encoding="utf-8").splitlines():
        _, coordinates, *rest = line.split("\t") if not line.startswith("#") else ("", "")
        if found := _ISO_6709.fullmatch(coordinates):
            north, east = (
                (-1 if sign == "-" else 1) * (int(degrees) + int(minutes) / 60 + int(seconds or 0) / 3600)
                for sign, degrees, minutes, seconds in (found.groups()[:4], found.groups()[4:])
            )
            cities[rest[0]] = (north, east)
    return cities


def city_of(zone: str) -> tuple[float, float] | None:
    """Latitude and longitude, in degrees, of the city of a zone. None where the database has none, as for UTC."""
    return _cities().get(zone)


def distance_km(one: tuple[float, float], other: tuple[float, float]) -> float:
    """The great-circle distance between two places (latitude, longitude, in degrees)."""
    (north, east), (other_north, other_east) = (tuple(map(radians, place)) for place in (one, other))
    cosine = sin(north) * sin(other_north) + cos(north) * cos(other_north) * cos(east - other_east)
    return EARTH_KM * acos(max(-1.0, min(1.0, cosine)))


def likely_place_mistake(latitude: float, longitude: float, zone: str) -> UnlikelyPlace | None:
    """The probable mistake in a place that is far from the city of its zone.

    It is found where the place would be near with its numbers exchanged or with another sign.
    """
    city = city_of(zone)
    if city is None or (far_km := distance_km((latitude, longitude), city)) < FAR_KM:
        return None
    others = (
        ((longitude, latitude), "latitude", "did you exchange latitude and longitude"),
        ((-latitude, longitude), "latitude", f"did you mean latitude = {-latitude:g}"),
        ((latitude, -longitude), "longitude", f"did you mean longitude = {-longitude:g}"),
        ((-latitude, -longitude), "latitude", f"did you mean latitude = {-latitude:g} and longitude = {-longitude:g}"),
        ((longitude, -latitude), "latitude", f"did you mean latitude = {longitude:g} and longitude = {-latitude:g}"),
        ((-longitude, latitude), "latitude", f"did you mean latitude = {-longitude:g} and longitude = {latitude:g}"),
    )
    for written, key, hint in others:
        if abs(written[0]) <= 90 and (km := distance_km(written, city)) < far_km / MUCH_NEARER:
            problem = f"the place is {far_km:,.0f} km from the city of {zone}"
            return UnlikelyPlace(key, problem, f"{hint}? That place is {km:,.0f} km from it")
    return None
