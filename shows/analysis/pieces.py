"""Analyses one piece in one pass: currents, flashes, damage. Memory does not grow with the length of the piece."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gloaming.shows.analysis.areas import AreaCounts, Flashing, partitions
from gloaming.shows.analysis.currents import Currents, Load
from gloaming.shows.analysis.flashes import CEILING, FULL, LUMINANCE, GeneralFlashes, LastSecond, Levels, RedFlashes
from gloaming.shows.analysis.pixels import Floats, planes
from gloaming.shows.framefile.reader import DamagedChunkError, FrameFileInfo, FrameReader, Frames
from gloaming.shows.rig.model import Rig

GENERAL, RED, RED_21 = "general flashes", "red flashes", "red flashes (WCAG 2.1)"
BLOCK_BYTES = 1_600_000
"""How many bytes of pixels, as floats, are processed at a time: about the size of a processor's cache."""
RGB_OF = {"R": (1, 0, 0), "G": (0, 1, 0), "B": (0, 0, 1), "W": (1, 1, 1), "A": (1, 0.5, 0)}
"""What a channel at full shows, as red, green and blue.

White is as bright as the three colours together. Amber is as bright as red with half of green: 0.57 of white (common
practice, no source).
"""
SEEN_FROM_M = 10.0
REDNESS_MIN = 1 / 512
Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Analysis:
    """The result for one piece. Loads are at full brightness. `damaged` is as of `framefile.reader.verify`."""

    info: FrameFileInfo
    loads: tuple[Load, ...]
    flashing: tuple[Flashing, ...]
    by_position: bool
    damaged: tuple[tuple[int, int, str], ...]


