"""Lays a running order out in time: the piece, gap or filler of every instant from an opening to its closing.

Pure arithmetic on instants. Whether a piece could end in time is judged by what was known at its beginning, so that a
later pause never changes the past. Rounds that repeat are laid out once.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache
from hashlib import sha256
from itertools import count
from typing import NamedTuple
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.pauses import Interval, StandStill, end_of, next_mark, runs, still_intervals
from gloaming.daemon.direction.rundown import Occurrence, Rundown, RundownBlock, RundownPart, RundownPiece
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.score.score import Mix, Picture


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
