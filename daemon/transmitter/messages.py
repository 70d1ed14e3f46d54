"""What the director says, as values: setup and score (windows.py has `dark`). PROTOCOL.md is the contract.

No sockets, no clock.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any
from uuid import UUID

from gloaming.daemon.transmitter.checks import (
    UNIVERSES,
    address,
    amount,
    instant,
    rate,
    share,
    source_name,
    text,
    whole,
)
from gloaming.daemon.transmitter.limiter import Limits, read_limits
from gloaming.daemon.transmitter.packets import IPV4, IPV6, Heading, Target
from gloaming.shows.protocols.e131 import PRIORITY_MAX, SLOTS_MAX
from gloaming.shows.time_units import SECOND_NS

TTL = 20
FRAMES_MAX = 1 << 40
_GROUPS = {False: (), True: (IPV4,), "ipv4": (IPV4,), "ipv6": (IPV6,), "both": (IPV4, IPV6)}


@dataclass(frozen=True, slots=True)
class Setup:
    """How packets are to look and where they go."""

    heading: Heading
    interface: str | None
    at_rest: str
    sequence_from: int
    targets: tuple[Target, ...]
    wire: str | None
    ttl: int
    dscp: int
    loop: bool
    limits: Limits | None = None

    def without(self, other: Setup | None) -> Setup:
        """What is left of it where another takes over: all of it, unless that is the same source on the same way."""
        if other is None or (other.heading.cid, other.interface) != (self.heading.cid, self.interface):
            return self
        kept = {(target.number, host) for target in other.targets for host in target.hosts}
        left = [
            replace(target, hosts=tuple(host for host in target.hosts if (target.number, host) not in kept))
            for target in self.targets
        ]
        return replace(self, targets=tuple(target for target in left if target.hosts), limits=None)


@dataclass(frozen=True, slots=True)
class Mix:
    """The other picture of a cross-fade, and its share of the brightness in a straight line."""

    path: str | None
    frames: int
    fps: Fraction
    zero_ns: int
    still: int | None
    look: int
    share_from: float
    share_until: float


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of the score: frames of a file, or one level on every channel, at a brightness in a straight line."""

    from_ns: int
    until_ns: int
    path: str | None
    piece: str | None
    frames: int
    fps: Fraction
    zero_ns: int
    still: int | None
    look: int
    level_from: float
    level_until: float
    sound: str | None = None
    gain: float = 1.0
    sound_from: float = 0.0
    sound_until: float = 0.0
    mix: Mix | None = None
    rest: bool = False

    @property
    def dark(self) -> bool:
        """Whether nothing of it is to be seen."""
        black = self.path is None and self.look == 0 and self.mix is None
        return black or self.level_from == self.level_until == 0

    @property
    def picture(self) -> tuple[str | None, int, int | None, int]:
        """What is shown, apart from when and how bright."""
        return self.path, self.zero_ns, self.still, self.look

    @property
    def moves(self) -> bool:
        """Whether it looks different from one instant to the next, though no frame of it is due."""
        return self.level_from != self.level_until or self.mix is not None

    def level_at(self, at_ns: int) -> float:
        return self._between(self.level_from, self.level_until, at_ns)

    def below(self, ceiling: float) -> Segment:
        """The same, nowhere brighter than a ceiling."""
        return replace(self, level_from=min(self.level_from, ceiling), level_until=min(self.level_until, ceiling))

    def share_at(self, at_ns: int) -> float:
        """The other picture's share of the brightness."""
        return self._between(self.mix.share_from, self.mix.share_until, at_ns) if self.mix else 0.0

    def _between(self, begin: float, end: float, at_ns: int) -> float:
        return begin + (end - begin) * (at_ns - self.from_ns) / (self.until_ns - self.from_ns)


@dataclass(frozen=True, slots=True)
class Score:
    """Segments in order, and how the two clocks stand to each other; from which device sound comes, how much later."""

    id: int
    offset_ns: int
    wall_offset_ns: int
    segments: tuple[Segment, ...]
    begins: tuple[int, ...]
    device: str | None = None
    delay_ns: int = 0
    files: int | None = None
    """Names the look that the director has had into the frame files; their lengths are from it."""

    def at(self, at_ns: int) -> Segment | None:
        """The segment of an instant, None outside the score."""
        place = bisect_right(self.begins, at_ns) - 1
        segment = self.segments[place] if place >= 0 else None
        return segment if segment and at_ns < segment.until_ns else None

    def next_begin(self, at_ns: int) -> int | None:
        """When the next segment after an instant begins."""
        place = bisect_right(self.begins, at_ns)
        return self.begins[place] if place < len(self.begins) else None

    def after(self, at_ns: int) -> Segment | None:
        """The first later segment that shows frames of a file."""
        place = bisect_right(self.begins, at_ns)
        return next(
            (segment for segment in self.segments[place : place + 4] if segment.path and not segment.dark), None
        )


