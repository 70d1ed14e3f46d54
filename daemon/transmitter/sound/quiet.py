"""The second lock on the quiet hours: the greatest volume, whatever the score. The time is an argument."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from gloaming.daemon.score.score import Score
from gloaming.daemon.score.windows import HeldWindow, Windows

AHEAD_NS = 60_000_000
"""A window begins this much earlier, so that the block in which the level falls ends in time."""


@dataclass(frozen=True, slots=True)
class QuietWindows:
    """Windows `(from_ns, until_ns, volume)`, known for `[from_ns, until_ns)`. At any other time the sound is silent.

    The score's time is the monotonic clock plus `offset_ns`, and the wall clock plus `wall_offset_ns`. `held` are
    windows `(until_ns, volume)` that hold by the monotonic clock.
    """

    from_ns: int
    until_ns: int
    windows: tuple[tuple[int, int, float], ...]
    offset_ns: int
    wall_offset_ns: int
    held: tuple[tuple[int, float], ...] = ()

    def ceiling(self, heard_ns: int, apart_ns: int) -> float:
        """The greatest volume at a monotonic instant, by both clocks. The wall clock is `apart_ns` ahead."""
        times_ns = (heard_ns + self.offset_ns, heard_ns + apart_ns + self.wall_offset_ns)
        held = (volume for until_ns, volume in self.held if heard_ns < until_ns)
        return min(*(self._at(at_ns + ahead_ns) for at_ns in times_ns for ahead_ns in (0, AHEAD_NS)), *held)

    def _at(self, at_ns: int) -> float:
        if not self.from_ns <= at_ns < self.until_ns:
            return 0.0
        return min([1.0, *(volume for begin_ns, end_ns, volume in self.windows if begin_ns <= at_ns < end_ns)])

    def as_json(self) -> list[Any]:
        """The field `quiet` of the `plan` message."""
        return [self.from_ns, self.until_ns, self.windows, self.offset_ns, self.wall_offset_ns, self.held]


def quiet_of(windows: Windows, score: Score, held: tuple[HeldWindow, ...] = ()) -> QuietWindows:
    """The windows that limit the sound, with the clocks of a score, and those that hold."""
    quiet = tuple((one.from_ns, one.until_ns, one.sound) for one in windows.windows if one.sound < 1)
    holding = tuple((one.until_ns, one.sound) for one in held if one.sound < 1)
    return QuietWindows(windows.from_ns, windows.until_ns, quiet, score.offset_ns, score.wall_offset_ns, holding)


def read_quiet(one: list[Any] | None) -> QuietWindows | None:
    """Reads what `as_json` gives. None stays None, which is silence."""
    if one is None:
        return None
    from_ns, until_ns, windows, offset_ns, wall_offset_ns, held = one
    read = tuple((begin_ns, end_ns, volume) for begin_ns, end_ns, volume in windows)
    return QuietWindows(
        from_ns, until_ns, read, offset_ns, wall_offset_ns, tuple((end, volume) for end, volume in held)
    )
