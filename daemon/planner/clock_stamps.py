"""How far another clock is ahead of this one, by stamps that were exchanged (RFC 5905). No clock, no network."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

STAGES = 8
"""The clock filter keeps so many samples (RFC 5905 section 10)."""
TOLERANCE_PPM = 15
"""The error of a sample grows with its age by this (RFC 5905 section 7.2: PHI)."""


@dataclass(frozen=True, slots=True)
class Offset:
    """How far another clock is ahead of this one, and how far that may be wrong."""

    offset_ns: int
    error_ns: int

    def certainly_beyond(self, limit_ns: int) -> bool:
        """Whether the clocks differ by more than a limit, whatever the error."""
        return abs(self.offset_ns) - self.error_ns > limit_ns

    def may_equal(self, other: Offset) -> bool:
        """Whether both may be true."""
        return abs(self.offset_ns - other.offset_ns) <= self.error_ns + other.error_ns


@dataclass(frozen=True, slots=True)
class Exchange:
    """The stamps of a question and its answer: sent, received there, answered there, received here.

    The first and the last are by this clock, the others by the other one.
    """

    sent_ns: int
    heard_ns: int
    answered_ns: int
    back_ns: int

    @property
    def offset_ns(self) -> int:
        """RFC 5905 section 8: theta = [(T2 - T1) + (T3 - T4)] / 2."""
        return ((self.heard_ns - self.sent_ns) + (self.answered_ns - self.back_ns)) // 2

    @property
    def delay_ns(self) -> int:
        """RFC 5905 section 8: delta = (T4 - T1) - (T3 - T2). The offset is wrong by half of this at most."""
        return (self.back_ns - self.sent_ns) - (self.answered_ns - self.heard_ns)


class ClockFilter:
    """The last samples of one clock. `at_ns` is on the monotonic clock."""

    def __init__(self) -> None:
        self._samples: deque[tuple[int, Exchange]] = deque(maxlen=STAGES)

    def add(self, exchange: Exchange, at_ns: int) -> None:
        """Add a sample. Earlier ones that cannot be true beside it are of a clock that was set or slewed since."""
        new = _offset(exchange, 0)
        agreeing = [(then_ns, one) for then_ns, one in self._samples if _offset(one, at_ns - then_ns).may_equal(new)]
        self._samples = deque([*agreeing, (at_ns, exchange)], maxlen=STAGES)

    def offset(self, at_ns: int) -> Offset | None:
        """By the sample of the least delay (RFC 5905 section 10), each with the error that its age adds."""
        found = (_offset(one, at_ns - then_ns) for then_ns, one in self._samples)
        return min(found, key=lambda one: one.error_ns, default=None)


def _offset(exchange: Exchange, age_ns: int) -> Offset:
    return Offset(exchange.offset_ns, exchange.delay_ns // 2 + age_ns * TOLERANCE_PPM // 1_000_000)
