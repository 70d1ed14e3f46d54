"""Makes a rig check or a burn-in from a request: its pattern, length and brightness.

A rig check is refused in dark hours. A burn-in lasts hours; it is dark in dark hours, and goes on after them.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

from gloaming.daemon.direction.occurrences import neighbours_windows
from gloaming.daemon.direction.overrides import TERMS, Kind, Override
from gloaming.daemon.direction.precedence import stronger_kinds
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import Refusal, known_zone
from gloaming.daemon.direction.rules_in_force import HeldRule, HoursWindow
from gloaming.daemon.direction.score import Reason, ReasonCode
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.daemon.direction.zones_in_force import REST
from gloaming.shows.analysis.wiring import listed, ranges
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.patterns import (
    BY_UNIVERSE,
    COLOURED,
    OF_PIXELS,
    Pattern,
    frame_count,
    frame_rate,
    lit_by,
    paced,
    walked,
)
from gloaming.shows.time_units import HOUR_NS, MINUTE_NS, SECOND_NS

LONGEST_MINUTES = TERMS[Kind.RIG_CHECK].longest_minutes
LONGEST_HOURS = TERMS[Kind.BURN_IN].longest_minutes // 60
LEAST_MINUTES = 1 / 60
DEFAULT_PATTERN = "colours"
DEFAULT_LEVEL = 0.3
"""The default brightness: bright enough at dusk, and far below every fuse."""


class HoldProtocol(Protocol):
    """A hold: its name, and whether a person may end it for an hour."""

    @property
    def name(self) -> str: ...
    @property
    def may_end(self) -> bool: ...


class SiteWithRig(SiteProtocol, Protocol):
    """A site with its rig and its holds."""

    @property
    def rig(self) -> Rig: ...
    @property
    def holds(self) -> Sequence[HoldProtocol]: ...


@dataclass(frozen=True, slots=True)
class RequestedCheck:
    """A pattern from an instant until another, at a brightness 0..1. `text` also says how far a walk comes.

    `kind` is a rig check or a burn-in.
    """

    kind: Kind
    pattern: Pattern
    at_ns: int
    until_ns: int
    level: float
    text: str


def ask_rig_check(
    request: Mapping[str, Any],
    at_ns: int,
    site: SiteWithRig,
    overrides: Iterable[Override] = (),
    held: tuple[HeldRule, ...] = (),
) -> RequestedCheck:
    """The rig check that a request asks for at an instant, or with `hours` the burn-in.

    Where dark hours begin, a rig check ends and a burn-in is dark.

    `request` has passed its model (api/http/schemas/requests.py):
    `{"pattern": "walk", "string": "ridge", "colour": "white", "level": 0.3, "minutes": 10}`.

    Raises InputError for names and numbers that the rig does not have. Raises Refusal while a stronger override is in
    force, where nothing would light up, and in dark hours: a rig check unless `neighbours.rig_check` allows a level, a
    burn-in only if it would end before they do.
    """
    pattern = pattern_of(request, site)
    kind, level = Kind.BURN_IN if "hours" in request else Kind.RIG_CHECK, request.get("level", DEFAULT_LEVEL)
    until_ns = at_ns + int(request.get("minutes", LONGEST_MINUTES) * MINUTE_NS)
    if kind == Kind.BURN_IN:
        until_ns = at_ns + int(request["hours"] * HOUR_NS)
    stronger = set(stronger_kinds(kind)) - TERMS[kind].ends
    for one in overrides:
        if one.zone is None and one.kind in stronger and one.in_force_at(at_ns):
            raise Refusal(_stronger(one, site))
    if kind == Kind.BURN_IN or not site.neighbours.rig_check:
        dark = dark_windows(site.in_zones(REST), at_ns, until_ns, held)
        now = [window for window in dark if window.from_ns <= at_ns]
        if now and (kind == Kind.RIG_CHECK or _all_dark(dark, at_ns, until_ns)):
            raise Refusal(now[0].reason)
        if kind == Kind.RIG_CHECK:
            until_ns = min([until_ns, *(window.from_ns for window in dark)])
    length_s = (until_ns - at_ns) / SECOND_NS
    pattern = paced(pattern, site.rig, length_s)
    reach, longest = int(frame_rate(pattern) * length_s), frame_count(pattern, site.rig)
    ends = ""
    if pattern.kind == "walk" and reach < longest:
        ends = f", up to pixel {walked(pattern, site.rig, reach)} of {walked(pattern, site.rig, longest)}"
    return RequestedCheck(kind, pattern, at_ns, until_ns, level, f"{pattern.text}{ends}")


def _stronger(one: Override, site: SiteWithRig) -> Reason:
    """Why an override that is in force forbids a rig check."""
    place = f"override {one.id} {one.kind}"
    if not one.hold:
        return reason(ReasonCode.STRONGER, place, override=one.id, kind=one.kind, who=one.who or "somebody")
    may_end = any(hold.name == one.hold and hold.may_end for hold in site.holds)
    more = "; it may be ended for an hour" if may_end else ""
    return reason(ReasonCode(one.kind.value), place, override=one.id, hold=one.hold, more=f": {one.why}{more}")


def dark_windows(
    site: SiteProtocol, at_ns: int, until_ns: int, held: tuple[HeldRule, ...] = ()
) -> tuple[HoursWindow, ...]:
    """The dark hours that overlap an interval, in order: with those of zones, as `site` sees them."""
    found = (window for window in neighbours_windows(site, at_ns, until_ns, held) if window.ceiling == 0)
    return tuple(sorted(found, key=lambda window: window.from_ns))


def _all_dark(dark: Iterable[HoursWindow], at_ns: int, until_ns: int) -> bool:
    """Whether dark hours cover an interval. They are in order."""
    for window in dark:
        if window.from_ns <= at_ns:
            at_ns = max(at_ns, window.until_ns)
    return at_ns >= until_ns


def _invalid(key: str, problem: str, hint: str) -> InputError:
    return InputError(ConfigError("request", None, key, problem, hint))


def _known(key: str, name: str, names: Iterable[str]) -> str:
    known = tuple(names)
    if name not in known:
        shown = ", ".join(known[:12]) + (" ..." if len(known) > 12 else "")
        raise _invalid(
            key, f"there is no {key} {name!r}", f"use {shown}" if shown else f"add a [[{key}]] table to rig.toml"
        )
    return name


def pattern_of(request: Mapping[str, Any], site: SiteWithRig) -> Pattern:
    """The pattern that a request asks for. InputError, Refusal."""
    rig = site.rig
    kind, controller = request.get("pattern", DEFAULT_PATTERN), request.get("controller")
    if controller is not None:
        _known("controller", controller, (one.name for one in rig.controller))
    port, fixture = request.get("port"), request.get("fixture")
    if port is not None:
        _known("port", port, (one.name for one in rig.port))
    if fixture is not None:
        _known("fixture", fixture, (one.name for one in rig.fixture))
    names = (*([request["string"]] if "string" in request else ()), *request.get("strings", ()))
    only = tuple(dict.fromkeys(_known("string", name, (one.name for one in rig.string)) for name in names))
    colour = request.get("colour", "white")
    zone = known_zone(request["zone"], site) if "zone" in request else None
    found = Pattern(
        kind,
        controller,
        only,
        colour,
        request.get("number"),
        port=port,
        fixture=fixture,
        zone=zone,
        spans=site.zones[zone] if zone else (),
    )
    if kind in OF_PIXELS and fixture is not None:
        raise _invalid("pattern", f"fixture {fixture} has no pixels", "use colours, colour or ramp")
    if not found.shown(rig) and (kind not in BY_UNIVERSE or found.is_part):
        raise _invalid(
            "pattern", "there are no strings to show it on", "add [[string]] tables to rig.toml, or check universes"
        )
    if kind not in BY_UNIVERSE or found.is_part:
        if not any(lit_by("all", one) for one in found.shown(rig)):
            raise Refusal(reason(ReasonCode.NO_COLOUR, "rig.toml", colour="light"))
        if kind in COLOURED and not any(lit_by(colour, one) for one in found.shown(rig)):
            raise Refusal(reason(ReasonCode.NO_COLOUR, "rig.toml", colour=colour))
    if kind == "universe" and found.number not in found.universes(rig):
        raise _invalid("number", f"there is no universe {found.number}", f"use {ranges(found.universes(rig))}")
    if kind == "pixel" and found.number is not None:
        most = max(one.pixels for one in found.strings(rig))
        if found.number > most:
            raise _invalid("number", f"there is no pixel {found.number}", f"the longest string has {most}")
        if not any(found.number <= one.pixels and found.number not in one.missing for one in found.strings(rig)):
            cut = listed(one.name for one in found.strings(rig) if found.number in one.missing)
            hint = "check another pixel; missing in rig.toml has those that were cut out"
            raise _invalid("string", f"pixel {found.number} of {cut} was cut out", hint)
    return found
