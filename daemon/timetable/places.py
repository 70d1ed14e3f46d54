"""Reads the coordinates of a place as people write them."""

from __future__ import annotations

import re

from gloaming.shows.config_files.errors import WrongValueError

HINT = "latitude first, as 54.486, -0.613 or 54°29'10\"N 0°36'47\"W"
_MARKS = str.maketrans({"′": "'", "’": "'", "″": '"', "”": '"', "º": "°", "−": "-"})  # as people paste them


def _coordinate(name: str) -> str:
    """The pattern of a latitude or longitude, with a letter before or after it."""
    number = r"\d{1,2}(?:[.,]\d+)?"
    return (
        rf"(?:(?P<{name}_before>[NSEW])\s*)?(?P<{name}_sign>[+-])?\s*(?P<{name}_degrees>\d{{1,3}}(?:[.,]\d+)?)\s*°?\s*"
        rf"(?:(?<=[°\s])(?P<{name}_minutes>{number})\s*'?\s*(?:(?<=['\s])(?P<{name}_seconds>{number})\s*\"?\s*)?)?"
        rf"(?({name}_before)|(?P<{name}_after>[NSEW])?)"
    )


_PLACE = re.compile(rf"{_coordinate('one')}(?:\s*[,;]\s*|\s+|(?<=[NSEW])|(?=[+-])){_coordinate('two')}/?")


def read_place(text: str) -> tuple[float, float]:
    """Latitude and longitude in degrees: "54.486, -0.613", "54.486N 0.613W", "54°29'10\\"N 0°36'47\\"W" and the like.

    Minutes need a letter (N, S, E, W). With letters the longitude may come first. Raises WrongValueError with a hint.
    """
    found = _PLACE.fullmatch(text.strip().upper().translate(_MARKS).replace("''", '"'))
    if not found:
        raise WrongValueError(f"{text!r} is not a place", HINT)
    one, two = _read(found, "one", text), _read(found, "two", text)
    if one[0] in ("E", "W") and two[0] in ("N", "S"):
        one, two = two, one
    if one[0] in ("E", "W") or two[0] in ("N", "S"):
        raise WrongValueError(f"{text!r} is not a latitude and a longitude", HINT)
    if abs(one[1]) > 90 or abs(two[1]) > 180:
        raise WrongValueError(f"{text!r} is no place: a latitude has 90 degrees at most, a longitude 180", HINT)
    return one[1], two[1]


def _read(found: re.Match[str], name: str, text: str) -> tuple[str, float]:
    """The letter of a coordinate, if it has one, and its degrees."""
    letter = found[f"{name}_before"] or found[f"{name}_after"] or ""
    sign, minutes = found[f"{name}_sign"], found[f"{name}_minutes"]
    parts = [float((found[f"{name}_{part}"] or "0").replace(",", ".")) for part in ("degrees", "minutes", "seconds")]
    if (letter and sign) or (minutes and not letter) or max(parts[1:]) >= 60:
        problem = "a sign and a letter" if letter and sign else "60 minutes or more, or minutes without a letter"
        raise WrongValueError(f"{text!r} has {problem}", HINT)
    degrees = parts[0] + parts[1] / 60 + parts[2] / 3600
    return letter, round(-degrees if sign == "-" or letter in ("S", "W") else degrees, 6)
