"""What the nights were in fact: given, cut short or left out, and why, by the journal and the timetable. Pure."""

from __future__ import annotations

import json
from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from itertools import groupby
from pathlib import Path
from typing import TypeVar

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.direction.score import State
from gloaming.daemon.direction.states import GIVEN
from gloaming.daemon.planner.store import Store
from gloaming.daemon.reports.journal_lines import Row
from gloaming.daemon.reports.nights import SeasonNight as NightRow
from gloaming.daemon.reports.nights import not_given, season
from gloaming.daemon.site.load import Site
from gloaming.daemon.timetable.nights import NotGiven
from gloaming.daemon.timetable.zones import local_date
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError
from gloaming.shows.framefile.reader import FrameReader
from gloaming.shows.rig.draw import MainsWatts, hung_spans, idle_ma, mains_w_per_ma, slot_ma
from gloaming.shows.time_units import SECOND_NS

T = TypeVar("T")
SAMPLES = 40
"""The number of a piece's frames that are sampled for its mean power."""
NEARLY = 0.98
"""A performance that was lit for this share of its time counts as given."""
_STATES = {str(state) for state in State}
OFF, NOTHING = "board-off", ("", "")
_BREAKS = {"start", "restart", "trouble", "fault", "clock"}


@dataclass(frozen=True, slots=True)
class LitStretch:
    """A state in force over `[from_ns, until_ns)`."""

    from_ns: int
    until_ns: int
    state: str
    piece: str | None
    level: float
    why: str


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


@dataclass(frozen=True)
class JournalReport:
    """A season's nights in fact."""

    site: Site
    nights: tuple[NightReport, ...]

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
    if not nights:
        return report(site, nights, missing, (), now_ns)
    until_ns = max(night.closes_ns for night in nights)
    rows = store.journal_between(nights[0].night.opens_ns, until_ns, _STATES - {State.NO_CLOCK})
    return report(site, nights, missing, rows, now_ns)


def report(
    site: Site, nights: Sequence[NightRow], missing: Iterable[NotGiven], rows: Iterable[Row], now_ns: int
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
    watts = _watts(site)
    found = [
        _night(row.night.date, row.night.show, row.night.opens_ns, row.closes_ns, within, texts, now_ns, watts)
        for row, within, texts in zip(nights, held, broken, strict=True)
    ]
    found += [
        NightReport(one.date, one.performance.show, 0, 0, "left out", one.code, one.why, 0.0, (), (), None)
        for one in missing
    ]
    return JournalReport(site, tuple(sorted(found, key=lambda night: (night.date, night.opens_ns))))


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


def stretches(rows: Iterable[Row], now_ns: int) -> list[LitStretch]:
    """The states in the journal's lines. A state before a power cut ends with the last line before it."""
    found: list[LitStretch] = []
    current: Row | None = None
    last_ns, newest_ns, boot = 0, 0, None
    for row in rows:
        if row["kind"] == "start":
            if current is not None:
                until_ns = row["at_ns"] if row["data"].get("boot") == boot else last_ns
                found.append(_stretch(current, until_ns))
            current, boot = None, row["data"].get("boot")
        elif row["kind"] in _STATES:
            if current is not None:
                found.append(_stretch(current, row["at_ns"]))
            current = row if row["kind"] != State.NO_CLOCK else {**row, "at_ns": max(row["at_ns"], newest_ns)}
        last_ns, newest_ns = row["at_ns"], max(newest_ns, row["at_ns"])
    if current is not None:
        found.append(_stretch(current, now_ns))
    return [stretch for stretch in found if stretch.until_ns > stretch.from_ns]


def _stretch(row: Row, until_ns: int) -> LitStretch:
    data = row["data"]
    return LitStretch(
        row["at_ns"], until_ns, row["kind"], data.get("piece"), float(data.get("level", 1.0)), row["text"]
    )


def _night(
    day: date,
    show: str,
    opens_ns: int,
    closes_ns: int,
    held: Sequence[LitStretch],
    breaks: Sequence[Row],
    now_ns: int,
    watts: dict[str, MainsWatts],
) -> NightReport:
    within = [
        (stretch, (min(stretch.until_ns, closes_ns) - max(stretch.from_ns, opens_ns)) / SECOND_NS) for stretch in held
    ]
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
    energies = [(watts.get(stretch.piece or ""), stretch.level, length_s) for stretch, length_s in playing]
    known = [watt.at(level) * length_s / 3600 for watt, level, length_s in energies if watt is not None]
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
        energy_wh=round(sum(known), 1) if known else None,
    )


def _watts(site: Site) -> dict[str, MainsWatts]:
    """The mean power of each piece that can be read. Empty if no string has a supply or volts."""
    rig = site.rig
    per_ma = mains_w_per_ma(rig)
    strings = tuple(
        (ma * watts, tuple(hung_spans(string)))
        for ma, watts, string in zip(slot_ma(rig), per_ma, rig.string, strict=True)
        if watts
    )
    idle = sum(idle_ma(string) * watts for string, watts in zip(rig.string, per_ma, strict=True))
    found: dict[str, MainsWatts] = {}
    for name, piece in site.pieces.items():
        light = _sampled_watts(piece.frames, piece.info.frames, strings) if strings and piece.info else None
        if light is not None:
            found[name] = MainsWatts(light, idle)
    return found


@lru_cache(maxsize=200)
def _sampled_watts(
    path: Path, frames: int, strings: tuple[tuple[float, tuple[tuple[int, int, int], ...]], ...]
) -> float | None:
    total, looked = 0.0, 0
    try:
        with FrameReader(path) as reader:
            offsets = {universe.number: (universe.offset, universe.slots) for universe in reader.info.universes}
            for number in range(0, frames, max(1, frames // SAMPLES)):
                frame = reader.frame(number)
                looked += 1
                for watts, spans in strings:
                    for universe, first, last in spans:
                        offset, slots = offsets.get(universe, (0, 0))
                        total += watts * float(frame[offset + first - 1 : offset + min(last, slots)].sum()) / 255
    except InputError:
        return None
    return total / looked if looked else None


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
    }
    return json.dumps({"site": found.site.name, "sums": sums, "nights": nights})
