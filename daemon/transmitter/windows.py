"""The second lock on the neighbours' hours: the windows that hold. The time is an argument.

A window that has begun holds to its end by the monotonic clock. No later report of the time ends it. It ends early
only when new windows no longer have its rule, because the rule was edited.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from gloaming.daemon.score.windows import HeldWindow, Windows
from gloaming.shows.rig.zones import Spans
from gloaming.shows.time_units import HOUR_NS, SECOND_NS

WALL_NS = 5 * SECOND_NS
"""A window that begins by the wall clock alone holds only after this time. By then a running planner has sent the
clock's offset."""
JITTER_NS = 100_000
"""The error of reading two clocks one after the other."""
LONGEST_NS = 48 * HOUR_NS
"""No window is longer. A message with a mistake could otherwise keep the lights dark until a restart."""


Held = tuple[str, Spans | None]
"""A rule and its slots."""


class ClockOffsets(NamedTuple):
    """The offsets from the monotonic clock to the score's time, and to the corrected time of the wall clock."""

    score_ns: int
    wall_ns: int

    def differ(self, other: ClockOffsets) -> bool:
        """Whether the clocks differ by more than the error of reading them."""
        return any(abs(one - two) > JITTER_NS for one, two in zip(self, other, strict=True))


class WindowHolds:
    """The windows that hold now. Each change makes `held` a new tuple."""

    def __init__(self) -> None:
        self.held: tuple[HeldWindow, ...] = ()
        self._known: Windows | None = None
        self._clocks: ClockOffsets | None = None
        self._wall_since: dict[Held, int] = {}

    def look(self, windows: Windows, clocks: ClockOffsets, monotonic_ns: int) -> None:
        """Add the windows that have begun, by the previous clocks and windows too, since both may change at once."""
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
        self._wall_since = {_of(one): self._wall_since.get(_of(one), monotonic_ns) for one in by_wall}
        begun += [one for one in by_wall if monotonic_ns - self._wall_since[_of(one)] >= WALL_NS]
        until_ns = {_of(one): one.until_ns + JITTER_NS for one in self.held}
        if any(one.until_ns > until_ns.get(_of(one), 0) for one in begun):
            self._set([*self.held, *begun], monotonic_ns)
        elif any(one.until_ns <= monotonic_ns for one in self.held):
            self._set(self.held, monotonic_ns)

    @staticmethod
    def _begun(windows: Windows, offset_ns: int, monotonic_ns: int) -> list[HeldWindow]:
        return [
            HeldWindow(one.until_ns - offset_ns, *one[2:])
            for one in windows.in_force(monotonic_ns + offset_ns)
            if one.rule in windows.rules
        ]

    def _set(self, held: Iterable[HeldWindow], monotonic_ns: int) -> None:
        """Keep the longest window of each rule, and of each zone that the rule has had."""
        longest: dict[Held, HeldWindow] = {}
        for one in sorted(held, key=lambda one: one.until_ns):
            if monotonic_ns < one.until_ns <= monotonic_ns + LONGEST_NS:
                longest[_of(one)] = one
        self.held = tuple(longest.values())


def _of(held: HeldWindow) -> Held:
    return held.rule, held.spans
