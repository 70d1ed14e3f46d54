"""A running order laid out in time: which piece, gap or filler fills every instant from an opening to its closing.

Pure arithmetic on instants. What was begun stays begun: whether a piece could end in time is judged by what was known
at its beginning, so that a later pause never rewrites the past.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from hashlib import sha256
from itertools import count, islice
from typing import NamedTuple
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.holds import Hold, end_of, held_of, next_mark, runs
from gloaming.daemon.direction.score import SECOND_NS, Mix, Picture


@dataclass(frozen=True, slots=True)
class Piece:
    """What the programme needs to know of a piece: its frames' place, number and rate.

    `sound_ns` is how long its sound is, where that is another length than its frames'.
    """

    name: str
    path: str
    frames: int
    fps: Fraction
    sound: bool = False
    sound_ns: int | None = None

    @property
    def frames_ns(self) -> int:
        """The shortest time, rounded up to whole nanoseconds, in which every frame has had its full turn."""
        return -(-self.frames * self.fps.denominator * SECOND_NS // self.fps.numerator)

    @property
    def length_ns(self) -> int:
        """As long as its frames or its sound, whichever is longer."""
        return max(self.frames_ns, self.sound_ns or 0)

    def picture(self, zero_ns: int) -> Picture:
        """The moving picture whose frame 0 is due at `zero_ns`."""
        return Picture(self.name, self.path, self.frames, self.fps, zero_ns)

    def turns(self, from_ns: int, until_ns: int, zero_ns: int) -> Iterator[tuple[int, int, Picture, bool]]:
        """What is given of it over an interval, begun at `zero_ns` and again after its length: stretches
        `(from_ns, until_ns, picture, sound)`. Where its sound is longer than its frames, each turn ends in black."""
        if self.sound_ns is None:
            yield from_ns, until_ns, self.picture(zero_ns), self.sound
            return
        longer, first_ns, length_ns = self.sound_ns > self.frames_ns, min(self.frames_ns, self.sound_ns), self.length_ns
        while from_ns < until_ns:
            turn_ns = zero_ns + (from_ns - zero_ns) // length_ns * length_ns
            over = from_ns - turn_ns >= first_ns
            end_ns = min(until_ns, turn_ns + (length_ns if over else first_ns))
            picture = replace(self.picture(turn_ns), ended=over) if longer else self.picture(zero_ns)
            yield from_ns, end_ns, picture, longer or not over
            from_ns = end_ns


@dataclass(frozen=True, slots=True)
class Giving:
    """A show given once: on a night of a performance, or because it was called.

    `to_ns` is the closing; a piece that ends by `latest_ns` may be begun when `finish` is set, and then finishes.
    `order` holds the pieces that can be played; `left_out` names those that cannot.
    """

    show: str
    date: date
    opens_ns: int
    to_ns: int
    latest_ns: int
    finish: bool
    rank: int
    order: tuple[Piece, ...]
    shuffled: bool = False
    gap_ns: int = 0
    cross_fade_ns: int = 0
    start_every_ns: int | None = None
    between: Piece | None = None
    left_out: tuple[str, ...] = ()
    place: str = ""
    show_place: str = ""
    opens_by: str = ""
    closes_by: str = ""
    called: int | None = None

    def __hash__(self) -> int:
        """Cheap: a giving is the key of many tables, and its pieces are many."""
        return hash((self.opens_ns, self.place))


class Part(NamedTuple):
    """A stretch of a programme: a piece, or (`filler`) what fills the time between pieces.

    `picture` is None where nothing is shown, and `sound` says whether its sound lasts here. `note` says why a filler
    fills. `begins_ns` is the instant at which the piece as a whole began, and `cut` whether it is taken off before its
    end. `mix` is what was shown before it and is still fading away.
    """

    from_ns: int
    until_ns: int
    filler: bool
    piece: Piece | None
    picture: Picture | None
    note: str
    begins_ns: int
    cut: bool = False
    sound: bool = False
    mix: Mix | None = None


class Mark(NamedTuple):
    """How far a programme was laid out, and of how many parts and pieces, when a piece was about to have its turn."""

    at_ns: int
    parts: int
    pieces: int
    at_once: bool


@dataclass(frozen=True, slots=True)
class Programme:
    """Every part of a giving, without a gap, from its opening to its end; `marks` are where it can be gone on from."""

    parts: tuple[Part, ...]
    marks: tuple[Mark, ...]

    @property
    def until_ns(self) -> int | None:
        """When it ends."""
        return self.parts[-1].until_ns if self.parts else None

    def mark_before(self, at_ns: int) -> Mark | None:
        """The last mark before an instant: whatever comes to be known from then on leaves it as it is."""
        place = bisect_left(self.marks, at_ns, key=lambda mark: mark.at_ns)
        return self.marks[place - 1] if place else None


def _shuffled(giving: Giving, number: int) -> tuple[Piece, ...]:
    """The order of one round, by a hash of date, show and round: the same on every board and every Python."""

    def key(place: int) -> bytes:
        seed = f"{giving.date.isoformat()}/{giving.show}/{number}/{place}/{giving.order[place].name}"
        return sha256(seed.encode()).digest()

    return tuple(giving.order[place] for place in sorted(range(len(giving.order)), key=key))


def _rounds(giving: Giving) -> Iterator[tuple[bool, Piece]]:
    """Every piece in turn, and whether it is the first of a round; shuffled, no piece comes twice running."""
    last: Piece | None = None
    for number in count():
        order = _shuffled(giving, number) if giving.shuffled else giving.order
        if giving.shuffled and len(set(order)) > 1:
            while order[0] == last:
                order = (*order[1:], order[0])
        for place, piece in enumerate(order):
            yield place == 0, piece
        last = order[-1]


class _Layout:
    """Lays out one giving; holds the instant reached and the parts so far."""

    def __init__(self, giving: Giving, standing: tuple[Hold, ...], skips: tuple[int, ...], zone: ZoneInfo) -> None:
        self.giving, self.standing, self.zone = giving, standing, zone
        self.held = tuple(held_of(standing))
        self.skips = [skip for skip in sorted(skips) if giving.opens_ns <= skip]
        self.at_ns = giving.opens_ns
        self.parts: list[Part] = []
        self.marks: list[Mark] = []
        self.at_once = True

    def run(self) -> Programme:
        if self.giving.order:
            self.play_all()
        else:
            self.fill(self.giving.to_ns, "no piece of the show can be played")
        return Programme(tuple(self.parts), tuple(self.marks))

    def go_on(self, before: Programme, mark: Mark) -> Programme:
        """From a mark of what was laid out before."""
        self.parts[:] = before.parts[: mark.parts]
        self.marks[:] = before.marks[: before.marks.index(mark)]
        self.at_ns, self.at_once = mark.at_ns, mark.at_once
        self.play_all(mark.pieces)
        return Programme(tuple(self.parts), tuple(self.marks))

    def play_all(self, first: int = 0) -> None:
        giving = self.giving
        for number, (round_begins, piece) in enumerate(islice(_rounds(giving), first, None), first):
            self.marks.append(Mark(self.at_ns, len(self.parts), number, self.at_once))
            if giving.start_every_ns and round_begins:
                mark_ns = next_mark(self.at_ns, giving.start_every_ns, self.zone)
                self.fill(min(mark_ns, giving.to_ns), "until the order begins on the clock")
            elif not self.at_once:
                self.fill(end_of(self.at_ns, giving.gap_ns, self.held), "between pieces")
            if self.at_ns >= giving.to_ns:
                break
            if giving.finish and self.known_end(piece) > giving.latest_ns:
                self.fill(giving.to_ns, f"{piece.name} could not end in time", skippable=False)
                break
            self.play(piece)

    def known_end(self, piece: Piece) -> int:
        known = [hold for hold in (hold.known_at(self.at_ns) for hold in self.standing) if hold]
        return end_of(self.at_ns, piece.length_ns, tuple(held_of(tuple(known))))

    def play(self, piece: Piece) -> None:
        giving = self.giving
        length_ns = piece.length_ns
        end_ns = limit_ns = end_of(self.at_ns, length_ns, self.held)
        if end_ns > giving.to_ns and not (giving.finish and end_ns <= giving.latest_ns):
            limit_ns = max(giving.to_ns, self.made_late_ns(piece)) if giving.finish else giving.to_ns
        limit_ns = self.skip_before(limit_ns)
        self.add(piece, limit_ns, length_ns, filler=False, note="", cut=limit_ns < end_ns)

    def made_late_ns(self, piece: Piece) -> int:
        """When the pause was asked for with which a piece could no longer end in time."""
        for number, hold in enumerate(self.standing, 1):
            if self.at_ns < hold.pause.at_ns:
                held = tuple(held_of(self.standing[:number]))
                if end_of(self.at_ns, piece.length_ns, held) > self.giving.latest_ns:
                    return hold.pause.at_ns
        return self.at_ns

    def fill(self, until_ns: int, note: str, skippable: bool = True) -> None:
        if skippable:
            until_ns = self.skip_before(until_ns)
        until_ns = min(until_ns, self.giving.to_ns)
        if until_ns > self.at_ns:
            self.add(self.giving.between, until_ns, until_ns - self.at_ns, filler=True, note=note, cut=False)

    def skip_before(self, until_ns: int) -> int:
        """The first skip before an instant, taken from the list, or that instant."""
        while self.skips and self.skips[0] <= self.at_ns:
            self.skips.pop(0)
        self.at_once = bool(self.skips) and self.skips[0] < until_ns
        return self.skips.pop(0) if self.at_once else until_ns

    def add(self, piece: Piece | None, until_ns: int, length_ns: int, *, filler: bool, note: str, cut: bool) -> None:
        begins_ns, mix = self.at_ns, self.mix(piece)
        for from_ns, end_ns, zero_ns, still in runs(begins_ns, length_ns, self.held):
            if from_ns >= until_ns:
                break
            for part_ns, after_ns, picture, sound in _stretches(piece, from_ns, min(end_ns, until_ns), zero_ns, still):
                part = Part(part_ns, after_ns, filler, piece, picture, note, begins_ns, cut, sound)
                self.parts += _mixed(part, mix) if mix else (part,)
        self.at_ns = until_ns

    def mix(self, piece: Piece | None) -> Mix | None:
        """What is shown now and fades away under what comes: a piece's last frame, or a filler that goes on."""
        last = self.parts[-1] if self.parts else None
        if not self.giving.cross_fade_ns or not piece or not last or not last.picture or last.picture.ended:
            return None
        picture = last.picture if last.filler else replace(last.picture, still=last.picture.frame_at(self.at_ns - 1))
        return Mix(picture, self.at_ns, self.at_ns + self.giving.cross_fade_ns)


