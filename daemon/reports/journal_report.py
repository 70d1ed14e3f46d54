"""What the nights were in fact: given, cut short or left out, and why, by the journal and the timetable. Pure."""

from __future__ import annotations

import json
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import groupby
from typing import NamedTuple, TypeVar

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.direction.score import State
from gloaming.daemon.direction.states import GIVEN
from gloaming.daemon.planner.store import Store
from gloaming.daemon.reports.journal_energy import JournalEnergy
from gloaming.daemon.reports.journal_lines import Row
from gloaming.daemon.reports.lit_stretches import LitStretch, of_zone, stretches
from gloaming.daemon.reports.nights import SeasonNight as NightRow
from gloaming.daemon.reports.nights import not_given, season
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.nights import NotGiven
from gloaming.daemon.timetable.zones import local_date
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError
from gloaming.shows.rig.repairs import Repair
from gloaming.shows.time_units import SECOND_NS

T = TypeVar("T")
NEARLY = 0.98
"""A performance that was lit for this share of its time counts as given."""
OFF, NOTHING = "board-off", ("", "")
_BREAKS = {"start", "restart", "trouble", "fault", "clock"}


@dataclass(frozen=True, slots=True)
class NightReport:
    """One night in fact. `outcome`: given, cut short, left out, under way, to come.

    `energy_wh` is an estimate of what the strings took from the mains while they were lit.
    """

    date: date
    show: str
    opens_ns: int
    closes_ns: int
    outcome: str
    code: str
    """Why, as a code: the other state, the timetable's `Cause`, or "board-off". Empty if the night was given."""
    why: str
    lit_s: float
    pieces: tuple[tuple[str, int], ...]
    interruptions: tuple[str, ...]
    energy_wh: float | None

    @property
    def due_h(self) -> float:
        return (self.closes_ns - self.opens_ns) / SECOND_NS / 3600


class RepairCounts(NamedTuple):
    """How many marks of the repairs list were made and mended on these dates, and how many are open now."""

    marked: int = 0
    mended: int = 0
    open: int = 0


NO_REPAIRS = RepairCounts()


@dataclass(frozen=True)
class JournalReport:
    """A season's nights in fact."""

    site: Site
    nights: tuple[NightReport, ...]
    repairs: RepairCounts = NO_REPAIRS

    @property
    def lit_s(self) -> float:
        return sum(night.lit_s for night in self.nights)

    @property
    def energy_wh(self) -> float | None:
        known = [night.energy_wh for night in self.nights if night.energy_wh is not None]
        return sum(known) if known else None

    @property
    def pieces(self) -> Counter[str]:
        return sum((Counter(dict(night.pieces)) for night in self.nights), Counter[str]())


def season_report(site: Site, store: Store, now_ns: int, first: date | None, days: int) -> JournalReport:
    """The nights of `days` dates from `first`, as the journal has them. Without `first`, the dates end today.
    InputError."""
    days = max(1, min(days, 400))
    begin = first or local_date(now_ns, site.timezone) - timedelta(days=days - 1)
    try:
        end = begin + timedelta(days=days - 1)
    except OverflowError:
        raise InputError(
            ConfigError(
                "dates",
                None,
                None,
                f"{begin} is beyond the calendar",
                "as 2026-12-20",
                ConfigErrorCode.DATES_NOT_SERVED,
            )
        ) from None
    nights = sorted(season(site, begin, end), key=lambda row: row.night.opens_ns)
    missing = not_given(site, begin, end)
    repairs = _counted(store.repairs(), site, begin, end)
    if not nights:
        return report(site, nights, missing, (), now_ns, repairs)
    until_ns = max(night.closes_ns for night in nights)
    rows = store.journal_between(nights[0].night.opens_ns, until_ns, {str(state) for state in State} - {State.NO_CLOCK})
    return report(site, nights, missing, rows, now_ns, repairs)


def _counted(repairs: Iterable[Repair], site: Site, begin: date, end: date) -> RepairCounts:
    marked = mended = still = 0
    for one in repairs:
        marked += begin <= local_date(one.at_ns, site.timezone) <= end
        mended += one.mended_ns is not None and begin <= local_date(one.mended_ns, site.timezone) <= end
        still += one.open
    return RepairCounts(marked, mended, still)


