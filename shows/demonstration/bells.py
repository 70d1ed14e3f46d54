"""The four bells of the harbour: when they strike, and the piece "harbour-bells" that shows them.

Both the picture and the sound use these strokes. The bells ring a plain hunt on four: in each row every bell moves one
place, until all are back in their first places.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache

import numpy as np

from gloaming.shows.demonstration.ambient import AmbientLight
from gloaming.shows.demonstration.light import Bytes, Colour, Floats, Harbour, bump, colour, smooth

LENGTH_S = 66.0
FIRST_ROW_S, ROW_S, BLOW_S = 4.5, 3.8, 0.85
HUNT = ((0, 1, 2, 3), (1, 0, 3, 2), (1, 3, 0, 2), (3, 1, 2, 0), (3, 2, 1, 0), (2, 3, 0, 1), (2, 0, 3, 1), (0, 2, 1, 3))
ROWS = 14


@dataclass(frozen=True)
class Bell:
    """A bell at x, y (metres), `size_m` high. It sounds at `hz` and rings from `first_row` to `last_row`."""

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
    """Every stroke: seconds from the beginning of the piece, and the bell."""
    found = []
    for row in range(ROWS):
        for place, number in enumerate(HUNT[row % len(HUNT)]):
            bell = BELLS[number]
            if bell.first_row <= row <= bell.last_row:
                found.append((FIRST_ROW_S + row * ROW_S + place * BLOW_S, bell))
    return tuple(found)


@cache
def strokes_of(bell: Bell) -> tuple[float, ...]:
    """The times of the strokes of one bell, in seconds."""
    return tuple(at_s for at_s, one in strokes() if one is bell)


RING_M_S = 6.5
RING_LASTS_S = 6.0
SWING_RAD = 0.55


def swing(bell: Bell, at_s: Floats) -> Floats:
    """The angle of a bell, in radians: at one end of its swing at every stroke, still before and after the ringing."""
    times = np.array(strokes_of(bell))
    times = np.concatenate([[times[0] - 3.2], times, [times[-1] + 2.4, times[-1] + 4.8]])
    turn = np.interp(at_s, times, np.arange(len(times)))
    wide = smooth(at_s, times[0] - 1, times[1]) * smooth(at_s, times[-1], times[-3])
    result: Floats = (SWING_RAD * np.cos(np.pi * turn)).astype(np.float32) * wide
    return result


class Shape:
    """The shape of a bell on the pixels near it."""

    def __init__(self, harbour: Harbour, bell: Bell) -> None:
        self.bell = bell
        self.near = np.flatnonzero(harbour.distance(bell.x, bell.y) < bell.size_m * 1.3)
        self._x = (harbour.x[self.near] - np.float32(bell.x)) / np.float32(bell.size_m)
        self._y = (harbour.y[self.near] - np.float32(bell.y)) / np.float32(bell.size_m) - np.float32(0.5)

    def at(self, angle: Floats) -> Floats:
        """The share of the bell on each near pixel, `(frames, near)`. The bell turns about its crown."""
        sin, cos = np.sin(angle)[:, None], np.cos(angle)[:, None]
        across, down = self._x * cos - self._y * sin, -(self._x * sin + self._y * cos)
        waist = 0.2 + 0.1 * down + 0.32 * np.clip(down, 0, 1) ** 4
        body = smooth(waist - np.abs(across), -0.06, 0.04) * smooth(down, 0.0, 0.08) * smooth(down, 1.0, 0.92)
        crown = bump(np.hypot(across, down + np.float32(0.02)), 0.1)
        lip = bump(down - np.float32(0.93), 0.09) * smooth(0.58 - np.abs(across), -0.06, 0.04)
        clapper = bump(np.hypot(across + 0.35 * angle[:, None], down - np.float32(1.1)), 0.1)
        result: Floats = (body * (0.55 + 0.3 * down) + 0.5 * lip + 0.8 * crown + clapper).astype(np.float32)
        return result


def harbour_bells(harbour: Harbour) -> Callable[[Floats], Bytes]:
    """The piece, as a function from instants to levels."""
    ambient = AmbientLight(harbour, LENGTH_S, 5.0, 6.0)
    shapes = [Shape(harbour, bell) for bell in BELLS]
    far = [harbour.distance(bell.x, bell.y - bell.size_m / 2) for bell in BELLS]
    glassy = (1 - 0.55 * ambient.water - 0.55 * ambient.curtain).astype(np.float32)

    def levels_at(at_s: Floats) -> Bytes:
        block = ambient.block(at_s)
        ambient.night(block, at_s, 0.8)
        ambient.windows(block, 0.35)
        shine = glassy + ambient.ripple(at_s) * ambient.water
        for bell, shape, metres in zip(BELLS, shapes, far, strict=True):
            light = np.zeros((len(at_s), harbour.pixels), np.float32)
            struck = np.zeros(len(at_s), np.float32)
            for stroke_s in strokes_of(bell):
                if not at_s[0] - RING_LASTS_S < stroke_s < at_s[-1]:
                    continue
                age = np.maximum(at_s - np.float32(stroke_s), 0)
                height = smooth(age, 0, 0.35) * smooth(age, RING_LASTS_S, 0.35) * np.exp(-age / 2.6)
                struck = np.maximum(struck, smooth(age, 0, 0.3) * np.exp(-age / 1.3))
                ring = bump(metres - (RING_M_S * age)[:, None], 0.9)
                ring *= (0.6 * height)[:, None]
                light += ring
            rings = smooth(at_s, strokes_of(bell)[0] - 4, strokes_of(bell)[0])
            rings = rings * smooth(at_s, strokes_of(bell)[-1] + 9, strokes_of(bell)[-1] + 3)
            light += bump(metres, 1.6) * (0.1 * rings + 0.25 * struck)[:, None]
            light *= shine
            light[:, shape.near] += shape.at(swing(bell, at_s)) * (0.4 * rings + 0.8 * struck)[:, None]
            block.add(light, bell.tint)
        return ambient.bytes(block, at_s)

    return levels_at
