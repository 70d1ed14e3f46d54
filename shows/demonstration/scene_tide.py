"""The piece "tide": the sea climbs over the boathouse, a whale passes through it, and it goes out again."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from gloaming.shows.demonstration.dressing import EMBER, LAMPLIGHT, Dressing
from gloaming.shows.demonstration.light import Bytes, Floats, Stage, Wave, Waves, bump, colour, smooth

LENGTH_S = 72.0
SEA = (colour("#9af0e0"), colour("#22b8b0"), colour("#0a70a8"), colour("#1048b0"), colour("#1a2c90"), colour("#101858"))
FOAM, WHALE, BELLY = colour("#d8fff4"), colour("#5ad0ff"), colour("#d0f4ff")
WHALE_M = 12.0


def sea_level(at_s: Floats) -> Floats:
    """How high the water stands, in metres."""
    flood = smooth(at_s, 3, 27) * np.float32(10.4) + smooth(at_s, 20, 36) * np.float32(1.6)
    result: Floats = np.float32(-0.4) + flood * smooth(at_s, 66, 44)
    return result


def _whale(stage: Stage, at_s: Floats) -> tuple[Floats, Floats]:
    """The whale's body and its paler belly, `(frames, pixels)`."""
    along_m = (at_s - 22) * np.float32(2.5) - 6
    rise = 7.1 + 0.8 * np.sin(at_s * 0.35 - 9.2)
    tilt = 0.12 * np.cos(at_s * 0.35 - 9.2)
    x = stage.x - along_m[:, None]
    y = stage.y - rise[:, None] - x * tilt[:, None]
    u = x / np.float32(-WHALE_M)  # 0 at the head, 1 at the tail
    inside = np.clip(u, 0, 1)
    y -= 0.75 * inside**2 * np.sin(at_s * 1.25)[:, None].astype(np.float32) * np.float32(1) * inside
    half = 1.75 * np.sqrt(np.clip(inside * 5, 0, 1)) * (1 - inside) ** 1.15 + 0.12
    fluke = smooth(inside, 0.86, 1.0)
    half = half + 1.15 * fluke * bump(inside - 1, 0.08)
    body = smooth(half - np.abs(y), -0.2, 0.15) * smooth(u, -0.01, 0.02) * smooth(u, 1.03, 1.0)
    belly = body * smooth(-y, -0.8, 1.6) * smooth(inside, 0.75, 0.5)
    return body.astype(np.float32), belly.astype(np.float32)


def tide(stage: Stage) -> Callable[[Floats], Bytes]:
    """Draws the piece."""
    dressing = Dressing(stage, LENGTH_S, 4.0, 6.0)
    surface = Waves(Wave(7, 3, 16, 1.6, 0, 20), stage.x, np.zeros_like(stage.y), seed=21)
    caustic = Waves(Wave(14, 1.6, 7, 0.7), stage.x, stage.y * 1.3, seed=22)
    deep = Waves(Wave(8, 6, 20, 1.1), stage.x, stage.y, seed=23)
    rate = (1.1 + 0.9 * dressing.dice).astype(np.float32)
    warm = (0.2 * dressing.outline + 0.45 * stage.of("window") + 0.12 * dressing.planks).astype(np.float32)
    warm += np.float32(0.6) * dressing.festoons + np.float32(0.12) * (dressing.rigging + dressing.hull + dressing.rails)
    warm += np.float32(0.1) * dressing.tower + np.float32(0.5) * dressing.lantern

    def paint(at_s: Floats) -> Bytes:
        canvas = dressing.canvas(at_s)
        dressing.night(canvas, at_s, 0.5)
        canvas.add(warm, LAMPLIGHT)
        over = surface.at(at_s) * np.float32(0.5) + sea_level(at_s)[:, None] - stage.y
        under = smooth(over, -0.1, 0.3)
        net = bump(caustic.at(at_s), 0.3)
        light = np.float32(0.3) + np.float32(0.8) * net + np.float32(0.25) * deep.at(at_s)
        light *= np.float32(0.55) + np.float32(0.45) * np.exp(over * np.float32(-0.2)).clip(0, 1)
        canvas.dim(1 - np.float32(0.94) * under)
        light *= under
        canvas.ramp(np.sqrt(over.clip(0, 12) / np.float32(12)), SEA, light.clip(0, 1.2))
        if at_s[-1] > 19 and at_s[0] < 48:
            body, belly = _whale(stage, at_s)
            canvas.cover(body * under * np.float32(0.85), (0.004, 0.012, 0.05))
            canvas.add(body * under * (np.float32(0.35) + np.float32(0.3) * net), WHALE)
            canvas.add(belly * under * np.float32(0.35), BELLY)
        canvas.add(bump(over - np.float32(0.12), 0.28) * np.float32(0.6), FOAM)
        ebb = smooth(at_s, 46, 50) * smooth(at_s, 70, 62)
        if ebb.any():
            glint = smooth(np.sin(at_s[:, None] * rate + dressing.dice * np.float32(41)), 0.55, 1.0)
            glint *= smooth(-over, 0.0, 0.4) * smooth(-over, 5.5, 1.0) * ebb[:, None]
            canvas.add(glint * np.float32(0.7), EMBER)
            canvas.add(glint * np.float32(0.15), FOAM)
        return dressing.bytes(canvas, at_s)

    return paint
