"""Where a rig's strings hang: from pictures to the slots of its pixels, and back to what is seen on the wall."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Protocol

import numpy as np
import numpy.typing as npt

from gloaming.shows.framefile import Frames, Universe
from gloaming.shows.importing import mistake
from gloaming.shows.positions import positions
from gloaming.shows.rig import PixelString, Rig

PICTURE_PX = 256
"""The longer side of the picture that a film is brought to before pixels are picked out of it."""


class Canvas(Protocol):
    """What a picture can be put on: pictures of `width` x `height` become frames of `slots`."""

    @property
    def width(self) -> int: ...
    @property
    def height(self) -> int: ...
    @property
    def slots(self) -> int: ...
    def to_slots(self, pictures: Frames, /) -> Frames: ...


def string_slots(string: PixelString, places: Mapping[int, tuple[int, int]]) -> npt.NDArray[np.int64]:
    """The byte of a frame for every colour of every pixel, `(pixels, colours)`; -1 for what the frame does not have.

    `places` gives each universe's offset in the frame, and its slots.
    """
    at = [
        places[universe][0] + slot - 1 if universe in places and slot <= places[universe][1] else -1
        for universe, first, last in string.spans()
        for slot in range(first, last + 1)
    ]
    return np.array(at, np.int64).reshape(string.pixels, len(string.order))


class Hanging:
    """The strings of a rig that say where they hang, as a canvas. MistakeError if none does.

    A picture is stretched over all of them, its top where the highest pixel hangs. For pixels with white, what the
    three colours have in common goes to white. `universes` are those of the rig that such a string is on.
    """

    def __init__(self, rig: Rig, rig_path: Path) -> None:
        placed = [(string, points) for string in rig.string if (points := positions(string)) is not None]
        if not placed:
            raise mistake(rig_path, "no string says where it hangs", "give strings points or a line")
        numbers = sorted({universe for string, _ in placed for universe, _, _ in string.spans()})
        offsets = np.concatenate([[0], np.cumsum([rig.slots[number] for number in numbers])]).tolist()
        self.universes = tuple(
            Universe(number, rig.slots[number], offset) for number, offset in zip(numbers, offsets[:-1], strict=True)
        )
        self.slots: int = offsets[-1]
        places = {one.number: (one.offset, one.slots) for one in self.universes}
        xy = np.concatenate([points for _, points in placed])
        low, span = xy.min(axis=0), np.ptp(xy, axis=0)
        scale = (PICTURE_PX - 1) / max(float(span.max()), 1e-9)
        self.width, self.height = (int(side * scale) + 1 for side in span)
        columns, rows = np.rint((xy - low) * scale).astype(int).T
        pixels = np.clip(self.height - 1 - rows, 0, self.height - 1) * self.width + np.clip(columns, 0, self.width - 1)
        self._targets: list[npt.NDArray[np.int64]] = []
        self._pixels: list[npt.NDArray[np.int64]] = []
        self._orders: list[list[int]] = []
        first = 0
        for string, points in placed:
            self._targets.append(string_slots(string, places))
            self._pixels.append(pixels[first : first + len(points)])
            self._orders.append(["RGBW".index(colour) for colour in string.order])
            first += len(points)

    def to_slots(self, pictures: Frames) -> Frames:
        """Pictures `(n, height, width, 3) uint8` as frames `(n, slots) uint8`."""
        flat = pictures.reshape(len(pictures), -1, 3)
        frames = np.zeros((len(pictures), self.slots), np.uint8)
        for targets, pixels, order in zip(self._targets, self._pixels, self._orders, strict=True):
            colours = flat[:, pixels]
            if len(order) == 4:
                white = colours.min(axis=2, keepdims=True)
                colours = np.concatenate([colours - white, white], axis=2)
            frames[:, targets] = colours[:, :, order]
        return frames
