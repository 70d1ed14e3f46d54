"""A quiet test piece for any rig: slow waves of lamplight and sea along every string, from black to black.

Each pixel rises and falls once in twenty seconds, far below three flashes in a second (WCAG 2.2, 2.3.1).
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gloaming.shows.framefile.layout import bytes_of
from gloaming.shows.framefile.reader import Frames, FrameWriter
from gloaming.shows.framefile.source import universes_of
from gloaming.shows.rig.model import PixelString, Rig

LENGTH_S = 60
FPS = 25
FADE_S = 3.0
WAVE_S, WAVE_PIXELS = 20.0, 60.0
"""How long a wave takes to pass a pixel, and how many pixels it covers."""
HIGHEST = 0.6
LAMPLIGHT = {"R": 1.0, "G": 0.55, "B": 0.2, "W": 0.6, "A": 0.8}
SEA = {"R": 0.05, "G": 0.4, "B": 1.0, "W": 0.2, "A": 0.0}
"""The share of each colour of a pixel."""


def write_first_light(path: Path, rig: Rig) -> None:
    """Write the piece as a frame file for the strings of a rig. OSError."""
    with FrameWriter(path, Fraction(FPS), universes_of(rig.slots)) as writer:
        for block in blocks(rig):
            writer.write(block)


def blocks(rig: Rig) -> Iterator[Frames]:
    """All frames, `(frames, frame_bytes) uint8`, in blocks of a second."""
    universes = universes_of(rig.slots)
    named = {one.number: one for one in universes}
    places = [(string, bytes_of(string.spans(), named)) for string in rig.string]
    for second in range(LENGTH_S):
        at_s = second + np.arange(FPS) / FPS
        frames = np.zeros((FPS, sum(one.slots for one in universes)), np.uint8)
        for string, slots in places:
            frames[:, slots] = _light(string, at_s).reshape(FPS, -1)
        yield frames


def _light(string: PixelString, at_s: npt.NDArray[np.float64]) -> npt.NDArray[np.uint8]:
    """A string's light at some instants, `(frames, pixels, colours) uint8`."""
    lamplight, sea = (np.array([light[letter] for letter in string.order]) for light in (LAMPLIGHT, SEA))
    along = np.arange(string.pixels) / WAVE_PIXELS
    wave = 0.5 - 0.5 * np.cos(2 * np.pi * (at_s[:, None] / WAVE_S - along))
    fade = np.clip(np.minimum(at_s, LENGTH_S - 1 / FPS - at_s) / FADE_S, 0, 1)
    colour = wave[..., None] * lamplight + (1 - wave[..., None]) * sea
    level = HIGHEST * fade[:, None] * (0.3 + 0.7 * wave)
    return np.asarray(np.rint(255 * level[..., None] * colour), np.uint8)
