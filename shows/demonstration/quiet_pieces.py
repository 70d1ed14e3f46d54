"""The pieces without sound.

"swell" is the quiet harbour between other pieces. In "tide" the sea rises over the boathouse and falls again.
"first-frost" is northern light, ice and snow. In "lanterns" paper lanterns rise from the quay.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from gloaming.shows.demonstration.ambient import EMBER, LAMPLIGHT, AmbientLight
from gloaming.shows.demonstration.boathouse import QUAY_M
from gloaming.shows.demonstration.light import (
    Bytes,
    Colour,
    Floats,
    Harbour,
    LightBlock,
    Wave,
    Waves,
    bump,
    colour,
    smooth,
)

SWELL_LENGTH_S = 40.0
CREST = (colour("#020818"), colour("#06286a"), colour("#1478b0"), colour("#7ad8e0"))


def swell(harbour: Harbour) -> Callable[[Floats], Bytes]:
    """The piece, as a function from instants to levels."""
    ambient = AmbientLight(harbour, SWELL_LENGTH_S, 1.6, 3.0)
    roll = Waves(Wave(5, 9, 26, 2.2, 180, 14), harbour.x, harbour.y * 0.7, seed=51)
    parts = (0.12 + 0.3 * ambient.outline + 0.6 * ambient.water + 0.25 * ambient.rigging).astype(np.float32)
    parts += np.float32(0.12) * (ambient.roof + ambient.sails + ambient.curtain)

    def levels_at(at_s: Floats) -> Bytes:
        block = ambient.block(at_s)
        rolling = smooth(roll.at(at_s), -0.9, 1.1)
        rolling *= 1 - np.float32(0.5) * ambient.water * (1 - ambient.ripple(at_s))
        block.ramp(rolling, CREST, parts)
        ambient.windows(block, 0.4)
        ambient.lighthouse(block, at_s)
        return ambient.bytes(block, at_s)

    return levels_at


TIDE_LENGTH_S = 72.0
SEA = (colour("#9af0e0"), colour("#22b8b0"), colour("#0a70a8"), colour("#1048b0"), colour("#1a2c90"), colour("#101858"))
FOAM, WHALE, BELLY = colour("#d8fff4"), colour("#5ad0ff"), colour("#d0f4ff")
WHALE_M = 12.0


def sea_level(at_s: Floats) -> Floats:
    """The height of the water, in metres."""
    flood = smooth(at_s, 3, 27) * np.float32(10.4) + smooth(at_s, 20, 36) * np.float32(1.6)
    result: Floats = np.float32(-0.4) + flood * smooth(at_s, 66, 44)
    return result


def _whale(harbour: Harbour, at_s: Floats) -> tuple[Floats, Floats]:
    """The whale's body and its paler belly, `(frames, pixels)`."""
    along_m = (at_s - 22) * np.float32(2.5) - 6
    rise = 7.1 + 0.8 * np.sin(at_s * 0.35 - 9.2)
    tilt = 0.12 * np.cos(at_s * 0.35 - 9.2)
    x = harbour.x - along_m[:, None]
    y = harbour.y - rise[:, None] - x * tilt[:, None]
    u = x / np.float32(-WHALE_M)  # 0 at the head, 1 at the tail
    inside = np.clip(u, 0, 1)
    y -= 0.75 * inside**2 * np.sin(at_s * 1.25)[:, None].astype(np.float32) * np.float32(1) * inside
    half = 1.75 * np.sqrt(np.clip(inside * 5, 0, 1)) * (1 - inside) ** 1.15 + 0.12
    fluke = smooth(inside, 0.86, 1.0)
    half = half + 1.15 * fluke * bump(inside - 1, 0.08)
    body = smooth(half - np.abs(y), -0.2, 0.15) * smooth(u, -0.01, 0.02) * smooth(u, 1.03, 1.0)
    belly = body * smooth(-y, -0.8, 1.6) * smooth(inside, 0.75, 0.5)
    return body.astype(np.float32), belly.astype(np.float32)


