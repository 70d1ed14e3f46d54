"""Maps the bytes of a frame file to the pixels of a rig. Strings of one channel order are side by side, as floats."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gloaming.shows.framefile.reader import FrameFileInfo, Frames
from gloaming.shows.rig.model import PixelString, Rig

Floats = npt.NDArray[np.float32]
EXACT_SLOTS = 60_000
"""How many bytes add up exactly in 32-bit floating point (2**24 / 255)."""


@dataclass(frozen=True, slots=True)
class PixelRun:
    """`count` adjacent slots, from `source` in a frame and from `place` in a plane."""

    source: int
    place: int
    count: int


class Plane:
    """The strings of one channel order. `slots` is `(frames, slots) float32`, 0..255.

    Slots without data stay 0, and so do those of pixels that are missing.
    `strings` are their places in the rig. `first_pixel` is the place of the plane among all pixels of all planes.
    """

    def __init__(
        self, order: str, strings: Sequence[tuple[int, PixelString]], first_pixel: int, info: FrameFileInfo, frames: int
    ) -> None:
        self.order, self.first_pixel = order, first_pixel
        self.strings = np.array([place for place, _ in strings])
        counts = [string.pixels for _, string in strings]
        self.pixels = sum(counts)
        self.runs = _runs([string for _, string in strings], info)
        self.slots: Floats = np.zeros((frames, self.pixels * len(order)), np.float32)
        firsts = np.cumsum([0, *counts[:-1]])
        begins = (firsts * len(order)).tolist()
        channels = np.arange(len(order))
        self._missing = np.concatenate(
            [
                ((first + np.array(string.missing, np.intp) - 1)[:, None] * len(order) + channels).ravel()
                for first, (_, string) in zip(firsts, strings, strict=True)
                if string.missing
            ]
            or [np.zeros(0, np.intp)]
        )
        self._starts, self._owner = _split(begins, self.slots.shape[1])

    def fill(self, block: Frames) -> Floats:
        """Copy a block of frames `(frames, frame_bytes) uint8` into `slots`. Returns the filled part."""
        slots = self.slots[: len(block)]
        for run in self.runs:
            slots[:, run.place : run.place + run.count] = block[:, run.source : run.source + run.count]
        slots[:, self._missing] = 0
        return slots

    def sums(self, slots: Floats) -> npt.NDArray[np.float64]:
        """The sum of each string's slots, `(frames, strings)`, exact."""
        found = np.add.reduceat(slots, self._starts, axis=1)
        if len(self._starts) == len(self.strings):
            return found.astype(np.float64)
        sums = np.zeros((len(slots), len(self.strings)))
        np.add.at(sums.T, self._owner, found.T)
        return sums


def _split(begins: list[int], end: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """Where sums begin, and the string of each: one string at a time, or a part of it, so that sums stay exact."""
    starts, owner = [], []
    for at, (begin, until) in enumerate(zip(begins, [*begins[1:], end], strict=True)):
        for start in range(begin, until, EXACT_SLOTS):
            starts.append(start)
            owner.append(at)
    return np.array(starts, np.intp), np.array(owner, np.intp)


def _runs(strings: Sequence[PixelString], info: FrameFileInfo) -> tuple[PixelRun, ...]:
    offsets = {one.number: (one.offset, one.slots) for one in info.universes}
    runs: list[PixelRun] = []
    place = 0
    for string in strings:
        for universe, first, last in string.spans():
            offset, there = offsets.get(universe, (0, 0))
            count = min(last, there) - first + 1
            source = offset + first - 1
            last_run = runs[-1] if runs else None
            if count > 0 and last_run and _meets(last_run, source, place):
                runs[-1] = PixelRun(last_run.source, last_run.place, last_run.count + count)
            elif count > 0:
                runs.append(PixelRun(source, place, count))
            place += last - first + 1
    return tuple(runs)


def _meets(run: PixelRun, source: int, place: int) -> bool:
    return run.source + run.count == source and run.place + run.count == place


def planes(info: FrameFileInfo, rig: Rig, frames: int) -> tuple[Plane, ...]:
    """The planes of a rig for a frame file, with room for `frames` frames."""
    made: list[Plane] = []
    first_pixel = 0
    by_order: dict[str, list[tuple[int, PixelString]]] = {}
    for place, string in enumerate(rig.string):
        by_order.setdefault(string.order, []).append((place, string))
    for order, strings in by_order.items():
        made.append(Plane(order, strings, first_pixel, info, frames))
        first_pixel += made[-1].pixels
    return tuple(made)


def string_of_pixel(made: Sequence[Plane], rig: Rig) -> npt.NDArray[np.intp]:
    """The place in the rig of the string of every pixel of all planes, in order."""
    return np.concatenate(
        [np.repeat(plane.strings, [rig.string[place].pixels for place in plane.strings]) for plane in made]
    )
