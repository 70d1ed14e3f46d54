"""The survey of a site before the season: its problems and facts, as findings with a place and a remedy.

It changes nothing, and the show may play meanwhile.
"""

from __future__ import annotations

import asyncio
import re
import shlex
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.decide import instant
from gloaming.daemon.direction.overrides import Kind
from gloaming.daemon.integrations.host_names import HostNames
from gloaming.daemon.integrations.reachability import look_once
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.clock_trust import verdict_at_a_start
from gloaming.daemon.planner.stored_rows import read_overrides
from gloaming.daemon.reports.network import NOTHING, NetworkComparison, by_art_net, take_a_look
from gloaming.daemon.reports.nights import SeasonNight, season
from gloaming.daemon.reports.survey_boards import board_findings
from gloaming.daemon.reports.survey_energy import Energy, energy
from gloaming.daemon.reports.survey_machine import machine_findings, near_rig
from gloaming.daemon.reports.survey_power import NANO, current_findings, voltage_findings
from gloaming.daemon.reports.survey_schedule import survey_schedule
from gloaming.daemon.reports.survey_sound import survey_sounds
from gloaming.daemon.reports.survey_texts import PieceSurvey, damage_findings, flash_findings
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Piece, Site
from gloaming.shows.analysis.feeding import feeding_findings, unknown_limits
from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.analysis.other_rigs import other_rig_findings
from gloaming.shows.analysis.pieces import analyse
from gloaming.shows.analysis.timing import timing_findings
from gloaming.shows.analysis.wiring import listed, rig_findings
from gloaming.shows.config_files.errors import ConfigError, ConfigErrorCode, InputError
from gloaming.shows.rig import sheet
from gloaming.shows.rig.draw import MainsWatts, mains_w_per_ma
from gloaming.shows.rig.zones import part_spans, parts_in, zone_spans
from gloaming.shows.time_units import SECOND_NS

A_YEAR_ON = timedelta(days=364)
"""The last date of a year, from its first: no date of a yearly season is counted twice."""
CAUTIONS = (
    *sheet.CAUTIONS,
    "Flashing light can trigger seizures in people with photosensitive epilepsy, from the first second, in people who "
    "do not know that they have it. Keep below three flashes in any second, and red below that.",
    "This survey computes from rig.toml. It does not know how the rig is really wired. It replaces no inspection.",
)
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Survey:
    """The whole report. `sections` has the findings in the order in which a person reads them."""

    site: str
    folder: Path
    at: datetime
    brightness: float
    limiter: bool
    seen_from_m: float
    by_position: bool
    sections: dict[str, tuple[Finding, ...]]
    pieces: tuple[PieceSurvey, ...] = ()
    energy: Energy | None = None
    strings: int = 0
    pixels: int = 0
    controllers: int = 0
    universes: int = 0
    rows: tuple[SeasonNight, ...] = ()
    of: Site | None = None

    @property
    def findings(self) -> tuple[Finding, ...]:
        return tuple(finding for findings in self.sections.values() for finding in findings)

    @property
    def holds_at(self) -> float | None:
        """The highest brightness within all limits; None if no limit is known."""
        known = [piece.holds_at for piece in self.pieces if piece.holds_at is not None]
        return min(1.0, *known) if known else None

    @property
    def limits(self) -> str | None:
        """Up to which brightness the limits are kept, and which limits are not known. None without pieces."""
        if not self.pieces or self.of is None:
            return None
        if self.holds_at is None:
            kept = "no limit is known"
        elif self.holds_at == 0:
            kept = "dark pixels and fixtures alone exceed a limit in rig.toml"
        else:
            up_to = (
                "at any brightness" if self.holds_at == 1 else f"up to brightness {int(self.holds_at * 100) / 100:.2f}"
            )
            kept = f"no limit in rig.toml is exceeded {up_to}; it is set to {self.brightness:g}"
        unknown = "; ".join(
            f"{key} of {listed(name for name, _ in tables)}" for key, tables in unknown_limits(self.of.rig).items()
        )
        return f"{kept}. Not known: {unknown}" if unknown else kept

    @property
    def idle_w(self) -> float:
        """What the dark pixels take from the mains all the time, in watts; 0 without pieces."""
        return self.pieces[0].watts.idle if self.pieces else 0.0

    def count(self, severity: str) -> int:
        """The number of findings of a severity."""
        return sum(finding.severity == severity for finding in self.findings)

    def as_json(self) -> dict[str, Any]:
        """The report as `gloaming survey --json` prints it."""
        return {
            "site": self.site,
            "at": self.at.isoformat(),
            "brightness": self.brightness,
            "holds_at_brightness": self.holds_at,
            "limits": self.limits,
            "idle_w": round(self.idle_w, 3),
            "limiter": self.limiter,
            "flash_area": "by position" if self.by_position else "share of lit pixels",
            "errors": self.count("error"),
            "warnings": self.count("warning"),
            "findings": [
                {"section": section, **asdict(finding)} for section, found in self.sections.items() for finding in found
            ],
            "pieces": [_piece_json(piece, self.brightness) for piece in self.pieces],
            "energy": None if self.energy is None else {**asdict(self.energy), **_dates(self.energy)},
            "cautions": list(CAUTIONS),
        }


