"""What a running order is in time: a show that is given once, and the piece, gap or filler of its every instant."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from typing import NamedTuple

from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.score.score import Mix, Picture
from gloaming.shows.time_units import SECOND_NS


@dataclass(frozen=True, slots=True)
class RundownPiece:
    """What the rundown needs of a piece: path, number and rate of its frames.

    `sound_ns` is the length of its sound where that differs from the length of its frames. `damaged` has the intervals
    in which its frames were known to be damaged (an end of None: they still are). It is not begun in them.
    """

    name: str
    path: str
    frames: int
    fps: Fraction
    sound: bool = False
    sound_ns: int | None = None
    damaged: tuple[tuple[int, int | None], ...] = ()

    def is_damaged(self, at_ns: int) -> bool:
        """Whether its frames were known to be damaged at an instant."""
        return any(since_ns <= at_ns and (until_ns is None or at_ns < until_ns) for since_ns, until_ns in self.damaged)

    def damage_after(self, at_ns: int) -> Iterator[int]:
        """The instants after `at_ns` at which damage becomes known or is repaired."""
        return (edge for span in self.damaged for edge in span if edge is not None and edge > at_ns)

    def frames_ns(self, turns: int = 1) -> int:
        """The time of so many turns of all frames, rounded up to whole nanoseconds."""
        return -(-turns * self.frames * self.fps.denominator * SECOND_NS // self.fps.numerator)

    def turns_within(self, length_ns: int) -> int:
        """How many full turns of the frames end within a time."""
        return length_ns * self.fps.numerator // (self.frames * self.fps.denominator * SECOND_NS)

    @property
    def length_ns(self) -> int:
        """The length of its frames or its sound, whichever is longer."""
        return max(self.frames_ns(), self.sound_ns or 0)

    def picture(self, zero_ns: int) -> Picture:
        """The moving picture whose frame 0 is due at `zero_ns`."""
        return Picture(self.name, self.path, self.frames, self.fps, zero_ns)

    def turns(self, from_ns: int, until_ns: int, zero_ns: int) -> Iterator[tuple[int, int, Picture, bool]]:
        """Its stretches `(from_ns, until_ns, picture, sound)` in an interval, repeated from `zero_ns`.

        Where its sound is longer than its frames, each turn ends in black.
        """
        if self.sound_ns is None:
            yield from_ns, until_ns, self.picture(zero_ns), self.sound
            return
        frames_ns, length_ns = self.frames_ns(), self.length_ns
        longer, first_ns = self.sound_ns > frames_ns, min(frames_ns, self.sound_ns)
        while from_ns < until_ns:
            turn_ns = zero_ns + (from_ns - zero_ns) // length_ns * length_ns
            over = from_ns - turn_ns >= first_ns
            end_ns = min(until_ns, turn_ns + (length_ns if over else first_ns))
            picture = replace(self.picture(turn_ns), ended=over) if longer else self.picture(zero_ns)
            yield from_ns, end_ns, picture, longer or not over
            from_ns = end_ns


@dataclass(frozen=True, slots=True)
class Occurrence:
    """A show given once: one evening of a performance, or a call. A called piece is one too, without a `show`.

    `to_ns` is the closing. With `finish`, a piece may begin if it ends by `latest_ns`, and then it finishes. `order`
    has the pieces that can be played; `left_out` names those that cannot. With `goes_round`, the order is one piece
    that repeats with nothing between.
    """

    show: str
    date: date
    opens_ns: int
    to_ns: int
    latest_ns: int
    finish: bool
    rank: int
    order: tuple[RundownPiece, ...]
    shuffled: bool = False
    gap_ns: int = 0
    cross_fade_ns: int = 0
    start_every_ns: int | None = None
    between: RundownPiece | None = None
    left_out: tuple[str, ...] = ()
    place: str = ""
    show_place: str = ""
    opens_by: str = ""
    closes_by: str = ""
    called: int | None = None
    goes_round: bool = False

    @property
    def has_sound(self) -> bool:
        """Whether any of its pieces has sound."""
        return any(piece and piece.sound for piece in (*self.order, self.between))

    def __hash__(self) -> int:
        """A cheap hash: an occurrence is a key of many tables and has many pieces."""
        return hash((self.opens_ns, self.place))


class RundownPart(NamedTuple):
    """A stretch of a rundown: a piece, or (`filler`) what fills the time between pieces.

    `picture` is None where nothing is shown. `sound` tells whether the piece has sound here. A filler has a `note`, the
    reason for it, and `awaited` names the piece that could not begin. `begins_ns` is the beginning of the whole piece.
    `mix` is the earlier picture that still fades away.
    """

    from_ns: int
    until_ns: int
    piece: RundownPiece | None
    picture: Picture | None
    note: ReasonCode | None
    begins_ns: int
    sound: bool = False
    mix: Mix | None = None
    awaited: str = ""

    @property
    def filler(self) -> bool:
        return self.note is not None

    @property
    def fault(self) -> bool:
        """Whether no piece can be played."""
        return self.note == ReasonCode.NOTHING_PLAYABLE

    def later(self, by_ns: int) -> RundownPart:
        """The same part, later by a time."""
        if not by_ns:
            return self
        picture, mix = self.picture, self.mix
        return self._replace(
            from_ns=self.from_ns + by_ns,
            until_ns=self.until_ns + by_ns,
            begins_ns=self.begins_ns + by_ns,
            picture=picture and picture.later(by_ns),
            mix=mix and Mix(mix.picture.later(by_ns), mix.from_ns + by_ns, mix.until_ns + by_ns),
        )


class RundownBlock(NamedTuple):
    """Parts that follow each other and repeat every `period_ns`, from `from_ns` until `until_ns`."""

    from_ns: int
    until_ns: int
    period_ns: int
    parts: tuple[RundownPart, ...]

    def part_at(self, at_ns: int) -> RundownPart:
        """The part that holds an instant of the block."""
        shift_ns = (at_ns - self.from_ns) // self.period_ns * self.period_ns
        return self.parts[bisect_right(self.parts, at_ns - shift_ns, key=_begin) - 1].later(shift_ns)


def _begin(stretch: RundownPart | RundownBlock) -> int:
    return stretch.from_ns


@dataclass(frozen=True, slots=True)
class Rundown:
    """All parts of an occurrence, without a gap, from its opening to its end."""

    blocks: tuple[RundownBlock, ...]

    @property
    def until_ns(self) -> int | None:
        """When it ends."""
        return self.blocks[-1].until_ns if self.blocks else None

    @property
    def pieces(self) -> set[str]:
        """The names of the pieces that are played."""
        parts = (part for block in self.blocks for part in block.parts)
        return {part.piece.name for part in parts if part.piece and not part.filler}

    def part_at(self, at_ns: int) -> RundownPart | None:
        """The part that holds an instant, None before the opening and after the end."""
        block = self.block_at(at_ns)
        return block.part_at(at_ns) if block else None

    def block_at(self, at_ns: int) -> RundownBlock | None:
        """The block that holds an instant, None before the opening and after the end."""
        place = bisect_right(self.blocks, at_ns, key=_begin) - 1
        return self.blocks[place] if place >= 0 and at_ns < self.blocks[place].until_ns else None

    def end_of_piece(self, at_ns: int) -> int | None:
        """When the piece that plays at an instant ends, or its turn if it repeats; None where none plays."""
        part = self.part_at(at_ns)
        if part is None or part.filler or part.piece is None or part.picture is None:
            return None
        piece, begins_ns = part.piece, part.begins_ns
        place_ns = (at_ns if part.picture.still is None else part.from_ns) - part.picture.zero_ns
        turns = piece.turns_within(place_ns) if piece.sound_ns is None else 0
        length_ns = piece.frames_ns(turns + 1) if piece.sound_ns is None else piece.length_ns
        end_ns = part.from_ns
        while part and part.picture and not part.filler and (part.piece, part.begins_ns) == (piece, begins_ns):
            end_ns = part.until_ns
            if part.picture.still is None:
                end_ns = min(end_ns, part.picture.zero_ns + length_ns)
            if end_ns < part.until_ns:
                break
            part = self.part_at(end_ns)
        return end_ns

    def counted(self, from_ns: int, until_ns: int, rounds: bool) -> Iterator[tuple[RundownPart, int]]:
        """The parts that overlap an interval, with counts. With `rounds`, repeated rounds are counted together."""
        at_ns = from_ns
        while at_ns < until_ns and (block := self.block_at(at_ns)):
            times = (min(block.until_ns, until_ns) - at_ns) // block.period_ns
            if rounds and times > 1 and (at_ns - block.from_ns) % block.period_ns == 0:
                yield from ((part.later(at_ns - block.from_ns), times) for part in block.parts)
                at_ns += times * block.period_ns
            else:
                part = block.part_at(at_ns)
                yield part, 1
                at_ns = part.until_ns

    def change_after(self, at_ns: int) -> int | None:
        """When a filler next follows a piece, or a piece a filler, or when the rundown ends."""
        first = self.part_at(at_ns)
        for block in self.blocks[max(0, bisect_right(self.blocks, at_ns, key=_begin) - 1) :] if first else ():
            part_ns = max(at_ns, block.from_ns)
            round_ns = min(block.until_ns, part_ns + block.period_ns)
            while part_ns < round_ns:
                part = block.part_at(part_ns)
                if first and part.filler != first.filler:
                    return part.from_ns
                part_ns = part.until_ns
        return self.until_ns if first else None
