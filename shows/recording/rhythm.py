"""The times of frames: their rate, their beginning, and pauses in which nothing came."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from gloaming.shows.protocols.packets import Bytes

LOOK_NS = 600_000_000
"""How long frames are held back. A delay of the source may take so long to be made up."""
PENDING_MAX = 128
"""The most frames held back: more than any source sends in that time."""
THIN_NS = 500_000_000
"""Longer intervals are those of unchanged data (E1.31 6.6.2: one in 800 to 1000 ms; Art-Net: in up to 4 s)."""
RATE_FRAMES = 64
USUAL = [Fraction(number) for number in range(1, 1001)] + [
    Fraction(number, 1001) for number in (24000, 30000, 60000, 120000)
]
_USUAL = np.array([float(rate) for rate in USUAL])
USUAL_WITHIN = Fraction(2, 1000)


@dataclass(frozen=True, slots=True)
class Rhythm:
    """The rhythm of a stream.

    `period_ns` is the time from frame to frame. `lead` is the universe that begins a frame, if known. `expected` are
    the universes of a whole frame. `thins`: unchanged data are left out (E1.31 6.6.2). `shared`: the sources whose
    universes share their sequence numbers.
    """

    period_ns: int
    lead: int | None
    expected: frozenset[int]
    thins: bool = False
    shared: frozenset[bytes] = frozenset()


class Pacer:
    """Passes frames on, and repeats the last one for time in which nothing came.

    A frame is held back until it is certain whether a delay before it was made up.
    """

    def __init__(self, period_ns: int, out: Callable[[Bytes], None]) -> None:
        self.filled = 0
        self._period_ns, self._out = period_ns, out
        self._pending: deque[tuple[int | None, Bytes]] = deque()
        self._number = 0  # of the next frame to pass on
        self._due_ns = 0  # the time of that frame since the first
        self._lateness: deque[tuple[int, int]] = deque()
        self._row: Bytes | None = None
        self._at_ns: int | None = None
        self._times: list[tuple[int, int, int]] = []  # run, frame, time
        self._run = 0

    def adopt(self, period_ns: int) -> None:
        """Use another rate from the next frame on. The one before was a guess."""
        self._period_ns = period_ns

    def push(self, at_ns: int | None, row: Bytes) -> None:
        """Add a frame, with its time or None if its packets were lost. `row` is not copied."""
        self._pending.append((at_ns, row))
        if len(self._pending) > PENDING_MAX:
            self._release()
        while at_ns is not None and self._pending[0][0] is not None and at_ns - self._pending[0][0] > LOOK_NS:
            self._release()
            while self._pending and self._pending[0][0] is None:
                self._release()
            if not self._pending:
                return

    def amend(self, row: int, levels: Bytes) -> bool:
        """Put late levels into the last frame that was pushed. False: it has been passed on."""
        if not self._pending:
            return False
        self._pending[-1][1][row] = levels
        return True

    def finish(self) -> None:
        """Pass all frames on."""
        while self._pending:
            self._release()

    def _release(self) -> None:
        at_ns, row = self._pending.popleft()
        if at_ns is not None:
            self._fill(at_ns)
            late_ns = at_ns - self._due_ns
            self._lateness.append((at_ns, late_ns))
            while len(self._lateness) > 3 and self._lateness[0][0] < at_ns - LOOK_NS:
                self._lateness.popleft()
            self._run += self._at_ns is not None and at_ns - self._at_ns > THIN_NS
            self._times.append((self._run, self._number, at_ns))
            self._at_ns = at_ns
        self._put(row)

    def _fill(self, at_ns: int) -> None:
        """Repeat the last frame if this one and all that follow it soon are late by one frame or more."""
        if self._at_ns is None or self._row is None or at_ns - self._at_ns < self._period_ns * 5 // 4:
            return
        late = [at_ns - self._due_ns]
        for ahead, (other_ns, _) in enumerate(self._pending, start=1):
            if other_ns is not None:
                if other_ns - at_ns > LOOK_NS:
                    break
                late.append(other_ns - self._due_ns - ahead * self._period_ns)
        shift = min(late) - min(lateness for _, lateness in self._lateness)
        missing = (shift + self._period_ns // 2) // self._period_ns
        for _ in range(missing):
            self._put(self._row)
        self.filled += max(0, missing)

    def _put(self, row: Bytes) -> None:
        self._row = row
        self._number += 1
        self._due_ns += self._period_ns
        self._out(row)

    def rates(self) -> tuple[float, float] | None:
        """The slowest and the fastest rate, in frames a second, that lasted for `RATE_FRAMES` frames."""
        runs, numbers, times = np.array(self._times, np.int64).reshape(-1, 3).T
        together = runs[RATE_FRAMES:] == runs[:-RATE_FRAMES]
        took_ns = (times[RATE_FRAMES:] - times[:-RATE_FRAMES])[together]
        if not len(took_ns) or took_ns.min() <= 0:
            return None
        rates = (numbers[RATE_FRAMES:] - numbers[:-RATE_FRAMES])[together] * 1e9 / took_ns
        return float(np.quantile(rates, 0.05)), float(np.quantile(rates, 0.95))

    def measured_fps(self) -> float | None:
        """The rate at which the frames came: the slope of a line through their times, without outliers.

        A pause says nothing about the rate, so each run of frames between two pauses has its own line.
        """
        if len(self._times) < 8:
            return None
        runs, numbers, times = np.array(self._times, np.int64).T
        times -= times[0]
        for _ in range(3):
            frames, at_ns = _from_means(runs, numbers), _from_means(runs, times)
            if not frames.any():
                return None
            period_ns = float((frames * at_ns).sum() / (frames * frames).sum())
            off = np.abs(at_ns - period_ns * frames)
            keep = off <= max(3 * float(np.median(off)), 1.0)
            runs, numbers, times = runs[keep], numbers[keep], times[keep]
        return 1e9 / period_ns if period_ns > 0 else None


def _from_means(runs: npt.NDArray[np.int64], values: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
    """Each value minus the mean of its run."""
    counts = np.maximum(np.bincount(runs), 1)
    return np.asarray(values - (np.bincount(runs, values) / counts)[runs], np.float64)


def usual(fps: float) -> Fraction:
    """The nearest usual rate if it is within 0.2 % of the measured one, else the measured one."""
    exact = Fraction(fps).limit_denominator(1000)
    nearest = USUAL[int(np.abs(_USUAL - float(exact)).argmin())]
    if abs(nearest - exact) <= nearest * USUAL_WITHIN:
        return nearest
    return min(max(exact, Fraction(1, 100)), Fraction(1000))
