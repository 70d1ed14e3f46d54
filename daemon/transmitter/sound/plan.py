"""The plan of what is heard and when, which the transmitter sends to the sound process. No clock, no device.

Instants are nanoseconds of the monotonic clock, at which a sound is heard. Delays are already in them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from gloaming.daemon.score.frame_clock import due_ns
from gloaming.daemon.score.score import Score, Segment

MOVED_NS = 20_000_000
"""A pass that moves by less than this plays on, and the frames follow."""


@dataclass(frozen=True, slots=True)
class SoundStretch:
    """A sound file over `[from_ns, until_ns)`: position p is heard at `zero_ns + p`, and again after each `length_ns`.

    `score_zero_ns` is that zero in the score's own time. With the path it identifies the stretch in later scores.
    """

    from_ns: int
    until_ns: int
    path: str
    zero_ns: int
    length_ns: int
    gain: float
    score_zero_ns: int


@dataclass(frozen=True, slots=True)
class Ramp:
    """A level that goes in a straight line from `begin` to `end`, 0..1, over `[from_ns, until_ns)`."""

    from_ns: int
    until_ns: int
    begin: float
    end: float


@dataclass(frozen=True, slots=True)
class SoundPass:
    """One turn of a sound file: position p is heard at `zero_ns + p`, from `from_ns` until `until_ns`."""

    from_ns: int
    until_ns: int
    path: str
    zero_ns: int
    gain: float
    key: tuple[str, int, int]

    def same(self, other: SoundPass) -> bool:
        """Whether another pass, perhaps of a newer score, is this one."""
        return self.key == other.key and abs(self.zero_ns - other.zero_ns) < MOVED_NS


@dataclass(frozen=True, slots=True)
class SoundPlan:
    """What a device plays over the time of a score."""

    device: str | None
    stretches: tuple[SoundStretch, ...]
    ramps: tuple[Ramp, ...]
    score_id: int = -1

    def passes(self, from_ns: int) -> Iterator[SoundPass]:
        """The pass at an instant, if there is one, and all later ones."""
        for one in self.stretches:
            if one.until_ns <= from_ns:
                continue
            turn = (max(from_ns, one.from_ns) - one.zero_ns) // one.length_ns
            while (zero_ns := one.zero_ns + turn * one.length_ns) < one.until_ns:
                begin_ns, end_ns = max(one.from_ns, zero_ns), min(one.until_ns, zero_ns + one.length_ns)
                yield SoundPass(begin_ns, end_ns, one.path, zero_ns, one.gain, (one.path, one.score_zero_ns, turn))
                turn += 1

    def level_at(self, at_ns: int) -> float:
        """The level 0..1 at an instant; 0 outside the plan."""
        place = bisect_right(self.ramps, at_ns, key=lambda ramp: ramp.from_ns) - 1
        if place < 0 or at_ns >= self.ramps[place].until_ns:
            return 0.0
        ramp = self.ramps[place]
        return ramp.begin + (ramp.end - ramp.begin) * (at_ns - ramp.from_ns) / (ramp.until_ns - ramp.from_ns)

    def heard_within(self, from_ns: int, until_ns: int) -> bool:
        """Whether any sound is due in an interval."""
        return any(
            stretch.from_ns < until_ns and from_ns < stretch.until_ns and ramp.begin + ramp.end > 0
            for stretch in self.stretches
            for ramp in self.ramps
            if max(stretch.from_ns, from_ns) < ramp.until_ns and ramp.from_ns < min(stretch.until_ns, until_ns)
        )

    def as_json(self) -> dict[str, Any]:
        """The `plan` message."""
        stretches = [
            [one.from_ns, one.until_ns, one.path, one.zero_ns, one.length_ns, one.gain, one.score_zero_ns]
            for one in self.stretches
        ]
        ramps = [[one.from_ns, one.until_ns, one.begin, one.end] for one in self.ramps]
        return {"op": "plan", "id": self.score_id, "device": self.device, "stretches": stretches, "ramps": ramps}


def read_plan(message: dict[str, Any]) -> SoundPlan:
    """A `plan` message."""
    stretches = tuple(SoundStretch(*one) for one in message["stretches"])
    return SoundPlan(message["device"], stretches, tuple(Ramp(*one) for one in message["ramps"]), message["id"])


def plan_of(score: Score) -> SoundPlan:
    """The plan of a score. The sound's delay moves the files but not the levels, so quiet hours stay quiet."""
    stretches: list[SoundStretch] = []
    for one in score.segments:
        picture = one.picture
        if one.sound_path is None or picture is None or picture.still is not None:
            continue
        length_ns = due_ns(picture.frames, 0, picture.fps)  # rounded up: else a turn of 1 ns would follow
        if picture.ended:  # it plays to its end and does not repeat
            length_ns = max(length_ns, one.until_ns - picture.zero_ns)
        moved_ns = score.delay_ns - score.offset_ns
        from_ns, until_ns = one.from_ns + moved_ns, one.until_ns + moved_ns
        last = stretches[-1] if stretches else None
        if (
            last
            and (last.path, last.score_zero_ns, last.until_ns) == (one.sound_path, picture.zero_ns, from_ns)
            and last.gain == one.gain
        ):
            from_ns = stretches.pop().from_ns
        zero_ns = picture.zero_ns
        stretches.append(
            SoundStretch(from_ns, until_ns, one.sound_path, zero_ns + moved_ns, length_ns, one.gain, zero_ns)
        )
    return SoundPlan(score.device, tuple(stretches), tuple(_ramps(score)), score.id)


def _ramps(score: Score) -> Iterator[Ramp]:
    """The ramps of a score's volume. Adjacent segments of one constant volume become one ramp."""
    joined: Segment | None = None
    for first, second in pairwise((*score.segments, None)):
        assert first
        begin = joined or first
        flat = begin.sound_from == begin.sound_until == first.sound_until
        if flat and second and second.sound_from == second.sound_until == begin.sound_from:
            joined = begin
            continue
        joined = None
        offset_ns = score.offset_ns
        yield Ramp(begin.from_ns - offset_ns, first.until_ns - offset_ns, begin.sound_from, first.sound_until)
