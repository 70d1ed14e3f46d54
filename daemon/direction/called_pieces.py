"""When called pieces are given: at once, or after the piece that plays then and the called pieces before. Pure.

For each part of the rig there is one queue. A piece that is called for now comes before those that wait. Dark hours, a
skip and an undo end a piece; pauses lengthen it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

from gloaming.daemon.direction.occurrences import facts, rundown_piece
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.pauses import end_of, still_intervals
from gloaming.daemon.direction.rules_in_force import CalledPiece, DayFacts, HeldRule
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.daemon.direction.zones_in_force import overrides_in, zones_of_parts

Calls = tuple[CalledPiece, ...]


@lru_cache(maxsize=6)
def called_pieces(
    site: SiteProtocol, day_ns: int, overrides: tuple[Override, ...], held: tuple[HeldRule, ...] = ()
) -> Calls:
    """All called pieces that can matter on the UTC day that begins at `day_ns`, those for the whole rig first.

    One that is not given at all, because it was ended while it waited or would begin in dark hours, is left out or has
    no length. Those for a zone are looked up where it is in the fewest other zones, so that all of it shows the same.
    """
    calls = [one for one in overrides if one.piece]
    found: Calls = ()
    for zone in sorted({one.zone for one in calls}, key=lambda zone: zone or ""):
        zones = zones_of(zone, site, overrides)
        if zones is not None:
            known = facts(site.in_zones(zones), day_ns, overrides_in(overrides, zones), held, found)
            found += _Queue(known, site).give(one for one in calls if one.zone == zone)
    return found


def zones_of(zone: str | None, site: SiteProtocol, overrides: Iterable[Override]) -> frozenset[str] | None:
    """The zones of the area where a call for a zone is looked up. None where the rig does not have the zone."""
    return min(zones_of_parts(zone, site, overrides), key=len, default=None)


class _Queue:
    """The called pieces of one part of the rig, in the order of their calls."""

    def __init__(self, known: DayFacts, site: SiteProtocol) -> None:
        self._known, self._site = known, site
        self._still = tuple(still_intervals(known.stand_stills))
        self._dark = [window for window in known.windows if window.ceiling == 0]
        self._given: list[CalledPiece] = []
        self._waiting: list[Override] = []
        self._free_ns = 0  # when the next one may begin

    def give(self, calls: Iterable[Override]) -> Calls:
        for call in sorted(calls, key=lambda call: (call.at_ns, call.id)):
            self._give_waiting(call.at_ns)
            if not call.after:
                if call.end_ns > call.at_ns:  # it may be ended while its sound is prepared
                    self._begin(call, call.at_ns)
            else:
                if not self._waiting and self._free_ns <= call.at_ns:
                    self._free_ns = self._end_of_piece(call.at_ns)
                self._waiting.append(call)
        self._give_waiting(None)
        return tuple(self._given)

    def _give_waiting(self, until_ns: int | None) -> None:
        """Begin those that wait and whose turn comes before an instant: one that is called for then comes first."""
        while self._waiting and (until_ns is None or self._free_ns < until_ns):
            call = self._waiting.pop(0)
            if call.end_ns > self._free_ns:
                self._begin(call, self._free_ns)

    def _begin(self, call: Override, at_ns: int) -> None:
        if self._given and self._given[-1].until_ns > at_ns:
            self._given[-1] = self._given[-1]._replace(until_ns=at_ns, skipped=False)
        ends_ns = self._end(call, at_ns)
        skip_ns = min((skip_ns for skip_ns in self._known.skips if at_ns < skip_ns < ends_ns), default=None)
        self._given.append(CalledPiece(call, at_ns, skip_ns or ends_ns, skip_ns is not None))
        self._free_ns = self._given[-1].until_ns

    def _end(self, call: Override, at_ns: int) -> int:
        """When a piece that begins at an instant ends, without a skip: at once in dark hours, or if it is damaged."""
        piece = rundown_piece(call.piece or "", self._site)
        if piece is None or piece.is_damaged(at_ns):
            return at_ns
        dark = [max(at_ns, window.from_ns) for window in self._dark if window.until_ns > at_ns]
        return min([end_of(at_ns, piece.length_ns, self._still), call.end_ns, *dark])

    def _end_of_piece(self, at_ns: int) -> int:
        """When the piece that plays at an instant ends; that instant where none plays."""
        known = replace(self._known, called=(*self._known.called, *self._given))
        given = known.show_at(at_ns)
        end_ns = known.rundown(given).end_of_piece(at_ns) if given else None
        return at_ns if given is None or end_ns is None else min(end_ns, known.end_of(given))
