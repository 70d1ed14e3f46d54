"""What the director says, as values: setup, dark windows, score. PROTOCOL.md is the contract. No sockets, no clock."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any
from uuid import UUID

from gloaming.daemon.transmitter.limiter import Limits, read_limits
from gloaming.daemon.transmitter.packets import IPV4, IPV6, Heading, Target

TTL = 20
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


@dataclass(frozen=True, slots=True)
class Dark:
    """The neighbours' dark windows, known for `[from_ns, until_ns)`. Where nothing is known it is dark."""

    from_ns: int
    until_ns: int
    begins: tuple[int, ...]
    ends: tuple[int, ...]
    low: tuple[tuple[int, int, float], ...] = ()
    """Where the neighbours let a rig check be lit all the same: from, until, how bright at the most."""

    def ceiling(self, at_ns: int) -> float:
        """How bright it may be at an instant."""
        if not self.at(at_ns):
            return 1.0
        known = self.from_ns <= at_ns < self.until_ns
        return max([0.0, *(level for begin, end, level in self.low if known and begin <= at_ns < end)])

    def at(self, at_ns: int) -> bool:
        """Whether light is forbidden at an instant."""
        if not self.from_ns <= at_ns < self.until_ns:
            return True
        place = bisect_right(self.begins, at_ns) - 1
        return place >= 0 and at_ns < self.ends[place]

    def next_edge(self, at_ns: int) -> int:
        """The next instant after another at which light may become forbidden or allowed."""
        places = (bisect_right(self.begins, at_ns), bisect_right(self.ends, at_ns))
        later = [*self.begins[places[0] : places[0] + 1], *self.ends[places[1] : places[1] + 1]]
        others = (self.from_ns, self.until_ns, *(edge for begin, end, _ in self.low for edge in (begin, end)))
        later += [edge for edge in others if edge > at_ns]
        return min(later, default=at_ns + 3_600_000_000_000)


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

    @property
    def dark(self) -> bool:
        """Whether nothing of it is to be seen."""
        black = self.path is None and self.look == 0 and self.mix is None
        return black or self.level_from == self.level_until == 0

    @property
    def picture(self) -> tuple[str | None, int, int | None, int]:
        """What is shown, apart from when and how bright."""
        return self.path, self.zero_ns, self.still, self.look

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
    """A `setup` message. KeyError, TypeError or ValueError where it is not one."""
    heading = Heading(
        cid=UUID(message["cid"]),
        source_name=str(message["source_name"]),
        priority=int(message["priority"]),
        synchronization=message["synchronization"],
        preview=bool(message.get("preview", False)),
    )
    return Setup(
        heading=heading,
        interface=message["interface"],
        at_rest=message["at_rest"],
        sequence_from=int(message["sequence_from"]) & 0xFF,
        targets=tuple(
            Target(
                int(one["number"]),
                int(one["slots"]),
                (*one["hosts"], *_GROUPS[one["multicast"]]),
                int(one.get("spread_ns", 0)),
                int(one.get("lead_ns", 0)),
            )
            for one in message["universes"]
        ),
        wire=message.get("wire"),
        ttl=int(message.get("ttl", TTL)),
        dscp=int(message.get("dscp", 0)),
        loop=bool(message.get("loop", False)),
        limits=read_limits(message.get("limits")),
    )


def read_dark(message: dict[str, Any]) -> Dark:
    """A `dark` message; windows that touch or overlap are made one."""
    merged: list[list[int]] = []
    for begin, end in sorted((int(begin), int(end)) for begin, end in message["windows"]):
        if merged and begin <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([begin, end])
    begins, ends = tuple(window[0] for window in merged), tuple(window[1] for window in merged)
    low = tuple((int(begin), int(end), float(level)) for begin, end, level in message.get("low", ()))
    return Dark(int(message["from_ns"]), int(message["until_ns"]), begins, ends, low)


def _read_mix(one: dict[str, Any]) -> Mix:
    shares = [float(share) for share in one["share"]]
    mix = Mix(
        path=one["path"],
        frames=int(one["frames"]),
        fps=Fraction(*one["fps"]),
        zero_ns=int(one["zero_ns"]),
        still=one["still"],
        look=int(one["look"]),
        share_from=shares[0],
        share_until=shares[1],
    )
    if mix.frames < 1 or not all(0 <= share <= 1 for share in shares):
        raise ValueError("a mix without frames, or with a share that is none")
    return mix


def read_score(message: dict[str, Any]) -> Score:
    """A `score` message."""
    anchor = message["anchor"]
    segments = tuple(
        Segment(
            from_ns=int(one["from_ns"]),
            until_ns=int(one["until_ns"]),
            path=one["path"],
            piece=one["piece"],
            frames=int(one["frames"]),
            fps=Fraction(*one["fps"]),
            zero_ns=int(one["zero_ns"]),
            still=one["still"],
            look=int(one["look"]),
            level_from=float(one["level"][0]),
            level_until=float(one["level"][1]),
            mix=_read_mix(one["mix"]) if one.get("mix") else None,
            sound=one.get("sound"),
            gain=float(one.get("gain", 1)),
            sound_from=float(one.get("sound_level", (0, 0))[0]),
            sound_until=float(one.get("sound_level", (0, 0))[1]),
        )
        for one in message["segments"]
    )
    if any(segment.until_ns <= segment.from_ns or segment.frames < 1 for segment in segments):
        raise ValueError("a segment that does not last, or has no frames")
    return Score(
        id=int(message["id"]),
        offset_ns=int(anchor["utc_ns"]) - int(anchor["monotonic_ns"]),
        wall_offset_ns=int(message["wall_offset_ns"]),
        segments=segments,
        begins=tuple(segment.from_ns for segment in segments),
        device=message.get("device"),
        delay_ns=int(message.get("delay_ns", 0)),
    )