def _dates(found: Energy) -> dict[str, str]:
    return {name: getattr(found, name).isoformat() for name in ("first", "last", "heaviest")}


def _piece_json(piece: PieceSurvey, brightness: float) -> dict[str, Any]:
    fps = piece.analysis.info.fps
    return {
        "name": piece.name,
        "length_s": piece.analysis.info.length_ns / 1e9,
        "mean_w": round(piece.watts.at(brightness), 3),
        "holds_at_brightness": piece.holds_at,
        "loads": [
            {
                **{key: value for key, value in asdict(load).items() if not key.endswith("_frame")},
                "peak_at_s": float(load.peak_frame / fps),
                "steady_from_s": float(load.steady_frame / fps),
            }
            for load in piece.loads
        ],
        "flashing": [asdict(found) for found in piece.analysis.flashing],
    }


def survey(
    folder: Path, at: datetime, progress: Progress = lambda *_: None, ask: bool = True, state: Path | None = None
) -> Survey:
    """Survey a site's folder at an instant.

    `progress` is called with what is under way, how far it is, and the whole amount. Controllers are asked if `ask`.
    `state` is the folder of the state, by default `folder/state`. If site.toml or rig.toml has mistakes, the findings
    are these alone.
    """
    try:
        site = load_site(folder, at, strict=False)
    except InputError as error:
        found = tuple(config_finding(config_error) for config_error in error.errors)
        return Survey(folder.resolve().name, folder, at, 1.0, True, 10.0, False, {"the site's files": found})
    at = at.astimezone(site.timezone)
    first = at.date()
    rows = season(site, first, first + A_YEAR_ON)
    last = rows[-1].night.date if rows else first
    pieces = tuple(_surveyed(site, progress))
    watts = {piece.name: piece.string_watts for piece in pieces}
    spent = energy(site, watts, rows, lambda done, of: progress("the season", done, of)) if rows else None
    infos = {piece.name: piece.info for piece in site.pieces.values() if piece.info}
    places = {piece.name: piece.place for piece in site.pieces.values()}
    names = HostNames({})
    answers: dict[str, bool] | None = None
    network: tuple[Finding, ...] = ()
    if ask:
        progress("asking the controllers", 0, 1)
        answers, network = asyncio.run(_asked(site, names))
        progress("asking the controllers", 1, 1)
    clock = verdict_at_a_start(state or folder / "state", Clock(), site.clock.trust)
    by_position = any(piece.analysis.by_position for piece in pieces)
    sections = {
        "the site's files": (*_problems(site), *_pieces_unused(site)),
        "the boards": tuple(board_findings(site)),
        "the rig": (
            *rig_findings(site.rig, infos, places),
            *other_rig_findings(site.rig, (folder / "rig.toml").absolute(), infos, places),
            *timing_findings(site.rig, infos),
            *feeding_findings(site.rig),
            *_zones(site),
            *_out_of_service(site, at, state or folder / "state"),
        ),
        "current": (*current_findings(pieces, site), *voltage_findings(pieces, site)),
        "flashes": tuple(found for piece in pieces for found in flash_findings(piece)),
        "schedule": survey_schedule(site, first, last),
        "files": tuple(found for piece in pieces for found in damage_findings(piece)),
        "sound": survey_sounds(site),
        "the machine": (*machine_findings(site, answers, clock, names), *network),
    }
    return Survey(
        site=site.name,
        folder=folder,
        at=at,
        brightness=site.output.highest,
        limiter=site.output.limiter,
        seen_from_m=site.survey.seen_from_m,
        by_position=by_position,
        sections=sections,
        pieces=pieces,
        energy=spent,
        strings=len(site.rig.string),
        pixels=sum(string.pixels for string in site.rig.string),
        controllers=len(site.rig.controller),
        universes=len(site.rig.controller_of),
        rows=rows,
        of=site,
    )


