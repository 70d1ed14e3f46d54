"""The director's clock: the machine's wall clock with an offset, and how it stands to the monotonic clock."""

from __future__ import annotations

import os
import time
from dataclasses import dataclass

STEP_NS = 20_000_000
"""A change of the wall clock against the monotonic one that is a step, not jitter of reading both."""


@dataclass(frozen=True, slots=True)
class Anchor:
    """One instant on both clocks."""

    utc_ns: int
    monotonic_ns: int


class Clock:
    """The time as the show has it: the wall clock plus `offset_ns` (the demonstration's evening, moved to now)."""

    def __init__(self, offset_ns: int | None = None) -> None:
        self.offset_ns = int(os.environ.get("GLOAMING_CLOCK_OFFSET_NS", "0")) if offset_ns is None else offset_ns
        self._last = self.anchor()

    def now_ns(self) -> int:
        return time.time_ns() + self.offset_ns

    def anchor(self) -> Anchor:
        """Both clocks read together: the closest of several readings."""
        best: tuple[int, Anchor] | None = None
        for _ in range(7):
            before = time.monotonic_ns()
            wall = time.time_ns()
            after = time.monotonic_ns()
            if best is None or after - before < best[0]:
                best = after - before, Anchor(wall + self.offset_ns, (before + after) // 2)
        assert best
        return best[1]

    def stepped_ns(self) -> int:
        """By how much the wall clock has stepped since the last call; 0 where it has not."""
        now = self.anchor()
        change = (now.utc_ns - now.monotonic_ns) - (self._last.utc_ns - self._last.monotonic_ns)
        self._last = now
        return change if abs(change) >= STEP_NS else 0
