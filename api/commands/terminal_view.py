"""The boathouse in a terminal: levels that were really received, as coloured half blocks."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from rich.color import Color
from rich.style import Style
from rich.text import Text

from gloaming.shows.demonstration.boathouse import BOTTOM_M, LEFT_M, PIXELS_PER_UNIVERSE, RIGHT_M, TOP_M, strings
from gloaming.shows.demonstration.rig import places, universes

Bytes = npt.NDArray[np.uint8]


class Picture:
    """Pixels to cells, worked out once for a size. `render` makes a text of `columns` by `rows` cells."""

    def __init__(self, columns: int, rows: int) -> None:
        points = np.concatenate([string.points for string in strings()])
        high = 2 * rows
        x = (points[:, 0] - LEFT_M) / (RIGHT_M - LEFT_M) * (columns - 1)
        y = (TOP_M - points[:, 1]) / (TOP_M - BOTTOM_M) * (high - 1)
        self.columns, self.high = columns, high
        self.cells = np.clip(y.round().astype(int), 0, high - 1) * columns + np.clip(
            x.round().astype(int), 0, columns - 1
        )
        self.places = places()
        self.universes = len(universes())

    def render(self, levels: dict[int, bytes]) -> Text:
        """The picture of the last levels of every universe; the brightest pixel of a cell is shown."""
        image = self._image(levels)
        text = Text(no_wrap=True)
        for row in range(0, self.high, 2):
            for upper, lower in zip(image[row], image[row + 1], strict=True):
                if upper.any() or lower.any():
                    style = Style(color=Color.from_rgb(*upper), bgcolor=Color.from_rgb(*lower))
                    text.append("▀", style)
                else:
                    text.append(" ")
            text.append("\n")
        return text

    def _image(self, levels: dict[int, bytes]) -> Bytes:
        wide = np.zeros((self.universes * PIXELS_PER_UNIVERSE, 3), np.uint8)
        for universe, data in levels.items():
            if universe <= self.universes:
                pixels = np.frombuffer(data[: len(data) // 3 * 3], np.uint8).reshape(-1, 3)[:PIXELS_PER_UNIVERSE]
                first = (universe - 1) * PIXELS_PER_UNIVERSE
                wide[first : first + len(pixels)] = pixels
        shown = 255 * (wide[self.places] / 255.0) ** (1 / 2.2)  # linear light to what a screen shows
        image = np.zeros((self.high * self.columns, 3))
        np.maximum.at(image, self.cells, shown)
        result: Bytes = image.reshape(self.high, self.columns, 3).astype(np.uint8)
        return result