def _stretches(
    piece: Piece | None, from_ns: int, until_ns: int, zero_ns: int, still: bool
) -> Iterator[tuple[int, int, Picture | None, bool]]:
    if piece is None:
        yield from_ns, until_ns, None, False
    elif still:
        _, _, picture, sound = next(piece.turns(from_ns, until_ns, zero_ns))
        yield from_ns, until_ns, replace(picture, still=picture.frame_at(from_ns)), sound
    else:
        yield from piece.turns(from_ns, until_ns, zero_ns)


def _mixed(part: Part, mix: Mix) -> Iterator[Part]:
    """A part, cut where what was before it has faded away. Nothing is mixed while it stands still or is dark."""
    picture = part.picture
    if part.from_ns >= mix.until_ns or not picture or picture.ended or picture.still is not None:
        yield part
        return
    yield part._replace(until_ns=min(part.until_ns, mix.until_ns), mix=mix)
    if part.until_ns > mix.until_ns:
        yield part._replace(from_ns=mix.until_ns)


def programme(
    giving: Giving,
    standing: tuple[Hold, ...],
    skips: tuple[int, ...],
    zone: ZoneInfo,
    before: Programme | None = None,
    parting_ns: int = 0,
) -> Programme:
    """A giving laid out; `before` is how it was laid out with the same holds and skips up to `parting_ns`."""
    layout = _Layout(giving, standing, skips, zone)
    if before and before.until_ns is not None and before.until_ns < parting_ns:
        return before
    mark = before.mark_before(parting_ns) if before else None
    return layout.go_on(before, mark) if before and mark else layout.run()
