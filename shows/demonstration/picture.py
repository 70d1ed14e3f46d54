"""A drawn photograph of the boathouse: pixels as points of light, with their glow and their reflection.

`python -m gloaming.shows.demonstration.picture OUT.png [PIECE SECONDS]` makes one. It needs Pillow (extra `media`).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gloaming.shows.demonstration.boathouse import BOTTOM_M, LEFT_M, RIGHT_M, SILHOUETTES, strings
from gloaming.shows.demonstration.light import Floats, Harbour, Numbers
from gloaming.shows.demonstration.pieces import PIECES

Bytes = npt.NDArray[np.uint8]

SKY_M, SEA_M = 14.4, 3.4
"""The height of the picture above and below the water line, in metres."""
GLOWS = ((0.95, 5.5), (3.0, 5.5), (11.0, 5.0), (50.0, 2.2))
"""The glow of a point as Gaussians: the width in pixels of a picture 1200 wide, and the light in it."""
COLOURS = 88
MOMENT = ("first-frost", 51.5)
HILLS = ((41.5, 3.2), (36, 4.4), (28, 3.9), (21, 5.6), (12, 4.8), (7, 5.9), (2, 4.6), (-2.9, 4.9))
HOUSES = (
    (7.9, 4.4),
    (8.6, 3.9),
    (2.3, 3.7),
    (-1.4, 3.9),
    (-0.9, 3.4),
    (34.6, 3.3),
    (35.4, 3.6),
    (39.6, 3.1),
)


def levels_of(name: str, at_s: float) -> Bytes:
    """The levels `(pixels, 3)` of a piece at an instant."""
    piece = next(piece for piece in PIECES if piece.name == name)
    result: Bytes = piece.make(Harbour(strings()))(np.array([at_s], np.float32))[0]
    return result


def picture(levels: Bytes, width: int = 1200) -> Bytes:
    """The picture `(height, width, 3)` of some levels, for a screen."""
    left, right = LEFT_M - 0.5, RIGHT_M + 0.5
    scale = width / (right - left)
    above, below = round(SKY_M * scale), round(SEA_M * scale)
    points = np.concatenate([string.points for string in strings()])
    x, y = (points[:, 0] - left) * scale, (SKY_M - points[:, 1] + BOTTOM_M) * scale
    image = _backdrop(width, above, left, scale)
    image += _glow(x, y, levels / np.float32(255), (above, width), scale / 27)
    whole = np.concatenate([image, _reflected(image, below)])
    whole = 1 - np.exp(-1.15 * whole)
    screen = np.where(whole <= 0.0031308, 12.92 * whole, 1.055 * whole ** (1 / 2.4) - 0.055)
    result: Bytes = (255 * screen.clip(0, 1)).round().astype(np.uint8)
    return result


def _backdrop(width: int, height: int, left: float, scale: float) -> Floats:
    """Night sky, stars, hills with a few windows, and silhouettes, in linear light."""
    from PIL import Image, ImageDraw

    down = np.linspace(0, 1, height)[:, None, None]
    sky = np.array([0.0016, 0.0024, 0.0075]) * (1 - down) + np.array([0.009, 0.011, 0.024]) * down**2.2
    image = np.repeat(sky, width, axis=1).astype(np.float32)
    random = np.random.default_rng(5)
    for _ in range(150):
        across, high = random.integers(0, width), int(random.uniform(0, 0.7) ** 1.3 * height)
        image[high, across] += np.float32(random.uniform(0.01, 1) ** 3 * 0.35)

    def covered(corners: tuple[tuple[float, float], ...]) -> Floats:
        mask = Image.new("L", (2 * width, 2 * height))
        ImageDraw.Draw(mask).polygon([(2 * (x - left) * scale, 2 * (SKY_M - y) * scale) for x, y in corners], fill=255)
        return np.asarray(mask.resize((width, height)), np.float32)[..., None] / np.float32(255)

    hills = covered(((-2.9, 0), (41.5, 0), *HILLS))
    image += (np.array([0.0035, 0.0045, 0.0085], np.float32) - image) * hills
    for x, y in HOUSES:
        column, row = round((x - left) * scale), round((SKY_M - y) * scale)
        image[row : row + 2, column : column + 2] += np.array([0.28, 0.15, 0.05], np.float32)
    for corners, tint in SILHOUETTES:
        image += (np.array(tint, np.float32) * np.float32(0.6) - image) * covered(corners)
    return image


def _glow(x: Numbers, y: Numbers, light: Numbers, size: tuple[int, int], zoom: float) -> Floats:
    """Points of light with their glow."""
    height, width = size[0] + 256, size[1] + 256  # room for glow that wraps around
    dots = np.zeros((height, width, 3), np.float32)
    column, row = np.floor(x).astype(int), np.floor(y).astype(int)
    part_x, part_y = (x - column)[:, None], (y - row)[:, None]
    for right, share_x in ((0, 1 - part_x), (1, part_x)):
        for down, share_y in ((0, 1 - part_y), (1, part_y)):
            np.add.at(dots, (row + down, column + right), light * share_x * share_y)
    up, across = np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None]
    square = -2 * np.pi**2 * (up**2 + across**2)
    kernel = np.sum([amount * np.exp(square * (zoom * wide) ** 2) for wide, amount in GLOWS], axis=0)
    spread = np.fft.irfft2(np.fft.rfft2(dots, axes=(0, 1)) * kernel[..., None], s=(height, width), axes=(0, 1))
    result: Floats = spread[: size[0], : size[1]].clip(0).astype(np.float32)
    return result


def _reflected(image: Floats, rows: int) -> Floats:
    """The reflection in moving water: upside down, stretched, broken by ripples, darker with the distance."""
    height, width = image.shape[:2]
    down = np.arange(rows)
    random = np.random.default_rng(7)
    source = (height - 1 - down * 2.0)[:, None] + np.zeros(width)
    depth = (down / rows)[:, None]
    sideways = np.zeros((rows, width))
    for _ in range(9):
        long, steep = random.uniform(18, 90), random.uniform(0.25, 0.9)
        wave = np.sin(2 * np.pi * (np.arange(width) / long + down[:, None] * steep / 3) + random.uniform(0, 6.28))
        sideways += wave * (1 + 4 * depth)
        source += wave * (1 + 5 * depth)
    row = source.clip(0, height - 1).astype(int)
    column = (np.arange(width) + sideways * 0.6).clip(0, width - 1).astype(int)
    smeared = np.mean([image[(row - k).clip(0), column] for k in range(0, 20, 2)], axis=0)
    tint = np.array([0.42, 0.5, 0.6]) * (0.75 - 0.6 * depth[..., None])
    result: Floats = (smeared * tint + np.array([0.0008, 0.0016, 0.004])).astype(np.float32)
    return result


def main(arguments: list[str]) -> None:
    """Write one picture."""
    from PIL import Image

    name, at_s = (arguments[1], float(arguments[2])) if len(arguments) > 2 else MOMENT
    image = Image.fromarray(picture(levels_of(name, at_s)))
    image.quantize(COLOURS, kmeans=4, dither=Image.Dither.NONE).save(Path(arguments[0]), optimize=True)


if __name__ == "__main__":
    main(sys.argv[1:])
