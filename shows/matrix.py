"""A matrix of pixels: the order in which a cable runs through rows and columns, and the colours of each pixel.

Pure arithmetic on shapes; pictures come from elsewhere.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from gloaming.shows.framefile_layout import Frames
from gloaming.shows.mistake import Mistake, MistakeError
from gloaming.shows.protocols.e131 import SLOTS_MAX, UNIVERSE_MAX


@dataclass(frozen=True, slots=True)
class Matrix:
    """A matrix of `width` x `height` pixels. The cable begins at `start` and runs along rows or columns; with `zigzag`
    every other one is run backwards. `order` names the colours of a pixel in the order of its slots, W being white."""

    width: int
    height: int
    start: str = "top-left"
    direction: str = "rows"
    zigzag: bool = False
    order: str = "RGB"

    @property
    def slots(self) -> int:
        """The slots of one frame."""
        return self.width * self.height * len(self.order)

    def path(self) -> np.ndarray:
        """The place in a picture, `row x width + column`, of each pixel along the cable: `(pixels,) int64`."""
        places = np.arange(self.width * self.height).reshape(self.height, self.width)
        if self.start.startswith("bottom"):
            places = places[::-1]
        if self.start.endswith("right"):
            places = places[:, ::-1]
        if self.direction == "columns":
            places = places.T
        places = places.copy()
        if self.zigzag:
            places[1::2] = places[1::2, ::-1]
        return places.reshape(-1)

    def to_slots(self, pictures: Frames) -> Frames:
        """Pictures `(n, height, width, 3) uint8`, red, green, blue, as frames `(n, slots) uint8`.

        For pixels with white, what the three colours have in common goes to white.
        """
        pixels = pictures.reshape(len(pictures), -1, 3)[:, self.path()]
        if "W" in self.order:
            white = pixels.min(axis=2, keepdims=True)
            pixels = np.concatenate([pixels - white, white], axis=2)
        return np.ascontiguousarray(pixels[:, :, ["RGBW".index(one) for one in self.order]]).reshape(len(pictures), -1)

    def to_pictures(self, frames: Frames) -> Frames:
        """Frames `(n, slots) uint8` as they look: pictures `(n, height, width, 3) uint8`."""
        pixels = frames[:, : self.slots].reshape(len(frames), -1, len(self.order))
        colours = pixels[:, :, [self.order.index(one) for one in "RGB"]]
        if "W" in self.order:
            white = pixels[:, :, [self.order.index("W")]]
            colours = np.minimum(colours.astype(np.uint16) + white, 255).astype(np.uint8)
        pictures = np.empty_like(colours)
        pictures[:, self.path()] = colours
        return pictures.reshape(len(frames), self.height, self.width, 3)


def parse_matrix(size: str, start: str, direction: str, zigzag: bool, order: str) -> Matrix:
    """A matrix as a person writes it: `64x32`, `top-left`, `rows`, `RGB`."""
    match = re.fullmatch(r"([1-9][0-9]{0,4})x([1-9][0-9]{0,4})", size, re.ASCII)
    if not match:
        raise MistakeError(Mistake("--matrix", None, None, f"{size!r} is not a size", "write width x height: 64x32"))
    if sorted(order) not in (sorted("RGB"), sorted("RGBW")):
        wrong = f"{order!r} is not an order of colours"
        raise MistakeError(Mistake("--order", None, None, wrong, "write each letter of RGB, or of RGBW, once: GRB"))
    matrix = Matrix(int(match[1]), int(match[2]), start, direction, zigzag, order)
    if matrix.slots > UNIVERSE_MAX * SLOTS_MAX:
        wrong = f"{size} has {matrix.slots} slots, more than all universes hold"
        raise MistakeError(Mistake("--matrix", None, None, wrong))
    return matrix
