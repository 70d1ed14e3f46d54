"""Follows the moments of the show on the wire: those that have happened since the last look, and those to come."""

from __future__ import annotations

from typing import NamedTuple

from gloaming.daemon.direction.moments import At, Moment, OnWire, moments
from gloaming.daemon.planner.situation import Situation
from gloaming.shows.time_units import DAY_NS, MINUTE_NS, SECOND_NS

AHEAD_NS = 20 * MINUTE_NS
"""Moments are known for this time at least, unless something new is asked for."""
APART_NS = 900 * SECOND_NS
"""If the last look was so long ago, the clock was set or the machine stood still: what happened meanwhile is missed."""
BACK_NS = 10 * SECOND_NS
"""If the clock is set back by less, there is no moment until it has reached the last look again."""
NEXT_NS = DAY_NS // 4


class Followed(NamedTuple):
    """The moments of a look, and what is on the wire. `anew` at the first look: then those of the day before have
    happened."""

    anew: bool = False
    happened: tuple[Moment, ...] = ()
    coming: tuple[Moment, ...] = ()
    on_wire: OnWire = OnWire()


class ShowMoments:
    """What is on the wire stays as it was seen. Only what is to come follows the site and the overrides of now."""

    def __init__(self, situation: Situation) -> None:
        self._situation = situation
        self._seen_ns: int | None = None
        self._facts: tuple[object, ...] = ()
        self._known_until_ns = 0
        self._coming: tuple[Moment, ...] = ()
        self._on_wire = OnWire()

    def forget(self) -> None:
        """Begin anew at the next look."""
        self._seen_ns = None

    def look(self, now_ns: int, ahead_ns: int) -> Followed:
        """The moments since the last look, and those of at least `ahead_ns` to come."""
        seen_ns = self._seen_ns
        if seen_ns is not None and seen_ns - BACK_NS <= now_ns < seen_ns:
            return Followed(False, (), self._coming, self._on_wire)
        anew = seen_ns is None or not seen_ns <= now_ns <= seen_ns + APART_NS
        if anew or seen_ns is None:
            seen_ns, self._on_wire = now_ns - DAY_NS, OnWire()
        now = self._situation
        facts = (now.site, now.overrides, now.held)
        if anew or facts != self._facts or now_ns + ahead_ns > self._known_until_ns:
            self._facts, self._known_until_ns = facts, now_ns + ahead_ns + AHEAD_NS
            self._coming = tuple(
                moments(seen_ns, self._known_until_ns, self._on_wire, now.site, now.overrides, now.held)
            )
        happened = tuple(one for one in self._coming if one.at_ns <= now_ns)
        self._coming, self._seen_ns = self._coming[len(happened) :], now_ns
        if happened:
            self._on_wire = happened[-1].on_wire
        return Followed(anew, happened, self._coming, self._on_wire)

    def values(self, moment: Moment) -> dict[str, str]:
        """The value of each placeholder at a moment."""
        pieces = self._situation.site.pieces
        piece, after = pieces.get(moment.piece or ""), pieces.get(self._next_piece(moment) or "")
        return {
            "piece": piece.name if piece else "",
            "title": piece.title or piece.name if piece else "",
            "artist": piece.artist if piece else "",
            "show": moment.show or "",
            "length": minutes_text(piece.length_ns or 0) if piece else "",
            "next": after.name if after else "",
            "next_title": after.title or after.name if after else "",
        }

    def _next_piece(self, moment: Moment) -> str | None:
        """The piece that begins next, or at the moment itself if that is not the beginning of one. None if the show
        ends before."""
        now, at_ns = self._situation, moment.at_ns
        on_wire = moment.on_wire if moment.at == At.PIECE_BEGINS else OnWire(moment.on_wire.show)
        for one in moments(at_ns, at_ns + NEXT_NS, on_wire, now.site, now.overrides, now.held):
            if one.at == At.PIECE_BEGINS:
                return one.piece
            if one.at == At.SHOW_ENDS and one.on_wire.show is None:
                return None
        return None


def minutes_text(length_ns: int) -> str:
    """A length in minutes and seconds: "3:45"."""
    minutes, seconds = divmod(round(length_ns / SECOND_NS), 60)
    return f"{minutes}:{seconds:02}"
