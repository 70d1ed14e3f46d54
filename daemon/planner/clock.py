"""The planner's clock: the wall clock plus an offset, its difference to the monotonic clock, and its steps."""

from __future__ import annotations

import ctypes
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from gloaming.shows.time_units import SECOND_NS

STEP_NS = 2_000_000
"""From this change on it is a step of the wall clock. A smaller one is jitter of reading both clocks."""

_CLOCK_REALTIME = 0
_ABSTIME, _CANCEL_ON_SET = 1, 2
_FAR_S = 1 << 32


@dataclass(frozen=True, slots=True)
class Anchor:
    """One instant, read on both clocks."""

    utc_ns: int
    monotonic_ns: int


class Clock:
    """The show's time: the wall clock plus `offset_ns`. The demonstration uses the offset to move its evening to now.

    The kernel slews both clocks alike, so only a step changes their difference.
    """

    def __init__(
        self,
        offset_ns: int | None = None,
        wall: Callable[[], int] = time.time_ns,
        monotonic: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        self.offset_ns = int(os.environ.get("GLOAMING_CLOCK_OFFSET_NS", "0")) if offset_ns is None else offset_ns
        self._wall, self._monotonic = wall, monotonic
        self._last = self.anchor()

    def now_ns(self) -> int:
        """The show's time."""
        return self._wall() + self.offset_ns

    def due(self, at_ns: int) -> datetime:
        """When the machine's clock has just passed an instant of the show's time."""
        return datetime.fromtimestamp((at_ns - self.offset_ns) / SECOND_NS + 0.002, UTC)

    def anchor(self) -> Anchor:
        """Both clocks read together. Of several readings, the quickest counts."""
        best: tuple[int, Anchor] | None = None
        for _ in range(7):
            before, wall, after = self._monotonic(), self._wall(), self._monotonic()
            if best is None or after - before < best[0]:
                best = after - before, Anchor(wall + self.offset_ns, (before + after) // 2)
        assert best
        return best[1]

    def stepped_ns(self) -> int:
        """How far the wall clock has stepped since the last reported step; 0 if it has not."""
        now = self.anchor()
        change = (now.utc_ns - now.monotonic_ns) - (self._last.utc_ns - self._last.monotonic_ns)
        if abs(change) < STEP_NS:
            return 0
        self._last = now
        return change


def watch_steps() -> int | None:
    """A descriptor that becomes readable when the wall clock is set (timerfd_create(2)); None without the call."""
    libc = ctypes.CDLL(None, use_errno=True)
    descriptor = int(libc.timerfd_create(_CLOCK_REALTIME, os.O_NONBLOCK | os.O_CLOEXEC))
    if descriptor < 0:
        return None
    far = (ctypes.c_long * 4)(0, 0, int(time.time()) + _FAR_S, 0)
    if libc.timerfd_settime(descriptor, _ABSTIME | _CANCEL_ON_SET, ctypes.byref(far), None) < 0:
        os.close(descriptor)
        return None
    return descriptor
