"""Where the city lies that gives a time zone its name, and whether a place is likely to be written wrongly.

The coordinates are those of zone.tab of the IANA time zone database, which has every zone of zone1970.tab and more.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from math import acos, cos, radians, sin

EARTH_KM = 6371
"""Mean radius of the Earth."""
FAR_KM = 1000
"""Nearer than this to its zone's city, a place is believed."""
MUCH_NEARER = 4
_ISO_6709 = re.compile(r"([+-])(\d{2})(\d{2})(\d{2})?([+-])(\d{3})(\d{2})(\d{2})?")


@dataclass(frozen=True, slots=True)
class Slip:
    """A likely slip of the pen: the key, what is wrong, what to write."""

    key: str
    wrong: str
    right: str


@cache
def _cities() -> dict[str, tuple[float, float]]:
    """Latitude and longitude in degrees by the zone's name."""
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


def distance_km(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Along the great circle between two places (latitude, longitude), in degrees."""
    (north, east), (other_north, other_east) = (tuple(map(radians, place)) for place in (one, other))
    cosine = sin(north) * sin(other_north) + cos(north) * cos(other_north) * cos(east - other_east)
    return EARTH_KM * acos(max(-1.0, min(1.0, cosine)))


def likely_slip(latitude: float, longitude: float, zone: str) -> Slip | None:
    """What is probably wrong with a place that is far from its zone's city, and would not be, had it been written
    with both numbers exchanged or with another sign."""
    city = _cities().get(zone)
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
    for written, key, right in others:
        if abs(written[0]) <= 90 and (km := distance_km(written, city)) < far_km / MUCH_NEARER:
            wrong = f"the place lies {far_km:,.0f} km from the city of {zone}"
            return Slip(key, wrong, f"{right}? Then it lies {km:,.0f} km from there")
    return None
