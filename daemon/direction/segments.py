"""Segments that follow each other: cut, joined, and compared by what they show."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from gloaming.daemon.direction.score import DecidedSegment
from gloaming.shows.time_units import SECOND_NS

Segments = tuple[DecidedSegment, ...]


def cut(segment: DecidedSegment, from_ns: int, until_ns: int) -> DecidedSegment:
    """The part of a segment that lies in an interval."""
    from_ns, until_ns = max(segment.from_ns, from_ns), min(segment.until_ns, until_ns)
    if (from_ns, until_ns) == (segment.from_ns, segment.until_ns):
        return segment
    return replace(
        segment,
        from_ns=from_ns,
        until_ns=until_ns,
        level_from=segment.level_at(from_ns),
        level_until=segment.level_at(until_ns),
        sound_from=segment.sound_at(from_ns),
        sound_until=segment.sound_at(until_ns),
    )


def join(first: Segments, second: Segments) -> Segments:
    """Two scores that meet, as one. ValueError where they do not meet."""
    if first[-1].until_ns != second[0].from_ns:
        raise ValueError("the second score must begin where the first ends")
    return joined([*first, *second])


def joined(segments: Iterable[DecidedSegment]) -> Segments:
    """Joins segments that show the same and whose levels continue in the same straight line."""
    found: list[DecidedSegment] = []
    for segment in segments:
        if found and _continues(found[-1], segment):
            until_ns, level, sound = segment.until_ns, segment.level_until, segment.sound_until
            found[-1] = replace(found[-1], until_ns=until_ns, level_until=level, sound_until=sound)
        else:
            found.append(segment)
    return tuple(found)


def light_of(segments: Segments) -> Segments:
    """The same light, without what is heard and why. Two scores that show the same light are equal by it."""
    return joined(
        replace(
            one,
            state=segments[0].state,
            reasons=(),
            show=None,
            picture=None if one.dark else one.picture,
            mix=None if one.dark else one.mix,
            sound=False,
            sound_from=0.0,
            sound_until=0.0,
        )
        for one in segments
    )


def _continues(first: DecidedSegment, second: DecidedSegment) -> bool:
    def shown(segment: DecidedSegment) -> tuple[object, ...]:
        return (segment.state, segment.reasons, segment.show, segment.picture, segment.look, segment.sound, segment.mix)

    def slopes(segment: DecidedSegment) -> tuple[float, float]:
        lasts_ns = segment.until_ns - segment.from_ns
        rises, sound_rises = segment.level_until - segment.level_from, segment.sound_until - segment.sound_from
        return rises / lasts_ns, sound_rises / lasts_ns

    return (
        abs(first.level_until - second.level_from) < 1e-9
        and abs(first.sound_until - second.sound_from) < 1e-9
        and all(abs(one - two) * SECOND_NS < 1e-9 for one, two in zip(slopes(first), slopes(second), strict=True))
        and shown(first) == shown(second)
    )
