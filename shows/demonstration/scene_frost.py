"""The piece "first-frost": northern light, ice that grows over the harbour, snow, and lamplight that thaws it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from gloaming.shows.demonstration.dressing import EMBER, LAMPLIGHT, Dressing
from gloaming.shows.demonstration.light import Bytes, Floats, Stage, Wave, Waves, bump, colour, smooth

LENGTH_S = 74.0
AURORA = (colour("#0a5a4a"), colour("#2af0a0"), colour("#30c8c8"), colour("#7050e0"), colour("#501a80"))
ICE, RIME = colour("#7ab8ff"), colour("#e8f6ff")
SEEDS = ((15.0, 11.7), (37.5, 10.2), (4.0, 10.6), (26.0, 8.4), (33.4, 5.4), (20.2, 5.5))
CELL_X_M, CELL_Y_M = 1.5, 2.6


class Snow:
    """A layer of flakes that fall and drift: one flake in each cell of a grid that moves past."""

    def __init__(self, stage: Stage, fall_m_s: float, drift_m_s: float, size_m: float, seed: int) -> None:
        self._x, self._y = stage.x + np.float32(60), stage.y
        self._fall, self._drift, self._size = np.float32(fall_m_s), np.float32(drift_m_s), size_m
        self._table = np.random.default_rng(seed).uniform(0.15, 0.85, (2, 64, 64)).astype(np.float32)

    def at(self, at_s: Floats) -> Floats:
        """How much of a flake every pixel shows."""
        x = (self._x - (at_s * self._drift)[:, None]) / np.float32(CELL_X_M)
        y = (self._y + (at_s * self._fall)[:, None]) / np.float32(CELL_Y_M)
        column, row = np.floor(x), np.floor(y)
        index = (column.astype(np.int32) & 63) * 64 + (row.astype(np.int32) & 63)
        x -= column + self._table[0].ravel()[index]
        y -= row + self._table[1].ravel()[index]
        x *= np.float32(CELL_X_M)
        y *= np.float32(CELL_Y_M)
        return bump(np.hypot(x, y), self._size)


def first_frost(stage: Stage) -> Callable[[Floats], Bytes]:
    """Draws the piece."""
    dressing = Dressing(stage, LENGTH_S, 5.0, 6.0)
    dice = dressing.dice
    texture = Waves(Wave(16, 0.5, 4, 0.0), stage.x, stage.y, seed=41).at(np.zeros(1, np.float32))[0]
    grow = np.min([stage.distance(x, y) for x, y in SEEDS], axis=0)
    freezes_s = (16 + 2.1 * grow + 3.0 * texture + 2.0 * dice).astype(np.float32)
    freezes_s += dressing.icicles * (np.float32(5.3) - stage.y) * np.float32(7)
    crystal = (0.16 + 0.5 * bump(texture, 0.16) + 0.22 * dice * dice).astype(np.float32)
    crystal *= 1 - np.float32(0.5) * dressing.water
    fold = Waves(Wave(5, 7, 30, 1.4, 0, 30), stage.x, stage.y * 0.2, seed=42)
    rays = Waves(Wave(12, 0.9, 5, 0.9, 0, 12), stage.x, stage.y * 0.1, seed=43)
    high = (0.2 + 0.8 * smooth(stage.y, 3.0, 7.0)) * (1 - 0.75 * dressing.water)
    layers = (Snow(stage, 0.9, 0.25, 0.2, 44), Snow(stage, 0.6, 0.12, 0.14, 45))
    rate = (0.8 + 0.7 * ((dice * 7) % 1)).astype(np.float32)
    hearths = np.min([stage.distance(x, 3.4) for x in (15.0, 22.7, 26.6, 30.5)], axis=0).astype(np.float32)

    def paint(at_s: Floats) -> Bytes:
        canvas = dressing.canvas(at_s)
        now = at_s[:, None]
        dressing.night(canvas, at_s, 0.45)
        dressing.windows(canvas, (0.25 + 0.5 * smooth(at_s, 46, 56))[:, None])
        curtain = smooth(fold.at(at_s), -0.5, 1.0) * (
            np.float32(0.35) + np.float32(0.65) * smooth(rays.at(at_s), -1, 1)
        )
        curtain *= high * ((0.75 * smooth(at_s, 2, 9)) * (1 - 0.75 * smooth(at_s, 24, 44)))[:, None]
        hue = (stage.y - np.float32(3.5)) / np.float32(9) + fold.at(at_s * np.float32(0.6) + 9) * np.float32(0.16)
        canvas.ramp(hue.clip(0, 1), AURORA, curtain)
        frozen = smooth(now - freezes_s, 0, 3.5)
        warmth = (now - np.float32(48)) * np.float32(1.15) - hearths
        thaw = smooth(warmth, 0, 3.5)
        front = bump(now - freezes_s - np.float32(1.2), 1.0)
        glint = smooth(np.sin(now * rate + dice * np.float32(97)), 0.9, 1.0) * frozen
        stay = 1 - thaw
        canvas.dim(1 - np.float32(0.5) * frozen * stay)
        canvas.add(frozen * crystal * stay, ICE)
        canvas.add((front * np.float32(0.35) + glint * np.float32(0.45)) * stay, RIME)
        falling = layers[0].at(at_s) + np.float32(0.6) * layers[1].at(at_s)
        falling *= (smooth(at_s, 26, 34) * smooth(at_s, 66, 58))[:, None] * (np.float32(0.55) - np.float32(0.3) * thaw)
        canvas.add(falling, RIME)
        warm = thaw * (np.float32(0.1) + np.float32(0.5) * crystal)
        canvas.add(warm, LAMPLIGHT)
        canvas.add(bump(warmth - np.float32(2), 1.6) * np.float32(0.4), EMBER)
        return dressing.bytes(canvas, at_s)

    return paint