async def _asked(site: Site, names: HostNames) -> tuple[dict[str, bool], tuple[Finding, ...]]:
    """Which controllers answer, and where they and rig.toml differ. Art-Net nodes are asked if the site has any."""
    await names.look(near_rig(site))
    asking = look_once(near_rig(site), names.addresses)
    if by_art_net(near_rig(site)):
        answers, look = await asyncio.gather(asking, take_a_look(site, names.addresses, time.time_ns()))
    else:
        answers, look = await asking, NOTHING
    notes = (Finding(FindingCode.NETWORK_UNASKED, "fact", "network", note) for note in look.notes)
    return answers, (*NetworkComparison(site, names.addresses, look, answers).findings(), *notes)


def config_finding(config_error: ConfigError) -> Finding:
    """A mistake in a person's file, as an error of the survey."""
    name = config_error.file.name if isinstance(config_error.file, Path) else config_error.file
    place = f"{name}:{config_error.line}" if config_error.line else str(name)
    text = ": ".join(part for part in (config_error.key, config_error.problem) if part)
    key = re.sub(r"\[\d+\]", "", config_error.key) if config_error.key else None
    return Finding(config_error.code, "error", place, text, config_error.hint, key)


def _problems(site: Site) -> Iterator[Finding]:
    """Files that cannot be played. The section of the rig has universes without a controller."""
    for problem in (*site.problems, *site.missing_sounds):
        if problem.code != ConfigErrorCode.UNIVERSE_WITHOUT_CONTROLLER:
            yield config_finding(problem)
    for warning in site.warnings:
        yield replace(config_finding(warning), severity="warning")


def _pieces_unused(site: Site) -> Iterator[Finding]:
    used = {name for show in site.shows.values() for name in (*show.order, show.between)}
    for piece in site.pieces.values():
        if piece.name not in used:
            yield Finding(
                FindingCode.PIECE_UNUSED,
                "warning",
                piece.place,
                f"no show has {piece.name}",
                "name it in the order of a show, or remove it",
            )


def _zones(site: Site) -> Iterator[Finding]:
    """The strings and fixtures of each zone."""
    parts, places = part_spans(site.rig), {zone.name: zone.place for zone in site.rig.zone}
    for name, spans in zone_spans(site.rig).items():
        members = parts_in(spans, {**parts["string"], **parts["fixture"]})
        text = f"zone {name} has {listed(members) or 'slots without a string or a fixture'}"
        yield Finding(FindingCode.ZONE, "fact", places.get(name, "rig.toml"), text)


def _out_of_service(site: Site, at: datetime, state: Path) -> Iterator[Finding]:
    """What stays dark until it is mended."""
    at_ns = instant(at)
    for one in read_overrides(state / "state.db", at_ns):
        if one.kind == Kind.OUT_OF_SERVICE and one.in_force_at(at_ns):
            until = datetime.fromtimestamp(one.end_ns // SECOND_NS, site.timezone)
            by, why = f" by {one.who}" if one.who else "", f": {one.why}" if one.why else ""
            text = f"{one.zone} is out of service{by} until {until:%d %B %Y %H:%M}{why}"
            hint = f"when it is mended: gloaming in-service {shlex.quote(one.zone or '')}"
            yield Finding(FindingCode.OUT_OF_SERVICE, "fact", f"override {one.id}", text, hint)


def _surveyed(site: Site, progress: Progress) -> Iterator[PieceSurvey]:
    for piece in site.pieces.values():
        if piece.info is None:
            continue
        with suppress(InputError):  # it is gone since; `problems` has the files that cannot be opened
            yield _survey_piece(site, piece, progress)


def _survey_piece(site: Site, piece: Piece, progress: Progress) -> PieceSurvey:
    found = analyse(piece.frames, site.rig, site.survey.seen_from_m, lambda done, of: progress(piece.name, done, of))
    loads = tuple(load.at(site.output.highest) for load in found.loads)
    strings = [load for load in found.loads if load.kind == "string"]
    fed = [(load, w_per_ma * 1000) for load, w_per_ma in zip(strings, mains_w_per_ma(site.rig), strict=True)]
    watts = {
        load.name: MainsWatts((load.mean_a - load.fixed_a) * w_per_a, load.fixed_a * w_per_a) for load, w_per_a in fed
    }
    holds = [round(load.holds_at, NANO) for load in found.loads if load.holds_at is not None]
    return PieceSurvey(piece.name, piece.place, found, loads, watts, min(1.0, *holds) if holds else None)