def report(
    site: Site,
    nights: Sequence[NightRow],
    missing: Iterable[NotGiven],
    rows: Iterable[Row],
    now_ns: int,
    repairs: RepairCounts = NO_REPAIRS,
) -> JournalReport:
    """The report from the nights in the order of their openings, those not given, and the journal's lines."""
    breaks: list[Row] = []

    def noting_breaks() -> Iterator[Row]:
        for row in rows:
            if row["kind"] in _BREAKS:
                breaks.append(row)
            yield row

    held = _by_night(nights, stretches(noting_breaks(), now_ns), lambda one: (one.from_ns, one.until_ns))
    broken = _by_night(nights, breaks, lambda row: (row["at_ns"], row["at_ns"] + 1))
    energy = JournalEnergy(site, [(row.night.performance.zone, row.night.show) for row in nights])
    found = [
        _night(row, within, texts, now_ns, energy) for row, within, texts in zip(nights, held, broken, strict=True)
    ]
    found += [
        NightReport(one.date, one.performance.show, 0, 0, "left out", one.code, one.why, 0.0, (), (), None)
        for one in missing
    ]
    return JournalReport(site, tuple(sorted(found, key=lambda night: (night.date, night.opens_ns))), repairs)


def _by_night(nights: Sequence[NightRow], things: Iterable[T], span: Callable[[T], tuple[int, int]]) -> list[list[T]]:
    """For each night the things that overlap it, in their order."""
    opens = [night.night.opens_ns for night in nights]
    longest_ns = max((night.closes_ns - night.night.opens_ns for night in nights), default=0)
    found: list[list[T]] = [[] for _ in nights]
    for thing in things:
        from_ns, until_ns = span(thing)
        for at in range(bisect_right(opens, from_ns - longest_ns), bisect_left(opens, until_ns)):
            if nights[at].closes_ns > from_ns:
                found[at].append(thing)
    return found


def _night(
    row: NightRow, held: Sequence[LitStretch], breaks: Sequence[Row], now_ns: int, energy: JournalEnergy
) -> NightReport:
    day, show, opens_ns, closes_ns = row.night.date, row.night.show, row.night.opens_ns, row.closes_ns
    held = [
        replace(one, from_ns=max(one.from_ns, opens_ns), until_ns=min(one.until_ns, closes_ns))
        for one in held
        if one.from_ns < closes_ns and one.until_ns > opens_ns
    ]
    own = of_zone(held, row.night.performance.zone)
    within = [(stretch, (stretch.until_ns - stretch.from_ns) / SECOND_NS) for stretch in own]
    playing = [(stretch, length_s) for stretch, length_s in within if stretch.state == State.PLAYING]
    lit_s = sum(length_s for _, length_s in playing)
    waited_s = sum(length_s for stretch, length_s in within if stretch.state == State.WAITING)
    interrupted = [(stretch, length_s) for stretch, length_s in within if stretch.state not in GIVEN]
    longest = max(interrupted, key=lambda one: one[1], default=None)
    other = (longest[0].state, longest[0].why) if longest else None
    due_s = (closes_ns - opens_ns) / SECOND_NS
    if opens_ns > now_ns:
        outcome, (code, why) = "to come", NOTHING
    elif closes_ns > now_ns:
        outcome, (code, why) = "under way", NOTHING
    elif not lit_s:
        outcome, (code, why) = "left out", other or (OFF, "the board was off, or nothing was played")
    elif lit_s + waited_s < NEARLY * due_s:
        outcome, (code, why) = "cut short", other or (OFF, "the board was off for a while")
    else:
        outcome, (code, why) = "given", NOTHING
    seen = [stretch for stretch, _ in within if stretch.state in GIVEN]
    turns = [
        stretch.piece if stretch.state == State.PLAYING else None for stretch in seen
    ]  # a pause does not begin it again
    return NightReport(
        date=day,
        show=show,
        opens_ns=opens_ns,
        closes_ns=closes_ns,
        outcome=outcome,
        code=code,
        why=why,
        lit_s=lit_s,
        pieces=tuple(sorted(Counter(name for name, _ in groupby(turns) if name).items())),
        interruptions=tuple(row["text"] for row in breaks if not row["data"].get("over")),
        energy_wh=energy.of(held, row.night.performance.zone, show),
    )


def as_json(found: JournalReport) -> str:
    """The report as a JSON object: nights and sums."""
    zone = found.site.timezone
    nights = [
        {
            "date": night.date.isoformat(),
            "show": night.show,
            "opens": isoformat(night.opens_ns, zone) if night.opens_ns else None,
            "closes": isoformat(night.closes_ns, zone) if night.closes_ns else None,
            "outcome": night.outcome,
            "code": night.code or None,
            "why": night.why,
            "lit_s": round(night.lit_s),
            "pieces": dict(night.pieces),
            "interruptions": list(night.interruptions),
            "energy_wh": night.energy_wh,
        }
        for night in found.nights
    ]
    sums = {
        "nights": len(found.nights),
        "outcomes": dict(Counter(night.outcome for night in found.nights)),
        "hours_lit": round(found.lit_s / 3600, 2),
        "pieces": dict(found.pieces),
        "interruptions": sum(len(night.interruptions) for night in found.nights),
        "energy_kwh": None if found.energy_wh is None else round(found.energy_wh / 1000, 2),
        "repairs": found.repairs._asdict(),
    }
    return json.dumps({"site": found.site.name, "sums": sums, "nights": nights})
