"""How long a thing lasts while pauses hold it, and where the local clock has its marks. Pure arithmetic on instants."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.overrides import Override
from gloaming.shows.time_units import DAY_NS, SECOND_NS


@dataclass(frozen=True, slots=True)
class StandStill:
    """A stretch in which a show stands still: from the end of a pause's fade to the pause's end."""

    from_ns: int
    until_ns: int
    pause: Override

    def known_at(self, at_ns: int) -> StandStill | None:
        """The hold as it was known at an instant, None if it had not been asked for."""
        if self.pause.at_ns > at_ns:
            return None
        end_ns = self.pause.end_known_at(at_ns)
        return replace(self, until_ns=end_ns) if end_ns > self.from_ns else None


def stand_stills(pauses: tuple[Override, ...], fade_ns: int) -> tuple[StandStill, ...]:
    """The stretches in which pauses keep the show where it is, in order; the show moves on while the light fades."""
    return tuple(
        StandStill(pause.at_ns + fade_ns, pause.end_ns, pause)
        for pause in sorted(pauses, key=lambda pause: pause.at_ns)
        if not pause.show_continues and pause.until_ns > pause.at_ns + fade_ns
    )


def held_of(standing: tuple[StandStill, ...]) -> Iterator[tuple[int, int]]:
    """The holds as separate intervals that do not touch, in order."""
    last: tuple[int, int] | None = None
    for hold in sorted(standing, key=lambda hold: hold.from_ns):
        if hold.until_ns <= hold.from_ns:
            continue
        if last and hold.from_ns <= last[1]:
            last = (last[0], max(last[1], hold.until_ns))
            continue
        if last:
            yield last
        last = (hold.from_ns, hold.until_ns)
    if last:
        yield last


def runs(start_ns: int, length_ns: int, held: tuple[tuple[int, int], ...]) -> Iterator[tuple[int, int, int, bool]]:
    """A thing of some length begun at an instant, as stretches `(from_ns, until_ns, zero_ns, still)`.

    `zero_ns` is the instant from which its frames count in that stretch (in a still one, `from_ns - zero_ns` is how
    far it has come).
    """
    at_ns, done_ns = start_ns, 0
    for begin_ns, end_ns in held:
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


def end_of(start_ns: int, length_ns: int, held: tuple[tuple[int, int], ...]) -> int:
    if not held:
        return start_ns + length_ns
    return max(end_ns for _, end_ns, _, _ in runs(start_ns, length_ns, held))


def next_mark(at_ns: int, every_ns: int, zone: ZoneInfo) -> int:
    """The first instant, `at_ns` or later, at which the local clock stands on a multiple of `every_ns`.

    Where the clock is changed meanwhile, that instant is looked for by the clock that holds from the change on.
    """
    offset_ns = _offset(at_ns, zone)
    midnight_ns = (at_ns + offset_ns) // DAY_NS * DAY_NS
    since_ns = at_ns + offset_ns - midnight_ns
    mark_ns = midnight_ns - offset_ns + min(-(-since_ns // every_ns) * every_ns, DAY_NS)
    return mark_ns if _offset(mark_ns, zone) == offset_ns else next_mark(mark_ns, every_ns, zone)


def _offset(at_ns: int, zone: ZoneInfo) -> int:
    offset = datetime.fromtimestamp(at_ns // SECOND_NS, zone).utcoffset()
    return int(offset.total_seconds()) * SECOND_NS if offset else 0
