"""What everybody may know at an instant, for signs and pages: titles, opening times, and when they next change.

It says nothing of overrides: in a pause, in dark hours and in a rig check there is no title.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import time, timedelta
from typing import NamedTuple

from gloaming.daemon.direction.decide import day_plan, isoformat, near
from gloaming.daemon.direction.occurrences import next_opening
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.rules_in_force import HeldRule
from gloaming.daemon.direction.score import DecidedSegment, State
from gloaming.daemon.direction.zones_in_force import REST, areas_of
from gloaming.daemon.reports.nights import season
from gloaming.daemon.site.site import Piece, Site
from gloaming.daemon.timetable.zones import local_date, resolve
from gloaming.shows.time_units import DAY_NS


class OpeningTimes(NamedTuple):
    """The opening and closing of the evening under way, else of one still to come before the next noon; the opening
    after that instant. They hold until `until_ns`."""

    opens_ns: int | None
    closes_ns: int | None
    next_ns: int | None
    until_ns: int


@dataclass(frozen=True, slots=True)
class PublicNow:
    """What everybody may know at an instant. It may be another from `until_ns` on."""

    title: str | None = None
    artist: str | None = None
    next_title: str | None = None
    opens_ns: int | None = None
    closes_ns: int | None = None
    next_opening_ns: int | None = None
    until_ns: int | None = field(default=None, compare=False)

    def as_json(self, site: Site) -> dict[str, str | None]:
        def at(at_ns: int | None) -> str | None:
            return None if at_ns is None else isoformat(at_ns, site.timezone)

        return {
            "title": self.title,
            "artist": self.artist,
            "next_title": self.next_title,
            "opens": at(self.opens_ns),
            "closes": at(self.closes_ns),
            "next_opening": at(self.next_opening_ns),
        }


def opening_times(at_ns: int, site: Site) -> OpeningTimes:
    """The opening times at an instant, without overrides. Performances that follow each other are one evening."""
    today = local_date(at_ns, site.timezone)
    noons = (resolve(today + timedelta(days=days), time(12), site.timezone) for days in (0, 1))
    noon_ns = next(noon_ns for noon_ns in noons if noon_ns > at_ns)
    evenings: list[tuple[int, int]] = []
    for row in season(site, today - timedelta(days=1), today + timedelta(days=1)):
        begins_ns, ends_ns = row.night.opens_ns, row.closes_ns
        if evenings and begins_ns <= evenings[-1][1]:
            begins_ns, before_ns = evenings.pop()
            ends_ns = max(ends_ns, before_ns)
        evenings.append((begins_ns, ends_ns))
    tonight = ((opens, closes) for opens, closes in evenings if closes > at_ns and opens < noon_ns)
    opens_ns, closes_ns = next(tonight, (None, None))
    if opens_ns and at_ns < opens_ns:
        return OpeningTimes(opens_ns, closes_ns, opens_ns, opens_ns)
    views = {site.in_zones(zones) for zones in (REST, *(frozenset([one]) for one in site.zones_with_rules))}
    later = (next_opening(view, closes_ns or at_ns + 1) for view in views)
    next_ns = min((each_ns for each_ns in later if each_ns is not None), default=None)
    return OpeningTimes(opens_ns, closes_ns, next_ns, closes_ns or noon_ns)


def public_now(
    at_ns: int, site: Site, times: OpeningTimes, overrides: tuple[Override, ...] = (), held: tuple[HeldRule, ...] = ()
) -> PublicNow:
    """What everybody may know: of the rest of the rig, or of the first area that gives a show where the rest gives
    none. `times` are those of the instant."""

    def coming(zones: frozenset[str]) -> Iterator[DecidedSegment]:
        for day_ns in (at_ns // DAY_NS * DAY_NS, at_ns // DAY_NS * DAY_NS + DAY_NS):
            yield from day_plan(day_ns, site, overrides, held, zones).segments_between(at_ns, day_ns + DAY_NS)

    areas = (REST, *(area.zones for area in areas_of(site, near(overrides, at_ns))))
    now = {zones: next(coming(zones)) for zones in areas}
    given = next((zones for zones, one in now.items() if one.given), None)
    piece = after = None
    if given is not None:
        piece, after = _piece(now[given], site), _piece(_next(coming(given)), site)
    return PublicNow(
        title=piece.title if piece else None,
        artist=(piece.artist or None) if piece else None,
        next_title=after.title if after else None,
        opens_ns=times.opens_ns,
        closes_ns=times.closes_ns,
        next_opening_ns=times.next_ns,
        until_ns=min([times.until_ns, *(one.until_ns for one in now.values())]),
    )


def _piece(segment: DecidedSegment | None, site: Site) -> Piece | None:
    playing = segment is not None and segment.state == State.PLAYING and segment.picture
    return site.pieces.get(playing.piece) if playing else None


def _next(coming: Iterator[DecidedSegment]) -> DecidedSegment | None:
    """The segment in which the next piece begins, of the segments from now on; None once no show is given."""
    now = next(coming)
    for segment in coming:
        if not segment.given:
            return None
        if segment.state == State.PLAYING and _turn(segment) != _turn(now):
            return segment
    return None


def _turn(segment: DecidedSegment) -> object:
    picture = segment.picture if segment.state == State.PLAYING else None
    return picture and (picture.piece, picture.zero_ns)
