"""The frame clock: which frame an instant belongs to and when a frame is due, in integers. Reads no clock."""

from __future__ import annotations

from fractions import Fraction
from math import ceil

SECOND_NS = 1_000_000_000


def frame_at(at_ns: int, zero_ns: int, fps: Fraction) -> int:
    """The number of the frame whose turn it is at an instant."""
    return (at_ns - zero_ns) * fps.numerator // (fps.denominator * SECOND_NS)


def due_ns(frame: int, zero_ns: int, fps: Fraction) -> int:
    """The first instant at which it is a frame's turn: `frame_at(due_ns(n)) == n`, and no earlier instant has it."""
    return zero_ns - (-frame * fps.denominator * SECOND_NS // fps.numerator)


def every(fps: Fraction, limit_hz: float) -> int:
    """Of how many frames one is sent, so that the rate stays within E1.11's for the slots (E1.31 6.6.1)."""
    return max(1, ceil(fps / limit_hz))


class Lateness:
    """A histogram of lateness in whole microseconds, up to 100 ms; counts since the process began."""

    def __init__(self) -> None:
        self.counts = [0] * 100_001
        self.total, self.highest_us = 0, 0

    def add(self, late_ns: int) -> None:
        late_us = min(max(0, late_ns // 1000), 100_000)
        self.counts[late_us] += 1
        self.total += 1
        self.highest_us = max(self.highest_us, late_us)

    def figures(self) -> dict[str, int]:
        """p50, p99, p999 and max."""
        found = {"p50": 0, "p99": 0, "p999": 0, "max": self.highest_us}
        wanted = [("p50", 0.5), ("p99", 0.99), ("p999", 0.999)]
        seen = 0
        for late_us in range(self.highest_us + 1):
            seen += self.counts[late_us]
            while wanted and seen >= wanted[0][1] * self.total:
                found[wanted.pop(0)[0]] = late_us
            if not wanted:
                break
        return found
