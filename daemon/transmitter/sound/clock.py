"""The device's clock: which sample is heard when, from what the device reports, smoothed. Reads no clock itself."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from statistics import pstdev

SECOND_NS = 1_000_000_000
WINDOW_NS = 30 * SECOND_NS
SPACING_NS = 100_000_000
"""Between the reports that are kept once the clock is trusted."""
LOCK_PAIRS = 16
"""So many reports in a row that agree are believed."""
ROUGH_PAIRS = 60
"""After so many that never agreed, the later half is taken as it is: some drivers know their time only roughly."""
NOISE_NS = 500_000.0
"""Usual error of a single report."""
SLOPE = 300e-6
"""Usual error of a sound card's rate."""
STRAY_NS, FAR_NS = 5_000_000, 150_000_000
"""A report off by more than the first is not believed; where that lasts, the device has jumped."""
STRAY_LASTS_NS, FAR_LASTS_NS = 1_200_000_000, 300_000_000
"""Servers are wrong for a second after an underrun, so a small jump must last longer than a great one."""
SPREAD_NS = 3_000_000


@dataclass(frozen=True, slots=True)
class Line:
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
    """Fits a line through what was reported in the last half minute; `line` is None until it can be trusted.

    The slope is drawn towards the nominal rate as far as the reports leave it open (a regression with a prior), so a
    fresh clock is steady and an old one knows its device.
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.line: Line | None = None
        self.jumped_ns = 0
        """How far the device has jumped, to be set to 0 by who has dealt with it."""
        self._pairs: deque[tuple[int, float]] = deque()
        self._strays_since_ns = 0
        self._noise_ns = NOISE_NS
        self._before: Line | None = None

    def add(self, index: int, heard_ns: int) -> None:
        """A report: the sample `index` is heard at `heard_ns`."""
        if self.line is not None:
            off_ns = heard_ns - self.line.heard_ns(index)
            if abs(off_ns) > max(STRAY_NS, 4 * self._noise_ns):
                self._strays_since_ns = self._strays_since_ns or heard_ns
                lasts_ns = FAR_LASTS_NS if abs(off_ns) > FAR_NS else STRAY_LASTS_NS
                if heard_ns - self._strays_since_ns >= lasts_ns:
                    self._before, self.line = self.line, None
                    self._pairs.clear()
                return
        self._strays_since_ns = 0
        if self._pairs and heard_ns - self._pairs[-1][0] < SPACING_NS and self.line is not None:
            return
        self._pairs.append((heard_ns, heard_ns - index * SECOND_NS / self.rate_hz))
        while self._pairs[-1][0] - self._pairs[0][0] > WINDOW_NS:
            self._pairs.popleft()
        self._fit()

    def _fit(self) -> None:
        if self.line is None and not self._agree():
            return
        count = len(self._pairs)
        begin_ns, begin = self._pairs[0]
        at = [pair[0] - begin_ns for pair in self._pairs]
        late = [pair[1] - begin for pair in self._pairs]
        middle, mean = sum(at) / count, sum(late) / count
        square = sum((one - middle) ** 2 for one in at)
        product = sum((one - middle) * (other - mean) for one, other in zip(at, late, strict=True))
        slope = product / (square + (self._noise_ns / SLOPE) ** 2)
        now_ns = self._pairs[-1][0]
        lateness = begin + mean + slope * (at[-1] - middle)
        index = round((now_ns - lateness) * self.rate_hz / SECOND_NS)
        at_ns = round(index * SECOND_NS / self.rate_hz + lateness)
        self.line = Line(self.rate_hz, index, at_ns, slope)
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
