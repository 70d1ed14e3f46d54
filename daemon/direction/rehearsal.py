"""The season without playing it: every minute decided by the code that the director runs, and added up."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, time, timedelta

from gloaming.daemon.direction.decide import day, segment_at
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.programme import Part
from gloaming.daemon.direction.score import SECOND_NS, State
from gloaming.daemon.direction.season import Row, season
from gloaming.daemon.site import Site
from gloaming.daemon.timetable.local import resolve

MINUTE_NS = 60 * SECOND_NS


@dataclass(frozen=True, slots=True)
class Cut:
    """A piece taken off before its end, or a night closed before its time."""

    at_ns: int
    what: str
    by: str


@dataclass
class Rehearsal:
    """What a season comes to. Minutes are counted where the minute's first instant was so."""

    rows: tuple[Row, ...] = ()
    minutes: Counter[State] = field(default_factory=Counter)
    lit_minutes: int = 0
    sound_minutes: int = 0
    pieces: Counter[str] = field(default_factory=Counter)
    fill_ns: int = 0
    cuts: list[Cut] = field(default_factory=list)

    def as_json(self) -> dict[str, object]:
        """The figures as `gloaming rehearse --json` prints them."""
        return {
            "nights": len(self.rows),
            "lit_hours": round(self.lit_minutes / 60, 2),
            "sound_hours": round(self.sound_minutes / 60, 2),
            "pieces": dict(sorted(self.pieces.items())),
            "between_hours": round(self.fill_ns / (3600 * SECOND_NS), 2),
            "states_minutes": {str(state): minutes for state, minutes in sorted(self.minutes.items())},
            "cuts": len(self.cuts),
        }


def rehearse(
    site: Site,
    first: date,
    last: date,
    overrides: tuple[Override, ...] = (),
    progress: Callable[[date], None] | None = None,
) -> Rehearsal:
    """Decide every minute from the noon of `first` to the noon after `last`, site time."""
    result = Rehearsal(rows=season(site, first, last))
    for offset in range((last - first).days + 1):
        date_ = first + timedelta(days=offset)
        from_ns, until_ns = (resolve(date_ + timedelta(days=more), time(12), site.timezone) for more in (0, 1))
        for at_ns in range(from_ns, until_ns, MINUTE_NS):
            segment = segment_at(at_ns, site, overrides)
            result.minutes[segment.state] += 1
            result.lit_minutes += segment.level_at(at_ns) > 0
            result.sound_minutes += segment.sound
        if progress:
            progress(date_)
    for row in result.rows:
        _add_night(result, row, site, overrides)
    return result


def _add_night(result: Rehearsal, row: Row, site: Site, overrides: tuple[Override, ...]) -> None:
    begun: dict[int, Part] = {}
    for part in day(row.night.opens_ns, site, overrides).programmes[row.giving]:
        if part.filler:
            result.fill_ns += part.until_ns - part.from_ns
        elif part.piece:
            begun[part.begins_ns] = part
    for part in begun.values():
        assert part.piece is not None
        result.pieces[part.piece.name] += 1
        if part.cut:
            result.cuts.append(Cut(part.until_ns, part.piece.name, row.giving.closes_by))
    if row.night.cut_by:
        result.cuts.append(Cut(row.night.to_ns, f"the night of {row.night.date}", row.night.cut_by))
