"""The season without playing it: the planner's code decides every minute, and the results are added up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import date, time, timedelta
from itertools import pairwise

from gloaming.daemon.direction.decide import isoformat, score, segment_at
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.score import DecidedSegment, Reason, ReasonCode, State
from gloaming.daemon.direction.zones_in_force import REST
from gloaming.daemon.reports.facts import Fact, FactOutcome, play
from gloaming.daemon.reports.nights import SeasonNight, season
from gloaming.daemon.score.score import Picture
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.zones import resolve
from gloaming.shows.time_units import HOUR_NS, MINUTE_NS

Key = tuple[str | None, str, int]
"""One turn of a piece: the show, the piece and the instant of its frame 0."""


@dataclass(frozen=True, slots=True)
class Cut:
    """A piece that is cut before its end, or a night that closes before its time."""

    at_ns: int
    what: str
    by: str
    alike: str
    """The same text for cuts that differ only in the night."""


@dataclass(frozen=True, slots=True)
class _Shown:
    """A moving picture, from when until when it is shown, what ends it, and how often it had begun again before."""

    picture: Picture
    from_ns: int
    until_ns: int
    by: Reason
    turns: int = 0

    @property
    def repeats(self) -> int:
        """How many times it has begun again."""
        return self.turns + self.picture.turn_at(self.until_ns - 1) - self.picture.turn_at(self.from_ns)


@dataclass
class Rehearsal:
    """The sums of a season. A minute counts by its first instant."""

    rows: tuple[SeasonNight, ...] = ()
    minutes: Counter[State] = field(default_factory=Counter)
    lit_minutes: int = 0
    sound_minutes: int = 0
    pieces: Counter[str] = field(default_factory=Counter)
    gaps: int = 0
    gaps_ns: int = 0
    cuts: list[Cut] = field(default_factory=list)
    facts: tuple[FactOutcome, ...] = ()
    """What the facts do that were given."""

    def as_json(self, site: Site) -> dict[str, object]:
        """The figures as `gloaming rehearse --json` prints them."""
        return {
            "nights": [row.as_json(site) for row in self.rows],
            "lit_hours": round(self.lit_minutes / 60, 2),
            "sound_hours": round(self.sound_minutes / 60, 2),
            "pieces": dict(sorted(self.pieces.items())),
            "gaps": self.gaps,
            "gaps_hours": round(self.gaps_ns / HOUR_NS, 2),
            "states_minutes": {str(state): minutes for state, minutes in sorted(self.minutes.items())},
            "cuts": [{"at": isoformat(cut.at_ns, site.timezone), "what": cut.what, "by": cut.by} for cut in self.cuts],
            **({"facts": [one.as_json(site) for one in self.facts]} if self.facts else {}),
        }


def rehearse(
    site: Site,
    first: date,
    last: date,
    overrides: tuple[Override, ...] = (),
    progress: Callable[[int, int], None] | None = None,
    facts: Iterable[Fact] = (),
) -> Rehearsal:
    """Decide every minute from the noon of `first` to the noon after `last`, site time.

    A minute is lit if the rest of the rig or the zone of a performance is. Pieces and cuts are those of both; states,
    sound and gaps are those of the rest. `progress` gets the days done and the days in all. The `facts` make further
    overrides. InputError for a mistake in them.
    """
    made, outcomes = play(site, facts, resolve(last + timedelta(days=1), time(12), site.timezone))
    overrides += made
    result = Rehearsal(rows=season(site, first, last), facts=outcomes)
    shown: dict[Key, _Shown] = {}
    places = dict.fromkeys((REST, *(row.zones for row in result.rows)))
    days = (last - first).days + 1
    for offset in range(days):
        date_ = first + timedelta(days=offset)
        from_ns, until_ns = (resolve(date_ + timedelta(days=more), time(12), site.timezone) for more in (0, 1))
        for at_ns in range(from_ns, until_ns, MINUTE_NS):
            rest, *others = (segment_at(at_ns, site, overrides, zones=zones) for zones in places)
            result.minutes[rest.state] += 1
            result.lit_minutes += any(one.level_at(at_ns) > 0 for one in (rest, *others))
            result.sound_minutes += rest.sound
        _follow(result, shown, score(from_ns, until_ns, site, overrides), site.output.fade)
        for zones in [*places][1:]:
            own: dict[Key, _Shown] = {}
            _follow(
                Rehearsal(result.rows), own, score(from_ns, until_ns, site, overrides, zones=zones), site.output.fade
            )
            shown.update({key: one for key, one in own.items() if key not in shown})
        if progress:
            progress(offset + 1, days)
    _add_up(result, shown, site)
    return result


def _follow(result: Rehearsal, shown: dict[Key, _Shown], segments: tuple[DecidedSegment, ...], fade_ns: int) -> None:
    """Note until when each piece is shown, and what ends it. Add up the time between pieces."""
    closings = {(row.night.show, row.closes_ns) for row in result.rows}
    before: DecidedSegment | None = None
    for segment, after in pairwise((*segments, None)):
        assert segment
        same_gap = before is not None and (before.state, before.show) == (State.WAITING, segment.show)
        before = segment
        if not segment.given:
            continue
        if segment.state == State.WAITING:
            result.gaps += not same_gap
            result.gaps_ns += segment.until_ns - segment.from_ns
        elif segment.state == State.PLAYING and segment.picture and segment.picture.still is None:
            key = (segment.show, segment.picture.piece, segment.picture.zero_ns)
            closes = (segment.show, segment.until_ns) in closings
            one = _Shown(segment.picture, segment.from_ns, segment.until_ns, _by(segment, after, closes))
            if first := shown.get(key):
                one = replace(first, until_ns=one.until_ns, by=one.by)
            else:
                stopped = next((other for other in reversed(shown) if other[:2] == key[:2]), None)
                if stopped and _goes_on(shown[stopped], one, fade_ns):
                    one = replace(one, turns=shown.pop(stopped).repeats)
            shown[key] = one


def _goes_on(before: _Shown, after: _Shown, fade_ns: int) -> bool:
    """Whether a piece goes on where it stopped, as after a pause or a called piece. It stops when a fade is over."""
    place_ns, stopped_ns = after.from_ns - after.picture.zero_ns, before.until_ns - before.picture.zero_ns
    return place_ns > 0 and 0 <= place_ns - stopped_ns <= fade_ns


def _by(segment: DecidedSegment, after: DecidedSegment | None, closes: bool) -> Reason:
    """What ends a piece: the neighbours' hours, an override, the closing of its show, or the opening of another."""
    first = after.reasons[0] if after and after.reasons else None
    if first and (first.code == ReasonCode.DARK_HOURS or first.override is not None):
        return first
    if after and after.show and not closes:
        return _opened(after) or after.reasons[-1]
    return _opened(segment) or segment.reasons[0]


def _opened(segment: DecidedSegment) -> Reason | None:
    return next((reason for reason in segment.reasons if reason.code == ReasonCode.OPENED), None)


def _add_up(result: Rehearsal, shown: dict[Key, _Shown], site: Site) -> None:
    for (_, piece, zero_ns), one in shown.items():
        picture, last_ns, turns = one.picture, one.until_ns - 1, 1
        end_ns = zero_ns + (site.pieces[piece].length_ns or 0)
        if site.pieces[piece].sound_ns is None:  # it may have several turns
            turns += one.repeats
            end_ns = picture.due_ns(picture.frames, last_ns)
        result.pieces[piece] += turns
        if one.until_ns < end_ns:
            rule = f"({one.by.rule})"
            result.cuts.append(
                Cut(one.until_ns, piece, f"{one.by.text} {rule}", f"{one.by.brief or one.by.text} {rule}")
            )
    result.cuts += [
        Cut(row.night.to_ns, f"the night of {row.night.date}", row.night.cut_by, row.night.cut_by)
        for row in result.rows
        if row.night.cut_by
    ]
    result.cuts.sort(key=lambda cut: cut.at_ns)