def analyse(path: Path, rig: Rig, seen_from_m: float = SEEN_FROM_M, progress: Progress | None = None) -> Analysis:
    """Read and judge a frame file. A damaged chunk counts as black. InputError if the file cannot be opened."""
    with FrameReader(path) as reader:
        damaged: list[tuple[int, int, str]] = []
        blocks = _blocks(reader, damaged, progress)
        if not rig.string:
            for _ in blocks:
                pass
            loads = Currents(rig, reader.info.fps).loads()  # fixtures alone
            return Analysis(reader.info, loads, (), False, tuple(damaged))
        slots = sum(string.slots for string in rig.string)
        judge = Judge(reader.info, rig, max(1, BLOCK_BYTES // (4 * slots)), seen_from_m)
        for block in blocks:
            judge.add(block)
        return Analysis(reader.info, judge.currents.loads(), judge.flashing(), judge.by_position, tuple(damaged))


def _blocks(reader: FrameReader, damaged: list[tuple[int, int, str]], progress: Progress | None) -> Iterator[Frames]:
    frame = 0
    while frame < reader.info.frames:
        try:
            frame, block = reader.chunk(frame)
        except DamagedChunkError as error:
            damaged.append((error.first_frame, error.frames, error.text))
            block = np.zeros((error.frames, reader.info.frame_bytes), np.uint8)
        yield block
        frame += len(block)
        if progress:
            progress(frame, reader.info.frames)


class Judge:
    """Judges the frames of one piece, in order."""

    def __init__(self, info: FrameFileInfo, rig: Rig, block_frames: int, seen_from_m: float = SEEN_FROM_M) -> None:
        self.block_frames = block_frames
        self.currents = Currents(rig, info.fps)
        self._planes = planes(info, rig, block_frames)
        self._weights = [_weights(plane.order) for plane in self._planes]
        pixels = sum(plane.pixels for plane in self._planes)
        self._levels: Levels = np.zeros((block_frames, pixels), np.uint16)
        self._lit: Levels = np.zeros(pixels, np.uint16)
        self._redness = np.zeros(pixels, np.float32)
        self._last = [np.zeros((len(plane.order), plane.pixels), np.float32) for plane in self._planes]
        self._general, self._general_seconds = GeneralFlashes(pixels), LastSecond(pixels, info.fps)
        self._red = RedFlashes(pixels, info.fps)
        parts = partitions(rig, self._planes, seen_from_m)
        self.by_position = any(part.kind == "view" for part in parts)
        self._counts = [AreaCounts(rule, parts, info.fps) for rule in (GENERAL, RED, RED_21)]
        self._sums: npt.NDArray[np.float64] = np.zeros((block_frames, len(rig.string)))
        self._frame = 0

    def add(self, block: Frames) -> None:
        """Add the next frames, `(frames, frame_bytes) uint8`."""
        for first in range(0, len(block), self.block_frames):
            self._add(block[first : first + self.block_frames])

    def flashing(self) -> tuple[Flashing, ...]:
        """The areas in which the piece flashes too often."""
        lit = self._lit > 0
        return tuple(found for counts in self._counts for found in counts.flashing(lit))

    def _add(self, block: Frames) -> None:
        frames = len(block)
        filled = [plane.fill(block) for plane in self._planes]
        for plane, slots, weights in zip(self._planes, filled, self._weights, strict=True):
            self._sums[:frames, plane.strings] = plane.sums(slots)
            part = slice(plane.first_pixel, plane.first_pixel + plane.pixels)
            # frame by frame: such small products stay on one processor, which is faster
            products = np.matmul(weights, slots.reshape(frames, plane.pixels, -1).transpose(0, 2, 1))
            np.minimum(products[:, 0], CEILING, out=products[:, 0])
            np.copyto(self._levels[:frames, part], products[:, 0], casting="unsafe")
            self._redness[part] = products[:, 1].max(axis=0)
        self.currents.add(self._sums[:frames])
        self._judge_light(frames)
        self._judge_red(frames, filled)
        for last, plane, slots in zip(self._last, self._planes, filled, strict=True):
            last[:] = slots[frames - 1].reshape(plane.pixels, -1).T
        self._frame += frames

    def _judge_light(self, frames: int) -> None:
        levels = self._levels[:frames]
        np.maximum(self._lit, levels.max(axis=0), out=self._lit)
        for number in range(frames):
            fired = self._general.frame(levels[number])
            over = self._general_seconds.add(self._frame + number, fired)
            self._counts[0].add(self._frame + number, over)

    def _judge_red(self, frames: int, filled: list[Floats]) -> None:
        pixels = self._red.wanted(self._frame, self._redness >= REDNESS_MIN)
        colours, before = self._colours(pixels, filled)
        for frame, by_colour, by_strength in self._red.add(self._frame, frames, pixels, colours, before):
            self._counts[1].add(frame, by_colour)
            self._counts[2].add(frame, by_strength)

    def _colours(self, pixels: npt.NDArray[np.intp], filled: list[Floats]) -> tuple[Floats, Floats]:
        """R, G and B of some pixels, `(3, frames, pixels)`, and those in the frame before."""
        frames = len(filled[0])
        colours, before = np.zeros((3, frames, len(pixels)), np.float32), np.zeros((3, len(pixels)), np.float32)
        if not len(pixels):
            return colours, before
        for plane, slots, last in zip(self._planes, filled, self._last, strict=True):
            low, high = np.searchsorted(pixels, (plane.first_pixel, plane.first_pixel + plane.pixels))
            which = pixels[low:high] - plane.first_pixel
            whole = len(which) == plane.pixels
            by_pixel = slots.reshape(frames, plane.pixels, -1)
            for at, letter in enumerate(plane.order):
                channel = by_pixel[:, :, at] if whole else by_pixel[:, which, at]
                for row, share in enumerate(RGB_OF[letter]):
                    if share:
                        colours[row, :, low:high] += channel if share == 1 else channel * np.float32(share)
                        before[row, low:high] += last[at, which] * np.float32(share)
        return colours, before


def _weights(order: str) -> Floats:
    """Two rows of weights: luminance (FULL for full white, rounded down), and redness.

    Redness is R - 4 (G+B), plus a little of R, so that an exact 0.8 counts and black does not. Red may be saturated
    where redness is at least 0.
    """
    colours = np.array([RGB_OF[letter] for letter in order])
    light = colours @ np.array(LUMINANCE)
    redness = colours @ np.array([1 + 1 / 1024, -4.0, -4.0])
    return np.array([light * FULL / 255, redness], np.float32)
