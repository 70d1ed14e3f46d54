"""Maps pictures to the slots of pixels, by a matrix or by the positions of a rig's strings, and slots to pictures.

A matrix has the order in which its cable visits the pixels, and the order of a pixel's colours.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from gloaming.shows.analysis.pieces import RGB_OF
from gloaming.shows.config_files.errors import ConfigError, InputError, input_error
from gloaming.shows.framefile.layout import Frames, Universe, bytes_of
from gloaming.shows.framefile.source import universes_of
from gloaming.shows.protocols.e131 import SLOTS_MAX, UNIVERSE_MAX
from gloaming.shows.rig.model import PixelString, Rig, positions


def channels_of(colours: Frames, order: str) -> Frames:
    """RGB colours `(n, pixels, 3) uint8` as the channels of pixels, `(n, pixels, channels) uint8`.

    Pixels with white show the common part of the three colours with white, those of white alone the mean of the three.
    Amber and a second white stay dark.
    """
    channels = np.zeros((*colours.shape[:2], len(order)), np.uint8)
    white = colours.mean(axis=2) if order == "W" else colours.min(axis=2)
    for at, letter in enumerate("RGB"):
        if letter in order:
            channels[:, :, order.index(letter)] = colours[:, :, at] - (white if "W" in order else 0)
    if "W" in order:
        channels[:, :, order.index("W")] = white
    return channels


def colours_of(channels: Frames, order: str) -> Frames:
    """The channels of pixels `(n, pixels, channels) uint8`, added, as RGB `(n, pixels, 3) uint8` of at most 255."""
    weights = np.array([RGB_OF[letter] for letter in order], np.float32)
    colours: Frames = np.minimum(channels @ weights, 255).astype(np.uint8)
    return colours


@dataclass(frozen=True, slots=True)
class Matrix:
    """A matrix of `width` x `height` pixels.

    The cable begins in the corner `first_pixel`. It `runs` across (row by row) or down (column by column). With
    `back_and_forth` it comes back along every second row or column. `order` names the colours of a pixel in the order
    of its slots; W is white.
    """

    width: int
    height: int
    first_pixel: str = "top-left"
    runs: str = "across"
    back_and_forth: bool = False
    order: str = "RGB"

    @property
    def slots(self) -> int:
        """The slots of one frame."""
        return self.width * self.height * len(self.order)

    def path(self) -> np.ndarray:
        """For each pixel along the cable its place in a picture, `row x width + column`: `(pixels,) int64`."""
        places = np.arange(self.width * self.height).reshape(self.height, self.width)
        if self.first_pixel.startswith("bottom"):
            places = places[::-1]
        if self.first_pixel.endswith("right"):
            places = places[:, ::-1]
        if self.runs == "down":
            places = places.T
        places = places.copy()
        if self.back_and_forth:
            places[1::2] = places[1::2, ::-1]
        return places.reshape(-1)

    def to_slots(self, pictures: Frames) -> Frames:
        """RGB pictures `(n, height, width, 3) uint8` as frames `(n, slots) uint8`."""
        pixels = pictures.reshape(len(pictures), -1, 3)[:, self.path()]
        return channels_of(pixels, self.order).reshape(len(pictures), -1)

    def to_pictures(self, frames: Frames) -> Frames:
        """Frames `(n, slots) uint8` as pictures `(n, height, width, 3) uint8`."""
        colours = colours_of(frames[:, : self.slots].reshape(len(frames), -1, len(self.order)), self.order)
        pictures = np.empty_like(colours)
        pictures[:, self.path()] = colours
        return pictures.reshape(len(frames), self.height, self.width, 3)


def parse_matrix(size: str, first_pixel: str, runs: str, back_and_forth: bool, order: str) -> Matrix:
    """A matrix as a person writes it: `64x32`, `top-left`, `across`, `RGB`. InputError if it is impossible."""
    match = re.fullmatch(r"([1-9][0-9]{0,4})x([1-9][0-9]{0,4})", size, re.ASCII)
    if not match:
        raise InputError(
            ConfigError("--matrix", None, None, f"{size!r} is not a size", "write width and height, as 64x32")
        )
    if sorted(order) not in (sorted("RGB"), sorted("RGBW")):
        problem = f"{order!r} is not a colour order"
        raise InputError(ConfigError("--order", None, None, problem, "write each letter of RGB or RGBW once, as GRB"))
    matrix = Matrix(int(match[1]), int(match[2]), first_pixel, runs, back_and_forth, order)
    if matrix.slots > UNIVERSE_MAX * SLOTS_MAX:
        problem = f"{size} has {matrix.slots} slots, more than all universes hold"
        raise InputError(ConfigError("--matrix", None, None, problem))
    return matrix


PICTURE_PX = 256
"""The longer side of the picture from which a rig's pixels are taken."""


class PixelLayout(Protocol):
    """A layout of pixels: pictures of `width` x `height` become frames of `slots`."""

    @property
    def width(self) -> int: ...
    @property
    def height(self) -> int: ...
    @property
    def slots(self) -> int: ...
    def to_slots(self, pictures: Frames, /) -> Frames: ...


def string_slots(string: PixelString, universes: Mapping[int, Universe]) -> npt.NDArray[np.intp]:
    """The byte of a frame for each colour of each pixel, `(pixels, colours)`. -1: the frame has no such byte."""
    return bytes_of(string.spans(), universes).reshape(string.pixels, len(string.order))


class RigLayout:
    """The strings of a rig that have a position. InputError if none has.

    A picture is stretched over all of them. Its top is at the highest pixel. `universes` are those of these strings.
    """

    def __init__(self, rig: Rig, rig_path: Path) -> None:
        placed = [(string, points) for string in rig.string if (points := positions(string)) is not None]
        if not placed:
            raise input_error(rig_path, "no string has a position", "give the strings points or a line")
        numbers = sorted({universe for string, _ in placed for universe, _, _ in string.spans()})
        self.universes = universes_of({number: rig.slots[number] for number in numbers})
        self.slots = sum(one.slots for one in self.universes)
        places = {one.number: one for one in self.universes}
        xy = np.concatenate([points for _, points in placed])
        low, span = xy.min(axis=0), np.ptp(xy, axis=0)
        scale = (PICTURE_PX - 1) / max(float(span.max()), 1e-9)
        self.width, self.height = (int(side * scale) + 1 for side in span)
        columns, rows = np.rint((xy - low) * scale).astype(int).T
        pixels = np.clip(self.height - 1 - rows, 0, self.height - 1) * self.width + np.clip(columns, 0, self.width - 1)
        self._targets: list[npt.NDArray[np.intp]] = []
        self._pixels: list[npt.NDArray[np.int64]] = []
        self._orders: list[str] = []
        first = 0
        for string, points in placed:
            self._targets.append(string_slots(string, places))
            self._pixels.append(pixels[first : first + len(points)])
            self._orders.append(string.order)
            first += len(points)

    def to_slots(self, pictures: Frames) -> Frames:
        """Pictures `(n, height, width, 3) uint8` as frames `(n, slots) uint8`."""
        flat = pictures.reshape(len(pictures), -1, 3)
        frames = np.zeros((len(pictures), self.slots), np.uint8)
        for targets, pixels, order in zip(self._targets, self._pixels, self._orders, strict=True):
            frames[:, targets] = channels_of(flat[:, pixels], order)
        return frames
