"""The currents of strings and supplies: highest, mean, and steady over ten seconds. Sums of slots are exact.

A pixel draws in proportion to its slots (pulse width): `ma_per_channel` at 255. Currents are computed at full
brightness and multiplied by the brightness. The current of a black pixel's chip is not included.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import chain

import numpy as np
import numpy.typing as npt

from gloaming.shows.rig.model import Rig

Doubles = npt.NDArray[np.float64]
STEADY_S = 10


@dataclass(frozen=True, slots=True)
class Load:
    """The current of one string or supply in a piece, and its limit, in amperes. None: no limit is known.

    `peak_frame` is the frame of the highest current. `steady_frame` is the first frame of the ten seconds with the most
    current. A shorter piece counts as a whole.
    """

    kind: str
    name: str
    place: str
    limit_a: float | None
    volts: float | None
    peak_a: float
    peak_frame: int
    steady_a: float
    steady_frame: int
    mean_a: float

    def at(self, brightness: float) -> Load:
        """The load at a brightness 0..1."""
        return replace(
            self,
            peak_a=self.peak_a * brightness,
            steady_a=self.steady_a * brightness,
            mean_a=self.mean_a * brightness,
        )

    @property
    def holds_at(self) -> float | None:
        """The relative brightness at which the highest current reaches the limit. None without limit or current."""
        return None if self.limit_a is None or not self.peak_a else self.limit_a / self.peak_a


class Currents:
    """Adds up blocks of frames, in order. The unit is slots times milliamperes, so sums are exact."""

    def __init__(self, rig: Rig, fps: Fraction) -> None:
        self.rig = rig
        self.frames = 0
        self._window = max(1, round(STEADY_S * fps))
        self._ma = np.array([string.ma_per_channel for string in rig.string])
        fed: dict[str, list[int]] = {supply.name: [] for supply in rig.supply}
        for index, string in enumerate(rig.string):
            if string.supply is not None:
                fed[string.supply].append(index)
        counts = np.array([len(strings) for strings in fed.values()], np.intp)
        self._in_use = np.flatnonzero(counts)  # the supplies that feed a string
        self._fed = np.array([*chain.from_iterable(fed.values())], np.intp)
        self._firsts = (np.cumsum(counts) - counts)[self._in_use]
        columns = len(rig.string) + len(rig.supply)
        self._peak, self._peak_frame = np.full(columns, -1.0), np.zeros(columns, np.intp)
        self._steady, self._steady_frame = np.full(columns, -1.0), np.zeros(columns, np.intp)
        self._total = np.zeros(columns)
        self._totals = np.zeros((self._window, columns))  # the totals before each of the last frames

    def add(self, sums: Doubles) -> None:
        """Add the next frames: the sum of the slots of each string, `(frames, strings)`."""
        strings = sums * self._ma
        supplies = np.zeros((len(sums), len(self.rig.supply)))
        supplies[:, self._in_use] = np.add.reduceat(strings[:, self._fed], self._firsts, axis=1)
        drawn = np.concatenate([strings, supplies], axis=1)
        for first in range(0, len(drawn), self._window):
            self._add(drawn[first : first + self._window])

    def _add(self, drawn: Doubles) -> None:
        at = drawn.argmax(axis=0)
        highest = drawn[at, np.arange(drawn.shape[1])]
        better = highest > self._peak
        self._peak[better], self._peak_frame[better] = highest[better], self.frames + at[better]
        totals = self._total + np.cumsum(drawn, axis=0)
        numbers = self.frames + np.arange(len(drawn))
        places = (numbers + 1) % self._window
        before = self._totals[places]  # the totals a window ago
        self._totals[places] = totals
        if numbers[-1] + 1 >= self._window:
            steady = np.where((numbers + 1 >= self._window)[:, None], totals - before, -1.0)
            at = steady.argmax(axis=0)
            highest = steady[at, np.arange(drawn.shape[1])]
            better = highest > self._steady
            self._steady[better] = highest[better]
            self._steady_frame[better] = self.frames + at[better] + 1 - self._window
        self._total = totals[-1]
        self.frames += len(drawn)

    def loads(self) -> tuple[Load, ...]:
        """The loads of the strings, then of the supplies, at full brightness."""
        frames, window = max(1, self.frames), self._window
        short = self.frames < window
        steady = self._total / frames if short else self._steady / window
        volts = {supply.name: supply.volts for supply in self.rig.supply}
        names = [
            *(
                ("string", one.name, one.place, one.fuse_a, volts.get(one.supply or "", one.volts))
                for one in self.rig.string
            ),
            *(("supply", one.name, one.place, one.amps, one.volts) for one in self.rig.supply),
        ]
        return tuple(
            Load(
                *name,
                peak_a=max(0.0, self._peak[at]) / 255_000,
                peak_frame=int(self._peak_frame[at]),
                steady_a=steady[at] / 255_000,
                steady_frame=0 if short else int(self._steady_frame[at]),
                mean_a=self._total[at] / frames / 255_000,
            )
            for at, name in enumerate(names)
        )
