"""How pauses lengthen a piece or a gap, and the next mark of the local clock. Pure arithmetic on instants."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.overrides import Override
from gloaming.shows.time_units import DAY_NS, SECOND_NS


class Interval(NamedTuple):
    """A stretch of time."""

    from_ns: int
    until_ns: int


@dataclass(frozen=True, slots=True)
class StandStill:
    """A stretch in which a show stands still: from the end of a pause's fade to the end of the pause."""

    from_ns: int
    until_ns: int
    pause: Override

    def known_at(self, at_ns: int) -> StandStill | None:
        """The stretch as it was known at an instant, None if nobody had asked for the pause yet."""
        if self.pause.at_ns > at_ns:
            return None
        end_ns = self.pause.end_known_at(at_ns)
        return replace(self, until_ns=end_ns) if end_ns > self.from_ns else None


def stand_stills(pauses: tuple[Override, ...], fade_ns: int) -> tuple[StandStill, ...]:
    """The stretches in which pauses stop the show, in order. The show moves on while the light fades."""
    return tuple(
        StandStill(pause.at_ns + fade_ns, pause.end_ns, pause)
        for pause in sorted(pauses, key=lambda pause: pause.at_ns)
        if not pause.show_continues and pause.until_ns > pause.at_ns + fade_ns
    )


def still_intervals(standing: tuple[StandStill | Interval, ...]) -> Iterator[tuple[int, int]]:
    """The same stretches as separate intervals that do not touch, in order."""
    last: tuple[int, int] | None = None
    for one in sorted(standing, key=lambda one: one.from_ns):
        if one.until_ns <= one.from_ns:
            continue
        if last and one.from_ns <= last[1]:
            last = (last[0], max(last[1], one.until_ns))
            continue
        if last:
            yield last
        last = (one.from_ns, one.until_ns)
    if last:
        yield last


def runs(start_ns: int, length_ns: int, still: tuple[tuple[int, int], ...]) -> Iterator[tuple[int, int, int, bool]]:
    """Something of a given length that begins at an instant, as stretches `(from_ns, until_ns, zero_ns, still)`.

    In a stretch, its frames count from `zero_ns`. In a still stretch, `from_ns - zero_ns` is the position.
    """
    at_ns, done_ns = start_ns, 0
    for begin_ns, end_ns in still:
        if end_ns <= at_ns:
            continue
        moved_ns = max(0, begin_ns - at_ns)
        if done_ns + moved_ns >= length_ns:
            break
        if moved_ns:
            yield at_ns, begin_ns, at_ns - done_ns, False
            at_ns, done_ns = begin_ns, done_ns + moved_ns
        yield at_ns, end_ns, at_ns - done_ns, True
        at_ns = end_ns
    yield at_ns, at_ns + length_ns - done_ns, at_ns - done_ns, False


def end_of(start_ns: int, length_ns: int, still: tuple[tuple[int, int], ...]) -> int:
    if not still:
        return start_ns + length_ns
    return max(end_ns for _, end_ns, _, _ in runs(start_ns, length_ns, still))


def next_mark(at_ns: int, every_ns: int, zone: ZoneInfo) -> int:
    """The first instant, `at_ns` or later, at which the local time is a multiple of `every_ns`.

    Where the clocks change before that instant, the search begins again with the offset after the change.
    """
    offset_ns = _offset(at_ns, zone)
    midnight_ns = (at_ns + offset_ns) // DAY_NS * DAY_NS
    since_ns = at_ns + offset_ns - midnight_ns
    mark_ns = midnight_ns - offset_ns + min(-(-since_ns // every_ns) * every_ns, DAY_NS)
    return mark_ns if _offset(mark_ns, zone) == offset_ns else next_mark(mark_ns, every_ns, zone)


def _offset(at_ns: int, zone: ZoneInfo) -> int:
    offset = datetime.fromtimestamp(at_ns // SECOND_NS, zone).utcoffset()
    return int(offset.total_seconds()) * SECOND_NS if offset else 0
