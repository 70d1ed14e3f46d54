"""What a score plays at an instant, within the neighbours' windows. The time is an argument."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from gloaming.daemon.score.protocol import Black
from gloaming.daemon.score.score import Score, Segment
from gloaming.daemon.score.windows import HeldWindow, Windows
from gloaming.shows.time_units import SECOND_NS

DRIFT_NS = 100_000
"""The largest shift between the two clocks for which a stretch stays valid."""


Known = tuple[Score, Windows, tuple[HeldWindow, ...]]
"""What decides: a score, the windows, and those that hold."""


@dataclass(frozen=True, slots=True)
class Lookup:
    """What plays, and until when that is valid. `segment` is None for black. No level is above `ceiling`."""

    score: Score
    windows: Windows
    held: tuple[HeldWindow, ...]
    segment: Segment | None
    ceiling: float
    from_ns: int
    until_ns: int
    apart_ns: int
    between_performances: bool | None
    """True between performances, False in a performance (dark or lit), None where no score says."""
    black: Black | None
    """Why it is black; None if it is lit."""

    def holds(
        self, score: Score, windows: Windows, held: tuple[HeldWindow, ...], monotonic_ns: int, wall_ns: int
    ) -> bool:
        return (
            self.score is score
            and self.windows is windows
            and self.held is held
            and self.from_ns <= monotonic_ns < self.until_ns
            and abs(wall_ns - monotonic_ns - self.apart_ns) < DRIFT_NS
        )


class Ending(NamedTuple):
    """When the streams end: between performances, and once the score is over."""

    between_performances: bool
    at_end_of_score: bool

    def of(self, found: Lookup) -> bool | None:
        """True: they end. False: they go on, or begin again. None: they stay as they are."""
        if found.between_performances is not None:
            return self.between_performances and found.between_performances
        return True if self.at_end_of_score and found.black == Black.SCORE_OVER else None


def look_up(
    score: Score, windows: Windows, lead_ns: int, monotonic_ns: int, wall_ns: int, held: tuple[HeldWindow, ...] = ()
) -> Lookup:
    """What the score plays now, no brighter than the windows allow, for a second at most.

    The windows count by the score's time (when a packet leaves and when it is seen), by the wall clock, and as held.
    """
    at_ns = monotonic_ns + score.offset_ns
    instants = (at_ns, at_ns + lead_ns, wall_ns + score.wall_offset_ns)
    edges = [monotonic_ns + SECOND_NS, *(monotonic_ns + windows.next_edge(instant) - instant for instant in instants)]
    edges += [one.until_ns for one in held]
    segment = score.at(at_ns + lead_ns)
    change_ns = segment.until_ns if segment else score.next_begin(at_ns + lead_ns)
    if change_ns is not None:
        edges.append(change_ns - score.offset_ns - lead_ns)
    between = segment.show is None if segment else None
    ceiling = min(windows.limit(held, at_ns), *(windows.ceiling(instant) for instant in instants))
    black = _black(score, segment, at_ns + lead_ns) or (None if ceiling else _forbidden(windows, instants))
    if black:
        segment = None
    elif segment and ceiling < 1:
        segment = segment.below(ceiling)
    return Lookup(
        score, windows, held, segment, ceiling, monotonic_ns, min(edges), wall_ns - monotonic_ns, between, black
    )


def _black(score: Score, segment: Segment | None, at_ns: int) -> Black | None:
    """Why a score has no light at an instant."""
    if segment:
        return Black.SCORE if segment.dark else None
    if not score.segments or at_ns >= score.segments[-1].until_ns:
        return Black.SCORE_OVER
    return Black.SCORE_TO_COME if at_ns < score.segments[0].from_ns else Black.SCORE_GAP


def _forbidden(windows: Windows, instants: tuple[int, ...]) -> Black:
    """Why the windows allow no light. Of the instants, two are the score's and the last is the wall clock's."""
    if not all(windows.known(at_ns) for at_ns in instants):
        return Black.UNKNOWN_HOURS
    if any(not windows.ceiling(at_ns) for at_ns in instants[:-1]):
        return Black.DARK_HOURS
    return Black.DARK_HOURS_HELD if windows.ceiling(instants[-1]) else Black.DARK_HOURS_BY_WALL_CLOCK
