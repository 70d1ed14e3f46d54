"""The voltage that is lost on the way to a string's pixels, by Ohm's law.

The assumptions: Copper has 1.68e-8 ohm m at 20 C (handbook value); warm wire has more. Each cable has two conductors of
the same cross-section, out and back. Plugs and joints are left out. The string's own wires are as thick as its cable.
Its pixels draw alike, and hang at equal distances. It is fed at its first pixel and at each of `inject_at`, each time
by a cable of `feed_m`. A feed carries half of the stretch to each neighbouring feed; the last one carries all pixels
after it. So the worst point is in the middle between two feeds, or at the end.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import hypot, pi, pow

import numpy as np

from gloaming.shows.rig.model import PixelString, positions

COPPER_OHM_M = 1.68e-8


@dataclass(frozen=True, slots=True)
class Drop:
    """What is lost on the way to the worst pixel: in its feed, and in the string's own wires. None: not known."""

    pixel: int
    feed_v: float | None
    own_v: float | None

    @property
    def volts(self) -> float:
        """What is lost at least: all that is known."""
        return (self.feed_v or 0.0) + (self.own_v or 0.0)


def awg_mm2(awg: int) -> float:
    """The cross-section of a gauge, in mm2 (ASTM B258: a diameter of 0.127 mm x 92^((36 - n) / 39))."""
    return pi / 4 * (0.127 * pow(92, (36 - awg) / 39)) ** 2


def ohm_per_m(mm2: float) -> float:
    """The resistance of a metre of one conductor of copper."""
    return COPPER_OHM_M / (mm2 * 1e-6)


def length_m(string: PixelString) -> float | None:
    """The length of a string from its first to its last pixel. None if it has no points and no line."""
    hung = positions(string)
    return None if hung is None else sum(hypot(*step) for step in np.diff(hung, axis=0).tolist())


def worst_drop(string: PixelString, amps: float) -> Drop | None:
    """The drop at a string's worst pixel when it draws `amps`. None without a gauge, or without any length."""
    mm2 = awg_mm2(string.awg) if string.awg is not None else string.mm2
    own_m = length_m(string)
    if mm2 is None or (own_m is None and string.feed_m is None):
        return None
    volts_per_m = 2 * ohm_per_m(mm2) * amps  # all current, out and back
    last = max(string.pixels - 1, 1)
    feeds = [(number - 1) / last for number in sorted({1, *string.inject_at})]  # 0 is the first pixel, 1 the last
    halves = [(after - at) / 2 for at, after in pairwise(feeds)]
    found = []
    for at, before, after in zip(feeds, [0.0, *halves], [*halves, 1 - feeds[-1]], strict=True):
        feed_v = None if string.feed_m is None else volts_per_m * string.feed_m * (before + after)
        for end in (at - before, at + after):
            # the current falls evenly to 0 at the end of the stretch: its mean is half of what the stretch draws
            own_v = None if own_m is None else volts_per_m * own_m * (end - at) ** 2 / 2
            found.append(Drop(1 + round(end * last), feed_v, own_v))
    return max(found, key=lambda drop: drop.volts)
