"""The piece "lanterns": paper lanterns are let go from the quay, and the last of them becomes the star."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from gloaming.shows.demonstration.boathouse import QUAY_M
from gloaming.shows.demonstration.dressing import EMBER, LAMPLIGHT, Dressing
from gloaming.shows.demonstration.light import Bytes, Canvas, Colour, Floats, Stage, bump, colour, smooth

LENGTH_S = 70.0
DUSK = (colour("#3c1228"), colour("#2c1a58"), colour("#12206a"), colour("#060c34"))
PAPERS = tuple(colour(code) for code in ("#ff9a3c", "#ff6a30", "#ffc466", "#ff5a5a", "#ffae70"))
COUNT = 30
STAR = (15.0, 11.75)


@dataclass(frozen=True)
class Lantern:
    """Lit at `at_s` at x on the quay; it rises by `m_s` and sways."""

    at_s: float
    x: float
    m_s: float
    size_m: float
    phase: float
    tint: Colour

    def place(self, at_s: Floats) -> tuple[Floats, Floats, Floats]:
        """x, y in metres and brightness 0..1."""
        age = at_s - np.float32(self.at_s)
        up = np.maximum(age - np.float32(2.5), 0)
        y = np.float32(3.1) + np.float32(self.m_s) * up * up / (up + np.float32(2))
        sway = np.minimum(up * np.float32(0.15), 0.7)
        x = self.x + sway * np.sin(age * np.float32(0.7) + self.phase) + np.float32(0.09) * up
        breath = 0.9 + 0.1 * np.sin(age * 1.7 + 3 * self.phase)
        level = smooth(age, 0, 3.0) * smooth(y, 13.5, 11.0) * breath
        return x.astype(np.float32), y.astype(np.float32), level.astype(np.float32)


def lanterns_let_go() -> tuple[Lantern, ...]:
    """All but the last, spread over the quay and over time: few at first, then many."""
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


def lanterns(stage: Stage) -> Callable[[Floats], Bytes]:
    """Draws the piece."""
    dressing = Dressing(stage, LENGTH_S, 5.0, 5.0)
    water = np.flatnonzero(dressing.water + dressing.posts + dressing.hull)
    wet_x, wet_y = stage.x[water], stage.y[water]
    sky = smooth(stage.y, 0, 12)[None]
    parts = 0.22 + 0.5 * dressing.outline + 0.3 * dressing.rigging + 0.2 * dressing.roof + 0.4 * dressing.water
    parts = parts.astype(np.float32)
    let_go = lanterns_let_go()
    to_star = stage.distance(*STAR)

    def paint(at_s: Floats) -> Bytes:
        canvas = dressing.canvas(at_s)
        dusk = 0.55 - 0.3 * smooth(at_s, 10, 50)
        canvas.ramp(np.repeat(sky, len(at_s), 0), DUSK, parts * dusk[:, None])
        dressing.windows(canvas, (0.5 - 0.35 * smooth(at_s, 30, 56))[:, None])
        shine = dressing.ripple(at_s)[:, water]
        for lantern in let_go:
            if not lantern.at_s - 1 < at_s[-1] or at_s[0] > lantern.at_s + 32:
                continue
            x, y, level = lantern.place(at_s)
            if not level.any():
                continue
            _glow(canvas, stage, (x, y, level), lantern)
            low = QUAY_M - (y - QUAY_M) * np.float32(0.16)
            streak = bump(wet_x - x[:, None], 0.8) * bump(wet_y - low[:, None], 0.9) * shine
            light = np.zeros((len(at_s), stage.pixels), np.float32)
            light[:, water] = streak * level[:, None]
            canvas.add(light, lantern.tint)
        last = smooth(at_s, 42, 47)
        up = smooth(at_s, 46, 57)
        y = np.float32(3.4) + (np.float32(STAR[1]) - np.float32(3.4)) * up
        away = np.hypot(stage.x - np.float32(15), (stage.y - y[:, None]) * np.float32(0.9))
        canvas.add(bump(away, 1.0) * (last * (1 - smooth(at_s, 56, 60)))[:, None], PAPERS[2])
        canvas.add(bump(away, 3.4) * (np.float32(0.4) * last * (1 - smooth(at_s, 57, 62)))[:, None], EMBER)
        arrived = smooth(at_s, 55, 59)[:, None]
        canvas.add(dressing.star * arrived, colour("#ffe6b0"))
        ring = (at_s[:, None] - np.float32(56)) * np.float32(4.2)
        canvas.add(bump(to_star - ring, 2.2) * arrived * smooth(ring, 34, 4) * np.float32(0.6), LAMPLIGHT)
        return dressing.bytes(canvas, at_s)

    return paint


def _glow(canvas: Canvas, stage: Stage, place: tuple[Floats, Floats, Floats], lantern: Lantern) -> None:
    x, y, level = place
    away = np.hypot(stage.x - x[:, None], (stage.y - y[:, None]) * np.float32(0.8))
    canvas.add(bump(away, lantern.size_m) * level[:, None], lantern.tint)
    canvas.add(bump(away, 3.2 * lantern.size_m) * (level * np.float32(0.22))[:, None], EMBER)
