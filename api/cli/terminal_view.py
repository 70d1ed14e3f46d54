"""The boathouse in a terminal: the received levels as coloured half blocks."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from rich.color import Color
from rich.style import Style
from rich.text import Text

from gloaming.shows.demonstration.boathouse import BOTTOM_M, LEFT_M, PIXELS_PER_UNIVERSE, RIGHT_M, TOP_M, strings
from gloaming.shows.demonstration.rig import places, universes

Bytes = npt.NDArray[np.uint8]

STRETCH = 1.35
"""The picture is stretched upwards by up to this factor, so that strings close above each other stay apart."""
GLOW = 0.2
"""How much of its brightest neighbour's light a cell without pixels shows."""


class TerminalPicture:
    """The cell of each pixel, computed once for a size. `render` makes a text of `columns` by at most `rows` cells."""

    def __init__(self, columns: int, rows: int) -> None:
        points = np.concatenate([string.points for string in strings()])
        shape = (TOP_M - BOTTOM_M) / (RIGHT_M - LEFT_M)
        self.columns, self.rows = columns, max(1, min(rows, round(columns * shape * STRETCH / 2)))
        self.high = 2 * self.rows
        x = (points[:, 0] - LEFT_M) / (RIGHT_M - LEFT_M) * (columns - 1)
        y = (TOP_M - points[:, 1]) / (TOP_M - BOTTOM_M) * (self.high - 1)
        self.cells = y.round().astype(int) * columns + x.round().astype(int)
        self.bare = np.ones(self.high * columns, bool)
        self.bare[self.cells] = False
        self.places = places()
        self.universes = len(universes())

    def render(self, levels: dict[int, bytes]) -> Text:
        """The picture of the last levels of every universe; each cell shows its brightest pixel."""
        image = self.image(levels)
        text = Text(no_wrap=True)
        for row in range(0, self.high, 2):
            for upper, lower in zip(image[row].tolist(), image[row + 1].tolist(), strict=True):
                if any(upper) or any(lower):
                    text.append("▀", Style(color=Color.from_rgb(*upper), bgcolor=Color.from_rgb(*lower)))
                else:
                    text.append(" ")
            text.append("\n")
        return text

    def image(self, levels: dict[int, bytes]) -> Bytes:
        """The picture as a screen shows it, `(2 * rows, columns, 3)`: linear light to the power of 1 / 2.2."""
        wide = np.zeros((self.universes * PIXELS_PER_UNIVERSE, 3), np.uint8)
        for universe, data in levels.items():
            if 1 <= universe <= self.universes:
                pixels = np.frombuffer(data[: len(data) // 3 * 3], np.uint8).reshape(-1, 3)[:PIXELS_PER_UNIVERSE]
                first = (universe - 1) * PIXELS_PER_UNIVERSE
                wide[first : first + len(pixels)] = pixels
        light = np.zeros((self.high * self.columns, 3), np.float32)
        np.maximum.at(light, self.cells, wide[self.places] / np.float32(255))
        around = np.pad(light.reshape(self.high, self.columns, 3), ((1, 1), (1, 1), (0, 0)))
        beside = np.maximum(around[1:-1, :-2], around[1:-1, 2:])
        above = np.maximum(around[:-2, 1:-1], around[2:, 1:-1])
        light[self.bare] = GLOW * np.maximum(beside, above).reshape(-1, 3)[self.bare]
        result: Bytes = (255 * light ** (1 / 2.2)).round().astype(np.uint8).reshape(self.high, self.columns, 3)
        return result
