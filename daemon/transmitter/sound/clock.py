"""The device's clock: when each sample is heard, fitted to the device's reports. Reads no clock itself.

A sound card reports its time well. A sound server is sometimes wrong by 5 to 40 ms, and returns in steps over ten
seconds. So reports far from the fit count less, and a small jump counts only once it stays constant.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import fmean, pstdev

import numpy as np

from gloaming.shows.time_units import SECOND_NS

WINDOW_NS = 40 * SECOND_NS
SPACING_NS = 400_000_000
"""The shortest time between two reports that are kept, once there is a fit."""
LOCK_PAIRS = 16
"""The first fit needs this many reports in a row that agree."""
ROUGH_PAIRS = 60
"""After this many reports that never agreed, the fit uses the later half: some drivers report roughly."""
NOISE_NS = 500_000.0
"""The smallest usual error of a single report."""
SLOPE = 300e-6
"""The usual error of a sound card's rate."""
ALIKE = 5
"""This many reports in a row count as one: PortAudio asks a sound server for its time about every two seconds."""
WEIGHED_OUT = 4.685
"""A report this many usual errors off has no weight (Tukey's biweight, at 95 % efficiency)."""
NORMAL = 1.4826
"""The usual error divided by the median error (of a normal distribution)."""
FITS, TINY = 4, 1e-9
STRAY_NS, FAR_NS = 5_000_000, 150_000_000
"""A report off by more than STRAY_NS does not count. If such reports last, the device has jumped; FAR_NS is large."""
FAR_LASTS_NS, SOON_LASTS_NS, LASTS_NS = 300_000_000, 1_200_000_000, 2_600_000_000
"""How long a jump must last: a large one; one of a young clock or after an underrun; any other, if constant."""
YOUNG_NS, STARVED_NS = 12 * SECOND_NS, 5 * SECOND_NS
STILL_NS, APART_NS = 800_000_000, 1_700_000_000
MOVES, MOVES_NS = 0.15, 1_000_000
"""A jump is constant if its mean over STILL_NS differs from the mean APART_NS earlier by at most MOVES of it."""
SPREAD_NS = 3_000_000


@dataclass(frozen=True, slots=True)
class ClockFit:
    """A straight line from samples to instants: sample `index` is heard at `at_ns`, and others at the rate."""

    rate_hz: int
    index: int
    at_ns: int
    slope: float
    """How much slower than its rate the device is: 200e-6 is 200 ppm."""

    def heard_ns(self, index: int) -> int:
        """When a sample is heard."""
        return self.at_ns + round((index - self.index) * (SECOND_NS / self.rate_hz) * (1 + self.slope))

    def index_at(self, at_ns: int) -> float:
        """Which sample is heard at an instant."""
        return self.index + (at_ns - self.at_ns) / (1 + self.slope) * self.rate_hz / SECOND_NS


class DeviceClock:
    """Fits a line through the reports of the last forty seconds. `line` is None until there is a fit.

    The fit is a regression with a prior at the nominal rate: with few reports the slope stays near that rate.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.line: ClockFit | None = None
        self.jumped_ns = 0
        """How far the device has jumped. The caller sets it to 0."""
        self._pairs: deque[tuple[float, float]] = deque()
        """Of each report: how much the device had played, and how much later than that it was heard."""
        self._strays: deque[tuple[int, int]] = deque()
        self._starved_ns = -STARVED_NS
        self._noise_ns = NOISE_NS
        self._before: ClockFit | None = None

    def add(self, index: int, heard_ns: int, starved: bool = False) -> None:
        """Add a report: sample `index` is heard at `heard_ns`. `starved` if the device had nothing to play before."""
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
        """Whether the reports have been off for so long that the device has jumped."""
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
        """Fit a line through the reports, several times. Each fit sets the weights for the next."""
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
        """Whether the reports suffice for a first fit. Drops those before the ones that do."""
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
