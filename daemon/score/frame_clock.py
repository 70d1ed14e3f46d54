"""The frame of an instant, and the instant at which a frame is due, in integers. Reads no clock."""

from __future__ import annotations

from fractions import Fraction

from gloaming.shows.time_units import SECOND_NS


def frame_at(at_ns: int, zero_ns: int, fps: Fraction) -> int:
    """The number of the frame that is due at an instant or was the last to be due."""
    numerator, denominator = fps.as_integer_ratio()
    return (at_ns - zero_ns) * numerator // (denominator * SECOND_NS)


def due_ns(frame: int, zero_ns: int, fps: Fraction) -> int:
    """The instant at which a frame is due: the first for which `frame_at` gives its number."""
    numerator, denominator = fps.as_integer_ratio()
    return zero_ns - (-frame * denominator * SECOND_NS // numerator)
