"""The moments of the show: when pieces and shows begin and end on the wire, looked up as the score is. Pure.

They are those of the rest of the rig. A piece is on the wire while it plays. A pause neither ends nor begins it. While
the rig waits, is dark or shows a rig check, no piece is. A show is on the wire from its beginning to its end, with the
time between its pieces. A piece that comes back on the wire in its middle, as after a call, begins again.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from typing import NamedTuple

from gloaming.daemon.direction.decide import day_plan
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.rules_in_force import HeldRule
from gloaming.daemon.direction.score import DecidedSegment, ReasonCode, State
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.shows.time_units import DAY_NS


class At(StrEnum):
    """The kinds of moment, in the order of those at one instant."""

    PIECE_ENDS = "piece-ends"
    SHOW_ENDS = "show-ends"
    SHOW_BEGINS = "show-begins"
    PIECE_BEGINS = "piece-begins"

    @property
    def begins(self) -> bool:
        return self in (At.SHOW_BEGINS, At.PIECE_BEGINS)

    @property
    def of_a_piece(self) -> bool:
        return self in (At.PIECE_BEGINS, At.PIECE_ENDS)


class OnWire(NamedTuple):
    """What is on the wire: the show, the piece, and when the piece's first frame was due."""

    show: str | None = None
    piece: str | None = None
    zero_ns: int | None = None


class Moment(NamedTuple):
    """A moment of a piece or of a show. `on_wire` is what is on the wire after all moments of its instant."""

    at_ns: int
    at: At
    show: str | None
    piece: str | None
    on_wire: OnWire

    @property
    def name(self) -> str | None:
        """The name of what begins or ends."""
        return self.piece if self.at.of_a_piece else self.show


def moments(
    from_ns: int,
    until_ns: int,
    on_wire: OnWire,
    site: SiteProtocol,
    overrides: tuple[Override, ...] = (),
    held: tuple[HeldRule, ...] = (),
) -> Iterator[Moment]:
    """The moments of `[from_ns, until_ns)`, each looked up when it is needed. `on_wire` is what was there before."""
    for day_ns in range(from_ns // DAY_NS * DAY_NS, until_ns, DAY_NS):
        for segment in day_plan(day_ns, site, overrides, held).segments_between(from_ns, until_ns):
            was, on_wire = on_wire, _after(on_wire, segment)
            yield from _between(was, on_wire, max(from_ns, segment.from_ns))


def _after(was: OnWire, segment: DecidedSegment) -> OnWire:
    """What is on the wire in a segment that follows."""
    state, picture, show = segment.state, segment.picture, segment.show
    if state == State.PAUSED and (show or picture):
        return was
    if state == State.PLAYING and picture:
        goes_on = picture.piece == was.piece and (picture.zero_ns == was.zero_ns or picture.zero_ns != segment.from_ns)
        return OnWire(show, picture.piece, was.zero_ns if goes_on else picture.zero_ns)
    given = state == State.WAITING and any(reason.code == ReasonCode.OPENED for reason in segment.reasons)
    return OnWire(show) if given or state == State.PLAYING else OnWire()


def _between(was: OnWire, now: OnWire, at_ns: int) -> Iterator[Moment]:
    other = (was.piece, was.zero_ns) != (now.piece, now.zero_ns)
    if was.piece and other:
        yield Moment(at_ns, At.PIECE_ENDS, was.show, was.piece, now)
    if was.show and was.show != now.show:
        yield Moment(at_ns, At.SHOW_ENDS, was.show, None, now)
    if now.show and was.show != now.show:
        yield Moment(at_ns, At.SHOW_BEGINS, now.show, None, now)
    if now.piece and other:
        yield Moment(at_ns, At.PIECE_BEGINS, now.show, now.piece, now)
