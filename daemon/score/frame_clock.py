"""Which frame an instant belongs to and when a frame is due, in integers. Reads no clock."""

from __future__ import annotations

from fractions import Fraction

from gloaming.shows.time_units import SECOND_NS


def frame_at(at_ns: int, zero_ns: int, fps: Fraction) -> int:
    """The number of the frame whose turn it is at an instant."""
    numerator, denominator = fps.as_integer_ratio()
    return (at_ns - zero_ns) * numerator // (denominator * SECOND_NS)


def due_ns(frame: int, zero_ns: int, fps: Fraction) -> int:
    """The first instant at which it is a frame's turn: `frame_at(due_ns(n)) == n`, and no earlier instant has it."""
    numerator, denominator = fps.as_integer_ratio()
    return zero_ns - (-frame * denominator * SECOND_NS // numerator)