def read_setup(message: dict[str, Any]) -> Setup:
    """A `setup` message. LookupError, TypeError, AttributeError or ValueError where it is not one."""
    synchronization = message["synchronization"]
    heading = Heading(
        cid=UUID(message["cid"]),
        source_name=source_name(message["source_name"]),
        priority=whole(message["priority"], 0, PRIORITY_MAX),
        synchronization=None if synchronization is None else whole(synchronization, *UNIVERSES),
        preview=bool(message.get("preview", False)),
    )
    targets = tuple(
        Target(
            whole(one["number"], *UNIVERSES),
            whole(one["slots"], 1, SLOTS_MAX),
            (*map(address, one["hosts"]), *_GROUPS[one["multicast"]]),
            whole(one.get("spread_ns", 0), 0, SECOND_NS),
            whole(one.get("lead_ns", 0), 0, 10 * SECOND_NS),
        )
        for one in message["universes"]
    )
    if len({target.number for target in targets}) != len(targets):
        raise ValueError("a universe comes twice")
    return Setup(
        heading=heading,
        interface=text(message["interface"]),
        at_rest=str(message["at_rest"]),
        sequence_from=whole(message["sequence_from"], 0, 255),
        targets=targets,
        wire=text(message.get("wire")),
        ttl=whole(message.get("ttl", TTL), 0, 255),
        dscp=whole(message.get("dscp", 0), 0, 63),
        loop=bool(message.get("loop", False)),
        limits=read_limits(message.get("limits")),
    )


def _read_mix(one: dict[str, Any]) -> Mix:
    return Mix(
        path=text(one["path"]),
        frames=whole(one["frames"], 1, FRAMES_MAX),
        fps=rate(one["fps"]),
        zero_ns=instant(one["zero_ns"]),
        still=None if one["still"] is None else whole(one["still"], 0, FRAMES_MAX),
        look=whole(one["look"], 0, 255),
        share_from=share(one["share"][0]),
        share_until=share(one["share"][1]),
    )


def read_score(message: dict[str, Any]) -> Score:
    """A `score` message."""
    anchor = message["anchor"]
    segments = tuple(
        Segment(
            from_ns=instant(one["from_ns"]),
            until_ns=instant(one["until_ns"]),
            path=text(one["path"]),
            piece=text(one["piece"]),
            frames=whole(one["frames"], 1, FRAMES_MAX),
            fps=rate(one["fps"]),
            zero_ns=instant(one["zero_ns"]),
            still=None if one["still"] is None else whole(one["still"], 0, FRAMES_MAX),
            look=whole(one["look"], 0, 255),
            level_from=share(one["level"][0]),
            level_until=share(one["level"][1]),
            mix=_read_mix(one["mix"]) if one.get("mix") else None,
            sound=text(one.get("sound")),
            gain=amount(one.get("gain", 1)),
            sound_from=share(one.get("sound_level", (0, 0))[0]),
            sound_until=share(one.get("sound_level", (0, 0))[1]),
            rest=bool(one.get("rest", False)),
        )
        for one in message["segments"]
    )
    if any(segment.until_ns <= segment.from_ns for segment in segments):
        raise ValueError("a segment does not last")
    if any(after.from_ns < before.until_ns for before, after in pairwise(segments)):
        raise ValueError("a segment begins before the one before it has ended")
    return Score(
        id=int(message["id"]),
        offset_ns=instant(anchor["utc_ns"]) - instant(anchor["monotonic_ns"]),
        wall_offset_ns=instant(message["wall_offset_ns"]),
        segments=segments,
        begins=tuple(segment.from_ns for segment in segments),
        device=text(message.get("device")),
        delay_ns=instant(message.get("delay_ns", 0)),
        files=None if message.get("files") is None else int(message["files"]),
    )
