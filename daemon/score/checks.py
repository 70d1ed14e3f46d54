"""Checks of the values in messages. A value that passes cannot make a tick of the player fail. ValueError."""

from __future__ import annotations

from fractions import Fraction
from ipaddress import ip_address
from math import isfinite
from typing import Any

from gloaming.shows.protocols.e131 import SLOTS_MAX, SOURCE_NAME_BYTES_MAX, UNIVERSE_MAX
from gloaming.shows.rig.zones import Spans
from gloaming.shows.time_units import FPS_MAX

INSTANT_NS_MAX = 2**63
UNIVERSES = (1, UNIVERSE_MAX)


def whole(value: Any, low: int, high: int) -> int:
    """A whole number from `low` to `high`."""
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise ValueError(f"{value!r} is not a whole number from {low} to {high}")
    return value


def instant(value: Any) -> int:
    """An instant, or a length of time, in nanoseconds."""
    return whole(value, -INSTANT_NS_MAX, INSTANT_NS_MAX)


def share(value: Any) -> float:
    """A number from 0 to 1."""
    number = float(value)
    if not 0 <= number <= 1:
        raise ValueError(f"{value!r} is not from 0 to 1")
    return number


def amount(value: Any) -> float:
    """A finite number that is not negative."""
    number = float(value)
    if not (isfinite(number) and number >= 0):
        raise ValueError(f"{value!r} is not an amount")
    return number


def rate(value: Any) -> Fraction:
    """Frames a second, as numerator and denominator."""
    numerator, denominator = (whole(part, 1, 2**31) for part in value)
    fps = Fraction(numerator, denominator)
    if fps > FPS_MAX:
        raise ValueError(f"{fps} frames a second are more than {FPS_MAX}")
    return fps


def read_spans(value: Any) -> Spans:
    """Spans of a message."""
    return tuple(
        (whole(universe, *UNIVERSES), whole(first, 1, SLOTS_MAX), whole(last, first, SLOTS_MAX))
        for universe, first, last in value
    )


def text(value: Any) -> str:
    if not isinstance(value, str) or "\0" in value:
        raise ValueError(f"{value!r} is not a text")
    return value


def optional_text(value: Any) -> str | None:
    """A text, or null."""
    return None if value is None else text(value)


def source_name(value: Any) -> str:
    if not isinstance(value, str) or not 0 < len(value.encode()) <= SOURCE_NAME_BYTES_MAX:
        raise ValueError(f"{value!r} is not a source name of 1 to {SOURCE_NAME_BYTES_MAX} bytes")
    return value


def address(value: Any) -> str:
    """An IP address. A name is refused: the look-up of a name would wait."""
    return str(ip_address(str(value)))