def tide(harbour: Harbour) -> Callable[[Floats], Bytes]:
    """The piece, as a function from instants to levels."""
    ambient = AmbientLight(harbour, TIDE_LENGTH_S, 4.0, 6.0)
    surface = Waves(Wave(7, 3, 16, 1.6, 0, 20), harbour.x, np.zeros_like(harbour.y), seed=21)
    caustic = Waves(Wave(14, 1.6, 7, 0.7), harbour.x, harbour.y * 1.3, seed=22)
    deep = Waves(Wave(8, 6, 20, 1.1), harbour.x, harbour.y, seed=23)
    rate = (1.1 + 0.9 * ambient.dice).astype(np.float32)
    warm = (0.2 * ambient.outline + 0.45 * harbour.of("window") + 0.12 * ambient.planks).astype(np.float32)
    warm += np.float32(0.6) * ambient.festoons + np.float32(0.12) * (ambient.rigging + ambient.hull + ambient.rails)
    warm += np.float32(0.1) * ambient.tower + np.float32(0.5) * ambient.lantern

    def levels_at(at_s: Floats) -> Bytes:
        block = ambient.block(at_s)
        ambient.night(block, at_s, 0.5)
        block.add(warm, LAMPLIGHT)
        over = surface.at(at_s) * np.float32(0.5) + sea_level(at_s)[:, None] - harbour.y
        under = smooth(over, -0.1, 0.3)
        net = bump(caustic.at(at_s), 0.3)
        light = np.float32(0.3) + np.float32(0.8) * net + np.float32(0.25) * deep.at(at_s)
        light *= np.float32(0.55) + np.float32(0.45) * np.exp(over * np.float32(-0.2)).clip(0, 1)
        block.dim(1 - np.float32(0.94) * under)
        light *= under
        block.ramp(np.sqrt(over.clip(0, 12) / np.float32(12)), SEA, light.clip(0, 1.2))
        if at_s[-1] > 19 and at_s[0] < 48:
            body, belly = _whale(harbour, at_s)
            block.cover(body * under * np.float32(0.85), (0.004, 0.012, 0.05))
            block.add(body * under * (np.float32(0.35) + np.float32(0.3) * net), WHALE)
            block.add(belly * under * np.float32(0.35), BELLY)
        block.add(bump(over - np.float32(0.12), 0.28) * np.float32(0.6), FOAM)
        ebb = smooth(at_s, 46, 50) * smooth(at_s, 70, 62)
        if ebb.any():
            glint = smooth(np.sin(at_s[:, None] * rate + ambient.dice * np.float32(41)), 0.55, 1.0)
            glint *= smooth(-over, 0.0, 0.4) * smooth(-over, 5.5, 1.0) * ebb[:, None]
            block.add(glint * np.float32(0.7), EMBER)
            block.add(glint * np.float32(0.15), FOAM)
        return ambient.bytes(block, at_s)

    return levels_at


FROST_LENGTH_S = 74.0
AURORA = (colour("#0a5a4a"), colour("#2af0a0"), colour("#30c8c8"), colour("#7050e0"), colour("#501a80"))
ICE, RIME = colour("#7ab8ff"), colour("#e8f6ff")
SEEDS = ((15.0, 11.7), (37.5, 10.2), (4.0, 10.6), (26.0, 8.4), (33.4, 5.4), (20.2, 5.5))
CELL_X_M, CELL_Y_M = 1.5, 2.6


class Snow:
    """A layer of flakes that fall and drift: one flake in each cell of a moving grid."""

    def __init__(self, harbour: Harbour, fall_m_s: float, drift_m_s: float, size_m: float, seed: int) -> None:
        self._x, self._y = harbour.x + np.float32(60), harbour.y
        self._fall, self._drift, self._size = np.float32(fall_m_s), np.float32(drift_m_s), size_m
        self._table = np.random.default_rng(seed).uniform(0.15, 0.85, (2, 64, 64)).astype(np.float32)

    def at(self, at_s: Floats) -> Floats:
        """The share of a flake on every pixel, `(frames, pixels)`."""
        x = (self._x - (at_s * self._drift)[:, None]) / np.float32(CELL_X_M)
        y = (self._y + (at_s * self._fall)[:, None]) / np.float32(CELL_Y_M)
        column, row = np.floor(x), np.floor(y)
        index = (column.astype(np.int32) & 63) * 64 + (row.astype(np.int32) & 63)
        x -= column + self._table[0].ravel()[index]
        y -= row + self._table[1].ravel()[index]
        x *= np.float32(CELL_X_M)
        y *= np.float32(CELL_Y_M)
        return bump(np.hypot(x, y), self._size)


