"""Light in space: fields over the positions of pixels, colours added in linear light, and bytes at the end.

Fields are `(frames, pixels) float32`. A pixel's level is a share of time, so levels are linear light without gamma.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from gloaming.shows.demonstration.boathouse import String

Floats = npt.NDArray[np.float32]
ONE_THREAD = 1 << 18
"""Matrix products up to this size (rows x columns x inner) stay on one thread. OpenBLAS spreads larger ones over all
cores, and the cores' waiting costs more than the work."""
Numbers = npt.NDArray[np.floating[Any]]
Bytes = npt.NDArray[np.uint8]
Colour = tuple[float, float, float]


def colour(code: str, times: float = 1.0) -> Colour:
    """A screen colour "#rrggbb" as linear light, by the curve of IEC 61966-2-1 (sRGB)."""
    shares = [int(code[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares)
    return red * times, green * times, blue * times


def smooth(value: Numbers, begin: float, end: float) -> Floats:
    """0 before `begin`, 1 after `end`, an S curve between. `begin` may be greater than `end`."""
    share = np.clip(
        (value.astype(np.float32, copy=False) - np.float32(begin)) / np.float32(end - begin), 0, 1, dtype=np.float32
    )
    result: Floats = share * share * (np.float32(3) - np.float32(2) * share)
    return result


def bump(value: Numbers, width: float) -> Floats:
    """A soft bump of height 1 at 0, without an exponential: 1 / (1 + (value / width)^2)^2."""
    share = value.astype(np.float32, copy=False) * np.float32(1 / width)
    share *= share
    share += np.float32(1)
    share *= share
    result: Floats = np.reciprocal(share)
    return result


class Harbour:
    """The pixels as arrays `(pixels,) float32`: x and y in metres, and the place along the string, 0..1."""

    def __init__(self, strings: Sequence[String]) -> None:
        points = np.concatenate([string.points for string in strings])
        self.x: Floats = np.ascontiguousarray(points[:, 0])
        self.y: Floats = np.ascontiguousarray(points[:, 1])
        self.along: Floats = np.concatenate([np.linspace(0, 1, len(s.points), dtype=np.float32) for s in strings])
        self._names = np.concatenate([np.full(len(s.points), s.name) for s in strings])
        self.pixels = len(points)

    def of(self, *names: str) -> Floats:
        """1 for the pixels of the strings whose names begin with one of `names`, 0 for the others."""
        found = np.zeros(self.pixels, bool)
        for name in names:
            found |= np.char.startswith(self._names, name)
        return found.astype(np.float32)

    def distance(self, x: float, y: float) -> Floats:
        """The distance of every pixel to a point, in metres."""
        result: Floats = np.hypot(self.x - np.float32(x), self.y - np.float32(y))
        return result


@dataclass(frozen=True)
class Wave:
    """The waves of a field: their number, their lengths in metres, and their speed."""

    count: int
    shortest_m: float
    longest_m: float
    speed_m_s: float
    heading_deg: float = 0.0
    spread_deg: float = 180.0


class Waves:
    """A smooth field of plane waves that travel over the picture, about -1..1.

    sin(a - b) = sin a cos b - cos a sin b, so a block of frames is one matrix product for any number of waves.
    """

    def __init__(self, wave: Wave, x: Floats, y: Floats, seed: int) -> None:
        random = np.random.default_rng(seed)
        lengths = np.geomspace(wave.shortest_m, wave.longest_m, wave.count)
        headings = np.radians(wave.heading_deg + random.uniform(-1, 1, wave.count) * wave.spread_deg)
        number = 2 * np.pi / lengths
        phase = np.outer(number * np.cos(headings), x) + np.outer(number * np.sin(headings), y)
        phase += random.uniform(0, 2 * np.pi, (wave.count, 1))
        self._omega = number * wave.speed_m_s * random.uniform(0.7, 1.3, wave.count)
        height = np.sqrt(lengths)[:, None]
        height *= 1 / np.sqrt((height**2).sum() * 0.5) / 1.6
        self._still = np.concatenate([np.sin(phase) * height, -np.cos(phase) * height]).astype(np.float32)

    def at(self, at_s: Floats) -> Floats:
        """The field at some instants `(frames,)`."""
        turned = np.outer(at_s, self._omega)
        moving = np.concatenate([np.cos(turned), np.sin(turned)], axis=1).astype(np.float32)
        result: Floats = np.empty((len(moving), self._still.shape[1]), np.float32)
        step = max(1, ONE_THREAD // moving.size)
        for first in range(0, result.shape[1], step):
            np.matmul(moving, self._still[:, first : first + step], out=result[:, first : first + step])
        return result


class LightBlock:
    """A block of frames in work: three planes of linear light."""

    def __init__(self, frames: int, pixels: int) -> None:
        self.planes: Floats = np.zeros((3, frames, pixels), np.float32)

    def add(self, amount: Floats, tint: Colour) -> None:
        """Add light of a colour."""
        for plane, share in zip(self.planes, tint, strict=True):
            if share:
                plane += amount * np.float32(share)

    def cover(self, amount: Floats, tint: Colour) -> None:
        """Replace a share 0..1 of the light by a colour."""
        for plane, share in zip(self.planes, tint, strict=True):
            plane += (np.float32(share) - plane) * amount

    def dim(self, amount: Floats) -> None:
        """Multiply the light by a share."""
        self.planes *= amount

    def ramp(self, value: Floats, tints: Sequence[Colour], amount: Floats | float = 1.0) -> None:
        """Add the colour at `value` (0..1) on a scale of tints."""
        table = np.array(tints, np.float32).T
        scale = np.linspace(0, len(tints) - 1, 256)
        index = np.clip(value * np.float32(255), 0, 255).astype(np.uint8)
        for plane, stops in zip(self.planes, table, strict=True):
            plane += np.take(np.interp(scale, np.arange(len(tints)), stops).astype(np.float32), index) * amount

    def finish(self, level: Floats, threshold: Floats) -> Bytes:
        """Bytes `(frames, pixels, 3)`: times `level` `(frames,)`, with a soft limit, rounded at each pixel's threshold.

        The thresholds `(3, pixels)` in 0..1 differ from pixel to pixel and never change. So slow fades at low levels
        have many small steps all over the picture instead of a few large ones, and nothing flickers.
        """
        out = np.empty((*self.planes.shape[1:], 3), np.uint8)
        for number, plane in enumerate(self.planes):
            np.maximum(plane, 0, out=plane)
            plane *= level[:, None]
            over = plane > np.float32(0.7)
            if over.any():
                plane[over] = 0.7 + 0.3 * np.tanh((plane[over] - 0.7) / 0.3)
            plane *= np.float32(254)
            plane += threshold[number]
            out[..., number] = plane  # truncated to whole numbers
        return out
