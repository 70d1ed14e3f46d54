"""The piece "swell": what the harbour looks like while nothing is given. Quiet, and soon there."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from gloaming.shows.demonstration.dressing import Dressing
from gloaming.shows.demonstration.light import Bytes, Floats, Stage, Wave, Waves, colour, smooth

LENGTH_S = 40.0
CREST = (colour("#020818"), colour("#06286a"), colour("#1478b0"), colour("#7ad8e0"))


def swell(stage: Stage) -> Callable[[Floats], Bytes]:
    """Draws the piece."""
    dressing = Dressing(stage, LENGTH_S, 1.6, 3.0)
    roll = Waves(Wave(5, 9, 26, 2.2, 180, 14), stage.x, stage.y * 0.7, seed=51)
    parts = (0.12 + 0.3 * dressing.outline + 0.6 * dressing.water + 0.25 * dressing.rigging).astype(np.float32)
    parts += np.float32(0.12) * (dressing.roof + dressing.sails + dressing.curtain)

    def paint(at_s: Floats) -> Bytes:
        canvas = dressing.canvas(at_s)
        rolling = smooth(roll.at(at_s), -0.9, 1.1)
        rolling *= 1 - np.float32(0.5) * dressing.water * (1 - dressing.ripple(at_s))
        canvas.ramp(rolling, CREST, parts)
        dressing.windows(canvas, 0.4)
        dressing.lighthouse(canvas, at_s)
        return dressing.bytes(canvas, at_s)

    return paint