def first_frost(harbour: Harbour) -> Callable[[Floats], Bytes]:
    """The piece, as a function from instants to levels."""
    ambient = AmbientLight(harbour, FROST_LENGTH_S, 5.0, 6.0)
    dice = ambient.dice
    texture = Waves(Wave(16, 0.5, 4, 0.0), harbour.x, harbour.y, seed=41).at(np.zeros(1, np.float32))[0]
    grow = np.min([harbour.distance(x, y) for x, y in SEEDS], axis=0)
    freezes_s = (16 + 2.1 * grow + 3.0 * texture + 2.0 * dice).astype(np.float32)
    freezes_s += ambient.icicles * (np.float32(5.3) - harbour.y) * np.float32(7)
    crystal = (0.16 + 0.5 * bump(texture, 0.16) + 0.22 * dice * dice).astype(np.float32)
    crystal *= 1 - np.float32(0.5) * ambient.water
    fold = Waves(Wave(5, 7, 30, 1.4, 0, 30), harbour.x, harbour.y * 0.2, seed=42)
    rays = Waves(Wave(12, 0.9, 5, 0.9, 0, 12), harbour.x, harbour.y * 0.1, seed=43)
    high = (0.2 + 0.8 * smooth(harbour.y, 3.0, 7.0)) * (1 - 0.75 * ambient.water)
    layers = (Snow(harbour, 0.9, 0.25, 0.2, 44), Snow(harbour, 0.6, 0.12, 0.14, 45))
    rate = (0.8 + 0.7 * ((dice * 7) % 1)).astype(np.float32)
    hearths = np.min([harbour.distance(x, 3.4) for x in (15.0, 22.7, 26.6, 30.5)], axis=0).astype(np.float32)

    def levels_at(at_s: Floats) -> Bytes:
        block = ambient.block(at_s)
        now = at_s[:, None]
        ambient.night(block, at_s, 0.45)
        ambient.windows(block, (0.25 + 0.5 * smooth(at_s, 46, 56))[:, None])
        curtain = smooth(fold.at(at_s), -0.5, 1.0) * (
            np.float32(0.35) + np.float32(0.65) * smooth(rays.at(at_s), -1, 1)
        )
        curtain *= high * ((0.75 * smooth(at_s, 2, 9)) * (1 - 0.75 * smooth(at_s, 24, 44)))[:, None]
        hue = (harbour.y - np.float32(3.5)) / np.float32(9) + fold.at(at_s * np.float32(0.6) + 9) * np.float32(0.16)
        block.ramp(hue.clip(0, 1), AURORA, curtain)
        frozen = smooth(now - freezes_s, 0, 3.5)
        warmth = (now - np.float32(48)) * np.float32(1.15) - hearths
        thaw = smooth(warmth, 0, 3.5)
        front = bump(now - freezes_s - np.float32(1.2), 1.0)
        glint = smooth(np.sin(now * rate + dice * np.float32(97)), 0.9, 1.0) * frozen
        stay = 1 - thaw
        block.dim(1 - np.float32(0.5) * frozen * stay)
        block.add(frozen * crystal * stay, ICE)
        block.add((front * np.float32(0.35) + glint * np.float32(0.45)) * stay, RIME)
        falling = layers[0].at(at_s) + np.float32(0.6) * layers[1].at(at_s)
        falling *= (smooth(at_s, 26, 34) * smooth(at_s, 66, 58))[:, None] * (np.float32(0.55) - np.float32(0.3) * thaw)
        block.add(falling, RIME)
        warm = thaw * (np.float32(0.1) + np.float32(0.5) * crystal)
        block.add(warm, LAMPLIGHT)
        block.add(bump(warmth - np.float32(2), 1.6) * np.float32(0.4), EMBER)
        return ambient.bytes(block, at_s)

    return levels_at


LANTERNS_LENGTH_S = 70.0
DUSK = (colour("#3c1228"), colour("#2c1a58"), colour("#12206a"), colour("#060c34"))
PAPERS = tuple(colour(code) for code in ("#ff9a3c", "#ff6a30", "#ffc466", "#ff5a5a", "#ffae70"))
COUNT = 30
STAR = (15.0, 11.75)


@dataclass(frozen=True)
class Lantern:
    """A lantern. It is lit at `at_s` at x on the quay, rises with `m_s` metres a second, and sways."""

    at_s: float
    x: float
    m_s: float
    size_m: float
    phase: float
    tint: Colour

    def place(self, at_s: Floats) -> tuple[Floats, Floats, Floats]:
        """Position x and y in metres, and brightness 0..1."""
        age = at_s - np.float32(self.at_s)
        up = np.maximum(age - np.float32(2.5), 0)
        y = np.float32(3.1) + np.float32(self.m_s) * up * up / (up + np.float32(2))
        sway = np.minimum(up * np.float32(0.15), 0.7)
        x = self.x + sway * np.sin(age * np.float32(0.7) + self.phase) + np.float32(0.09) * up
        breath = 0.9 + 0.1 * np.sin(age * 1.7 + 3 * self.phase)
        level = smooth(age, 0, 3.0) * smooth(y, 13.5, 11.0) * breath
        return x.astype(np.float32), y.astype(np.float32), level.astype(np.float32)


