"""The second lock on the neighbours' hours: which of their windows hold. Told the time, reads no clock.

A window that has begun holds to its end by the monotonic clock, whatever is said of the time after that. Only windows
without its rule end it: the rule was edited.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from gloaming.daemon.score.windows import HeldWindow, Windows
from gloaming.shows.time_units import HOUR_NS, SECOND_NS

WALL_NS = 5 * SECOND_NS
"""A window that has begun by the wall clock alone holds after this time: a planner that lives has said by then how far
the wall clock is off."""
JITTER_NS = 100_000
"""What reading two clocks one after the other may differ by."""
LONGEST_NS = 48 * HOUR_NS
"""No window is longer. What a message with a mistake makes hold for ever would leave a house dark until a restart."""


class ClockOffsets(NamedTuple):
    """What is to be added to the monotonic clock for the score's time, and for the right time by the wall clock."""

    score_ns: int
    wall_ns: int

    def differ(self, other: ClockOffsets) -> bool:
        """By more than the jitter of reading them."""
        return any(abs(one - two) > JITTER_NS for one, two in zip(self, other, strict=True))


class Holds:
    """The windows that hold now. `held` is another tuple whenever it changes."""

    def __init__(self) -> None:
        self.held: tuple[HeldWindow, ...] = ()
        self._known: Windows | None = None
        self._clocks: ClockOffsets | None = None
        self._wall_since: dict[str, int] = {}

    def look(self, windows: Windows, clocks: ClockOffsets, monotonic_ns: int) -> None:
        """What has begun by now, by the clocks and windows of before as well: they may change in the same instant."""
        before, known = self._clocks, self._known
        if known and before and (known is not windows or clocks.differ(before)):
            self._add(known, before, monotonic_ns)
        if known is not windows:
            self._known = windows
            self._set([*(one for one in self.held if one.rule in windows.rules), *windows.held], monotonic_ns)
        self._clocks = clocks
        self._add(windows, clocks, monotonic_ns)

    def _add(self, windows: Windows, clocks: ClockOffsets, monotonic_ns: int) -> None:
        begun = self._begun(windows, clocks.score_ns, monotonic_ns)
        by_wall = self._begun(windows, clocks.wall_ns, monotonic_ns)
        self._wall_since = {one.rule: self._wall_since.get(one.rule, monotonic_ns) for one in by_wall}
        begun += [one for one in by_wall if monotonic_ns - self._wall_since[one.rule] >= WALL_NS]
        until_ns = {one.rule: one.until_ns + JITTER_NS for one in self.held}
        if any(one.until_ns > until_ns.get(one.rule, 0) for one in begun):
            self._set([*self.held, *begun], monotonic_ns)
        elif any(one.until_ns <= monotonic_ns for one in self.held):
            self._set(self.held, monotonic_ns)

    @staticmethod
    def _begun(windows: Windows, offset_ns: int, monotonic_ns: int) -> list[HeldWindow]:
        return [
            HeldWindow(one.until_ns - offset_ns, one.light, one.sound, one.rule)
            for one in windows.in_force(monotonic_ns + offset_ns)
            if one.rule in windows.rules
        ]

    def _set(self, held: Iterable[HeldWindow], monotonic_ns: int) -> None:
        """Of each rule the window that lasts longest."""
        longest: dict[str, HeldWindow] = {}
        for one in sorted(held):
            if monotonic_ns < one.until_ns <= monotonic_ns + LONGEST_NS:
                longest[one.rule] = one
        self.held = tuple(longest.values())
