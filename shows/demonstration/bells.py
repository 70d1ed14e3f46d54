"""The four bells of the harbour and when they strike: the picture and the sound of "harbour-bells" both read it here.

They ring a plain hunt on four, the oldest of the changes: each row, every bell moves one place, until all are home.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from gloaming.shows.demonstration.light import Colour, colour

LENGTH_S = 66.0
FIRST_ROW_S, ROW_S, BLOW_S = 4.5, 3.8, 0.85
HUNT = ((0, 1, 2, 3), (1, 0, 3, 2), (1, 3, 0, 2), (3, 1, 2, 0), (3, 2, 1, 0), (2, 3, 0, 1), (2, 0, 3, 1), (0, 2, 1, 3))
ROWS = 14


@dataclass(frozen=True)
class Bell:
    """A bell hangs at x, y (metres), is `size_m` high, sounds at `hz`, and rings from one row to another."""

    name: str
    x: float
    y: float
    size_m: float
    hz: float
    tint: Colour
    first_row: int
    last_row: int


BELLS = (
    Bell("boat", 4.9, 5.9, 2.8, 440.0, colour("#ff9a6a"), 3, 12),
    Bell("light", 37.5, 8.9, 1.6, 392.0, colour("#fff0c8"), 2, 11),
    Bell("wing", 25.6, 7.0, 2.6, 329.63, colour("#ff6a4a"), 4, 12),
    Bell("gable", 15.0, 8.55, 3.4, 261.63, colour("#ffc050"), 0, 13),
)


@cache
def strokes() -> tuple[tuple[float, Bell], ...]:
    """Every stroke: when, in seconds from the piece's beginning, and which bell."""
    found = []
    for row in range(ROWS):
        for place, number in enumerate(HUNT[row % len(HUNT)]):
            bell = BELLS[number]
            if bell.first_row <= row <= bell.last_row:
                found.append((FIRST_ROW_S + row * ROW_S + place * BLOW_S, bell))
    return tuple(found)


@cache
def strokes_of(bell: Bell) -> tuple[float, ...]:
    """When one bell strikes."""
    return tuple(at_s for at_s, one in strokes() if one is bell)