def lanterns_let_go() -> tuple[Lantern, ...]:
    """All lanterns but the last, spread over the quay and over time: few at first, then many."""
    random = np.random.default_rng(31)
    times = 3 + 39 * np.linspace(0, 1, COUNT) ** 0.8
    spread = (np.arange(COUNT) * 0.6180339887 + 0.3) % 1
    return tuple(
        Lantern(
            float(at_s),
            float(0.5 + 38.5 * share),
            float(random.uniform(0.62, 0.95)),
            float(random.uniform(0.55, 0.8)),
            float(random.uniform(0, 6.28)),
            PAPERS[number % len(PAPERS)],
        )
        for number, (at_s, share) in enumerate(zip(times, spread, strict=True))
    )


def lanterns(harbour: Harbour) -> Callable[[Floats], Bytes]:
    """The piece, as a function from instants to levels."""
    ambient = AmbientLight(harbour, LANTERNS_LENGTH_S, 5.0, 5.0)
    water = np.flatnonzero(ambient.water + ambient.posts + ambient.hull)
    wet_x, wet_y = harbour.x[water], harbour.y[water]
    sky = smooth(harbour.y, 0, 12)[None]
    parts = 0.22 + 0.5 * ambient.outline + 0.3 * ambient.rigging + 0.2 * ambient.roof + 0.4 * ambient.water
    parts = parts.astype(np.float32)
    let_go = lanterns_let_go()
    to_star = harbour.distance(*STAR)

    def levels_at(at_s: Floats) -> Bytes:
        block = ambient.block(at_s)
        dusk = 0.55 - 0.3 * smooth(at_s, 10, 50)
        block.ramp(np.repeat(sky, len(at_s), 0), DUSK, parts * dusk[:, None])
        ambient.windows(block, (0.5 - 0.35 * smooth(at_s, 30, 56))[:, None])
        shine = ambient.ripple(at_s)[:, water]
        for lantern in let_go:
            if not lantern.at_s - 1 < at_s[-1] or at_s[0] > lantern.at_s + 32:
                continue
            x, y, level = lantern.place(at_s)
            if not level.any():
                continue
            _glow(block, harbour, (x, y, level), lantern)
            low = QUAY_M - (y - QUAY_M) * np.float32(0.16)
            streak = bump(wet_x - x[:, None], 0.8) * bump(wet_y - low[:, None], 0.9) * shine
            light = np.zeros((len(at_s), harbour.pixels), np.float32)
            light[:, water] = streak * level[:, None]
            block.add(light, lantern.tint)
        last = smooth(at_s, 42, 47)
        up = smooth(at_s, 46, 57)
        y = np.float32(3.4) + (np.float32(STAR[1]) - np.float32(3.4)) * up
        away = np.hypot(harbour.x - np.float32(15), (harbour.y - y[:, None]) * np.float32(0.9))
        block.add(bump(away, 1.0) * (last * (1 - smooth(at_s, 56, 60)))[:, None], PAPERS[2])
        block.add(bump(away, 3.4) * (np.float32(0.4) * last * (1 - smooth(at_s, 57, 62)))[:, None], EMBER)
        arrived = smooth(at_s, 55, 59)[:, None]
        block.add(ambient.star * arrived, colour("#ffe6b0"))
        ring = (at_s[:, None] - np.float32(56)) * np.float32(4.2)
        block.add(bump(to_star - ring, 2.2) * arrived * smooth(ring, 34, 4) * np.float32(0.6), LAMPLIGHT)
        return ambient.bytes(block, at_s)

    return levels_at


def _glow(block: LightBlock, harbour: Harbour, place: tuple[Floats, Floats, Floats], lantern: Lantern) -> None:
    x, y, level = place
    away = np.hypot(harbour.x - x[:, None], (harbour.y - y[:, None]) * np.float32(0.8))
    block.add(bump(away, lantern.size_m) * level[:, None], lantern.tint)
    block.add(bump(away, 3.2 * lantern.size_m) * (level * np.float32(0.22))[:, None], EMBER)
