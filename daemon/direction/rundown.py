"""A running order laid out in time: the piece, gap or filler of every instant from an opening to its closing.

Pure arithmetic on instants. Whether a piece could end in time is judged by what was known at its beginning, so that a
later pause never changes the past. Rounds that repeat are laid out once.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from functools import lru_cache
from hashlib import sha256
from itertools import count
from typing import NamedTuple
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.pauses import Interval, StandStill, end_of, next_mark, runs, still_intervals
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


def _shuffled(occurrence: Occurrence, number: int) -> tuple[RundownPiece, ...]:
    """The order of one round, from a hash of date, show and round: the same on every board and every Python."""

    def key(place: int) -> bytes:
        seed = f"{occurrence.date.isoformat()}/{occurrence.show}/{number}/{place}/{occurrence.order[place].name}"
        return sha256(seed.encode()).digest()

    return tuple(occurrence.order[place] for place in sorted(range(len(occurrence.order)), key=key))


def _rounds(occurrence: Occurrence) -> Iterator[tuple[bool, RundownPiece]]:
    """Every piece in turn, and whether it is the first of a round. Shuffled, no piece comes twice in a row."""
    last: RundownPiece | None = None
    for number in count():
        order = _shuffled(occurrence, number) if occurrence.shuffled else occurrence.order
        if occurrence.shuffled and len(set(order)) > 1:
            while order[0] == last:
                order = (*order[1:], order[0])
        for place, piece in enumerate(order):
            yield place == 0, piece
        last = order[-1]


class _Round(NamedTuple):
    """The state of the layout before a round: `free_ns` is when something next interrupts."""

    at_ns: int
    parts: int
    at_once: bool
    free_ns: int


class _Layout:
    """Lays out one occurrence. It holds the instant reached, the blocks so far, and the parts since the last block."""

    def __init__(
        self,
        occurrence: Occurrence,
        stand_stills: tuple[StandStill, ...],
        skips: tuple[int, ...],
        zone: ZoneInfo,
        called: tuple[Interval, ...],
    ) -> None:
        self.occurrence, self.stand_stills, self.zone, self.called = occurrence, stand_stills, zone, called
        self.still = tuple(still_intervals((*stand_stills, *called)))
        self.skips = [skip for skip in sorted(skips) if occurrence.opens_ns <= skip]
        self.at_ns = occurrence.opens_ns
        self.blocks: list[RundownBlock] = []
        self.parts: list[RundownPart] = []
        self.last: RundownPart | None = None
        self.round: _Round | None = None
        self.at_once = True

    def run(self) -> Rundown:
        if not self.occurrence.order:
            self.wait_for_a_piece()
        elif self.occurrence.goes_round:
            self.go_round(self.occurrence.order[0])
        else:
            self.play_all()
        self.close()
        return Rundown(tuple(self.blocks))

    def close(self) -> None:
        """Make a block of the parts that are in no block yet."""
        if self.parts:
            from_ns, until_ns = self.parts[0].from_ns, self.parts[-1].until_ns
            self.blocks.append(RundownBlock(from_ns, until_ns, until_ns - from_ns, tuple(self.parts)))
            self.parts = []

    def play_all(self) -> None:
        occurrence = self.occurrence
        for round_begins, piece in _rounds(occurrence):
            if round_begins:
                self.repeat()
            if occurrence.start_every_ns and round_begins:
                mark_ns = next_mark(self.at_ns, occurrence.start_every_ns, self.zone)
                self.fill(min(mark_ns, occurrence.to_ns), ReasonCode.ORDER_BEGINS_LATER)
            elif not self.at_once:
                self.fill(end_of(self.at_ns, occurrence.gap_ns, self.still), ReasonCode.BETWEEN)
            self.wait()
            if self.at_ns < occurrence.to_ns and piece.is_damaged(self.at_ns):
                self.at_once = True
                if all(one.is_damaged(self.at_ns) for one in occurrence.order):
                    self.wait_for_a_piece()
                continue
            if self.at_ns >= occurrence.to_ns or self.too_late(piece, piece.length_ns):
                break
            self.play(piece, piece.length_ns)

    def repeat(self) -> None:
        """Repeat the last round, if nothing interrupted it, until something does."""
        before, self.round = self.round, _Round(self.at_ns, len(self.parts), self.at_once, self.free_ns())
        occurrence = self.occurrence
        if before is None or before.at_once or self.at_once or before.free_ns < self.at_ns:
            return
        if occurrence.shuffled or occurrence.start_every_ns:
            return
        period_ns = self.at_ns - before.at_ns
        times = (self.round.free_ns - self.at_ns) // period_ns
        if times > 0:
            again = tuple(part.later(period_ns) for part in self.parts[before.parts :])
            self.close()
            self.blocks.append(RundownBlock(self.at_ns, self.at_ns + times * period_ns, period_ns, again))
            self.at_ns += times * period_ns
            self.last = again[-1].later((times - 1) * period_ns)
            self.round = None

    def go_round(self, piece: RundownPiece) -> None:
        """Repeat one piece with nothing between, as one picture, until something interrupts."""
        begins_ns, turns = self.at_ns, 0
        while self.wait() < self.occurrence.to_ns:
            if piece.is_damaged(self.at_ns):
                self.wait_for_a_piece()
                begins_ns, turns = self.at_ns, 0
                continue
            gone_ns = piece.frames_ns(turns)
            whole = max(turns, piece.turns_within(self.free_ns() - self.at_ns + gone_ns))
            if whole > turns:
                length_ns = piece.frames_ns(whole) - gone_ns
                self.add(piece, self.at_ns + length_ns, length_ns, begins_ns=begins_ns, gone_ns=gone_ns)
                turns = whole
                continue
            length_ns = piece.frames_ns(turns + 1) - gone_ns
            if self.too_late(piece, length_ns):
                break
            self.play(piece, length_ns, begins_ns, gone_ns)
            begins_ns, turns = (self.at_ns, 0) if self.at_once else (begins_ns, turns + 1)

    def wait(self) -> int:
        """Wait while a called piece is given: no piece of the show begins then. The instant reached."""
        for one in self.called:
            until_ns = min(one.until_ns, self.occurrence.to_ns)
            if one.from_ns <= self.at_ns < until_ns:
                self.add(None, until_ns, until_ns - self.at_ns, ReasonCode.BETWEEN)
        return self.at_ns

    def wait_for_a_piece(self) -> None:
        """Fill the time until a piece of the order is repaired, or to the end."""
        until_ns = min(
            (at_ns for piece in self.occurrence.order for at_ns in piece.damage_after(self.at_ns)), default=None
        )
        until_ns = self.occurrence.to_ns if until_ns is None else until_ns
        self.fill(until_ns, ReasonCode.NOTHING_PLAYABLE, skippable=False)

    def free_ns(self) -> int:
        """When something next interrupts: a skip, a pause, a called piece, damage, or the closing. During a pause or a
        called piece, at once."""
        if any(from_ns <= self.at_ns < until_ns for from_ns, until_ns in self.still):
            return self.at_ns
        pieces = {*self.occurrence.order, self.occurrence.between}
        damage = (at_ns for piece in pieces if piece for at_ns in piece.damage_after(self.at_ns))
        skip = bisect_right(self.skips, self.at_ns)
        still = [*(one.from_ns for one in self.stand_stills), *(one.from_ns for one in self.called)]
        coming = [*self.skips[skip : skip + 1], *still, *damage]
        return max(self.at_ns, min([self.occurrence.to_ns, *(at_ns for at_ns in coming if at_ns > self.at_ns)]))

    def too_late(self, piece: RundownPiece, length_ns: int) -> bool:
        """Whether a piece could not end in time, by what is known now. If so, fill the rest of the time."""
        occurrence = self.occurrence
        if not occurrence.finish or self.known_end(length_ns) <= occurrence.latest_ns:
            return False
        self.fill(occurrence.to_ns, ReasonCode.COULD_NOT_END, skippable=False, awaited=piece.name)
        return True

    def known_end(self, length_ns: int) -> int:
        known = [one for one in (one.known_at(self.at_ns) for one in self.stand_stills) if one]
        return end_of(self.at_ns, length_ns, tuple(still_intervals(tuple(known))))

    def play(self, piece: RundownPiece, length_ns: int, begins_ns: int | None = None, gone_ns: int = 0) -> None:
        occurrence = self.occurrence
        end_ns = end_of(self.at_ns, length_ns, self.still)
        if end_ns > occurrence.to_ns and not (occurrence.finish and end_ns <= occurrence.latest_ns):
            end_ns = max(occurrence.to_ns, self.made_late_ns(length_ns)) if occurrence.finish else occurrence.to_ns
        self.add(piece, self.skip_before(end_ns), length_ns, begins_ns=begins_ns, gone_ns=gone_ns)

    def made_late_ns(self, length_ns: int) -> int:
        """When somebody asked for the pause after which a piece could no longer end in time. With called pieces alone
        it plays to the latest end."""
        for number, one in enumerate(self.stand_stills, 1):
            if self.at_ns < one.pause.at_ns:
                still = tuple(still_intervals(self.stand_stills[:number]))
                if end_of(self.at_ns, length_ns, still) > self.occurrence.latest_ns:
                    return one.pause.at_ns
        return self.occurrence.latest_ns

    def fill(self, until_ns: int, note: ReasonCode, skippable: bool = True, awaited: str = "") -> None:
        if skippable:
            until_ns = self.skip_before(until_ns)
        until_ns, between = min(until_ns, self.occurrence.to_ns), self.occurrence.between
        while until_ns > self.at_ns:
            end_ns = min([until_ns, *(between.damage_after(self.at_ns) if between else ())])
            shown = None if between and between.is_damaged(self.at_ns) else between
            self.add(shown, end_ns, end_ns - self.at_ns, note, awaited=awaited)

    def skip_before(self, until_ns: int) -> int:
        """The first skip before an instant, taken from the list, or that instant."""
        while self.skips and self.skips[0] <= self.at_ns:
            self.skips.pop(0)
        self.at_once = bool(self.skips) and self.skips[0] < until_ns
        return self.skips.pop(0) if self.at_once else until_ns

    def add(
        self,
        piece: RundownPiece | None,
        until_ns: int,
        length_ns: int,
        note: ReasonCode | None = None,
        *,
        begins_ns: int | None = None,
        gone_ns: int = 0,
        awaited: str = "",
    ) -> None:
        """Add a piece, or with a `note` a filler. It has already run for `gone_ns` since `begins_ns`."""
        begins_ns, mix = self.at_ns if begins_ns is None else begins_ns, self.mix(piece)
        for from_ns, end_ns, zero_ns, still in runs(self.at_ns, length_ns, self.still):
            if from_ns >= until_ns:
                break
            zero_ns -= gone_ns
            for part_ns, after_ns, picture, sound in _stretches(piece, from_ns, min(end_ns, until_ns), zero_ns, still):
                part = RundownPart(part_ns, after_ns, piece, picture, note, begins_ns, sound, awaited=awaited)
                if gone_ns and self.parts and self.parts[-1]._replace(from_ns=part_ns, until_ns=after_ns) == part:
                    part = self.parts.pop()._replace(until_ns=after_ns)
                self.parts += _mixed(part, mix) if mix else (part,)
        self.at_ns, self.last = until_ns, self.parts[-1]

    def mix(self, piece: RundownPiece | None) -> Mix | None:
        """The picture that fades away under `piece`: the last frame of a piece, or a filler that moves on."""
        last = self.last
        if not self.occurrence.cross_fade_ns or not piece or not last or not last.picture or last.picture.ended:
            return None
        if piece == last.piece and piece.frames == 1:
            return None  # it would fade into itself
        picture = last.picture if last.filler else replace(last.picture, still=last.picture.frame_at(self.at_ns - 1))
        return Mix(picture, self.at_ns, self.at_ns + self.occurrence.cross_fade_ns)


def _stretches(
    piece: RundownPiece | None, from_ns: int, until_ns: int, zero_ns: int, still: bool
) -> Iterator[tuple[int, int, Picture | None, bool]]:
    if piece is None:
        yield from_ns, until_ns, None, False
    elif still:
        _, _, picture, sound = next(piece.turns(from_ns, until_ns, zero_ns))
        yield from_ns, until_ns, replace(picture, still=picture.frame_at(from_ns)), sound
    else:
        yield from piece.turns(from_ns, until_ns, zero_ns)


def _mixed(part: RundownPart, mix: Mix) -> Iterator[RundownPart]:
    """A part, cut at the end of the mix. There is no mix while the part stands still or is dark."""
    picture = part.picture
    if part.from_ns >= mix.until_ns or not picture or picture.ended or picture.still is not None:
        yield part
        return
    yield part._replace(until_ns=min(part.until_ns, mix.until_ns), mix=mix)
    if part.until_ns > mix.until_ns:
        yield part._replace(from_ns=mix.until_ns)


@lru_cache(maxsize=16)
def rundown(
    occurrence: Occurrence,
    stand_stills: tuple[StandStill, ...],
    skips: tuple[int, ...],
    zone: ZoneInfo,
    called: tuple[Interval, ...] = (),
) -> Rundown:
    """The rundown of an occurrence, which stands still while `called` pieces are given.

    The last few are cached, because one evening belongs to more than one day.
    """
    return _Layout(occurrence, stand_stills, skips, zone, called).run()
