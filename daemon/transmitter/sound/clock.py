"""The device's clock: which sample is heard when, from what the device reports, smoothed. Reads no clock itself.

A card knows its time. A server is told of it late now and then, is off by 5 to 40 ms, and comes back in steps over ten
seconds. So a report counts the less the further it is off, and a small jump is believed only once it stays as it is.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import fmean, pstdev

import numpy as np

from gloaming.shows.time_units import SECOND_NS

WINDOW_NS = 40 * SECOND_NS
SPACING_NS = 400_000_000
"""Between the reports that are kept once the clock is trusted."""
LOCK_PAIRS = 16
"""So many reports in a row that agree are believed."""
ROUGH_PAIRS = 60
"""After so many that never agreed, the later half is taken as it is: some drivers know their time only roughly."""
NOISE_NS = 500_000.0
"""Usual error of a single report, at the least."""
SLOPE = 300e-6
"""Usual error of a sound card's rate."""
ALIKE = 5
"""So many reports in a row are as good as one: a server is asked the time every two seconds or so."""
WEIGHED_OUT = 4.685
"""So many usual errors off, a report counts for nothing (Tukey's biweight, at 95 % efficiency)."""
NORMAL = 1.4826
"""The usual error by the median error (of a normal distribution)."""
FITS, TINY = 4, 1e-9
STRAY_NS, FAR_NS = 5_000_000, 150_000_000
"""A report off by more than the first is not believed; where that lasts, the device has jumped."""
FAR_LASTS_NS, SOON_LASTS_NS, LASTS_NS = 300_000_000, 1_200_000_000, 2_600_000_000
"""How long a jump must last: a great one; a young clock's, or after an underrun; any other, which must hold still."""
YOUNG_NS, STARVED_NS = 12 * SECOND_NS, 5 * SECOND_NS
STILL_NS, APART_NS = 800_000_000, 1_700_000_000
MOVES, MOVES_NS = 0.15, 1_000_000
"""It holds still where a while of that length differs from one so long before it by no more than such a share of it."""
SPREAD_NS = 3_000_000


@dataclass(frozen=True, slots=True)
class ClockFit:
    """A straight line between samples and instants: sample `index` is heard at `at_ns`, and later ones at the rate."""

    rate_hz: int
    index: int
    at_ns: int
    slope: float
    """How much slower the device is than its rate: 200e-6 is 200 ppm slow."""

    def heard_ns(self, index: int) -> int:
        """When a sample is heard."""
        return self.at_ns + round((index - self.index) * (SECOND_NS / self.rate_hz) * (1 + self.slope))

    def index_at(self, at_ns: int) -> float:
        """Which sample is heard at an instant."""
        return self.index + (at_ns - self.at_ns) / (1 + self.slope) * self.rate_hz / SECOND_NS


class DeviceClock:
    """Fits a line through what was reported in the last forty seconds; `line` is None until it can be trusted.

    The slope is drawn towards the nominal rate as far as the reports leave it open (a regression with a prior), so a
    fresh clock is steady and an old one knows its device.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.line: ClockFit | None = None
        self.jumped_ns = 0
        """How far the device has jumped, to be set to 0 by who has dealt with it."""
        self._pairs: deque[tuple[float, float]] = deque()
        """How much the device had played, and how much later than that it was."""
        self._strays: deque[tuple[int, int]] = deque()
        self._starved_ns = -STARVED_NS
        self._noise_ns = NOISE_NS
        self._before: ClockFit | None = None

    def add(self, index: int, heard_ns: int, starved: bool = False) -> None:
        """A report: the sample `index` is heard at `heard_ns`; whether the device had nothing to play before it."""
        if starved:
            self._starved_ns = heard_ns
        if self.line is not None:
            off_ns = heard_ns - self.line.heard_ns(index)
            if abs(off_ns) > max(STRAY_NS, 4 * self._noise_ns):
                self._strays.append((heard_ns, off_ns))
                if self._has_jumped():
                    self._before, self.line = self.line, None
                    self._pairs.clear()
                    self._strays.clear()
                return
        self._strays.clear()
        played_ns = index * SECOND_NS / self.rate_hz
        if self._pairs and played_ns - self._pairs[-1][0] < SPACING_NS and self.line is not None:
            return
        self._pairs.append((played_ns, heard_ns - played_ns))
        while self._pairs[-1][0] - self._pairs[0][0] > WINDOW_NS:
            self._pairs.popleft()
        self._fit()

    @property
    def _young(self) -> bool:
        return self._pairs[-1][0] - self._pairs[0][0] < YOUNG_NS

    def _has_jumped(self) -> bool:
        """Whether the reports have been off for so long that it is the device."""
        now_ns, off_ns = self._strays[-1]
        lasts_ns = now_ns - self._strays[0][0]
        if abs(off_ns) > FAR_NS:
            return lasts_ns >= FAR_LASTS_NS
        if self._young or now_ns - self._starved_ns < STARVED_NS:
            return lasts_ns >= SOON_LASTS_NS
        if lasts_ns < LASTS_NS:
            return False
        late = [off for at_ns, off in self._strays if now_ns - at_ns < STILL_NS]
        before = [off for at_ns, off in self._strays if 0 <= now_ns - at_ns - APART_NS < STILL_NS]
        still_ns = max(MOVES_NS, self._noise_ns, MOVES * abs(off_ns))
        return bool(before) and abs(fmean(late) - fmean(before)) < still_ns

    def _fit(self) -> None:
        """A line through the reports, found by fitting anew with the weights that the line before gives them."""
        if self.line is None and not self._agree():
            return
        pairs = np.array(self._pairs) - self._pairs[0]
        at, late = pairs[:, 0], pairs[:, 1]
        weights, slope, middle, mean = np.ones(len(at)), 0.0, 0.0, 0.0
        prior = ALIKE * (self._noise_ns / SLOPE) ** 2
        for _ in range(FITS):
            middle, mean = np.average(at, weights=weights), np.average(late, weights=weights)
            square = (weights * (at - middle) ** 2).sum() + prior
            slope = float((weights * (at - middle) * (late - mean)).sum() / square)
            off = late - mean - slope * (at - middle)
            off -= np.median(off)
            self._noise_ns = max(NOISE_NS, NORMAL * float(np.median(np.abs(off))))
            reach_ns = WEIGHED_OUT * self._noise_ns * (3 if self._young else 1)
            weights = np.maximum(0, 1 - (off / reach_ns) ** 2) ** 2 + TINY
        played_ns, begin_ns = self._pairs[-1][0], self._pairs[0][1]
        at_ns = round(played_ns + begin_ns + float(mean + slope * (at[-1] - middle)))
        index = round(played_ns * self.rate_hz / SECOND_NS)
        self.line = ClockFit(self.rate_hz, index, at_ns, slope)
        if self._before is not None:
            self.jumped_ns = at_ns - self._before.heard_ns(index)
            self._before = None

    def _agree(self) -> bool:
        """Whether a fresh clock has reports to begin with; what came before them is let go."""
        count = len(self._pairs)
        last = list(self._pairs)[-LOCK_PAIRS:]
        lateness = [late for _, late in last]
        if count >= LOCK_PAIRS and max(lateness) - min(lateness) <= SPREAD_NS:
            self._pairs, self._noise_ns = deque(last), NOISE_NS
            return True
        if count >= ROUGH_PAIRS:
            self._pairs = deque(list(self._pairs)[count // 2 :])
            self._noise_ns = max(NOISE_NS, pstdev(late for _, late in self._pairs))
            return True
        return False
