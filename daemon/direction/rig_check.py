"""From what somebody asks of a rig check to a pattern, how long and how bright; in dark hours it is refused."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Protocol

from gloaming.daemon.direction.asking import Refusal
from gloaming.daemon.direction.billing import dark_window_at, neighbours_windows
from gloaming.daemon.direction.held import Held
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.precedence import stronger_kinds
from gloaming.daemon.direction.score import Reason
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.shows.analysis.wiring import ranges
from gloaming.shows.config_files.errors import Mistake, MistakeError
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.patterns import COLOURED, COLOURS, KINDS, NUMBERED, Pattern, frame_count, frame_rate, paced
from gloaming.shows.time_units import MINUTE_NS, SECOND_NS

LONGEST_MINUTES = 10
LEAST_MINUTES = 1 / 60
USUAL = "colours"
LEVEL = 0.3
"""Where nobody says how bright: enough to see by day-end, and far from any fuse."""
KEYS = ("pattern", "controller", "string", "strings", "colour", "number", "level", "minutes")


class SiteWithRig(SiteProtocol, Protocol):
    """A site, with what hangs outside."""

    @property
    def rig(self) -> Rig: ...


@dataclass(frozen=True, slots=True)
class Asked:
    """A pattern, from an instant until another, at a brightness 0..1; `text` says how far a walk comes, too."""

    pattern: Pattern
    at_ns: int
    until_ns: int
    level: float
    text: str


def ask_rig_check(
    request: Mapping[str, object],
    at_ns: int,
    site: SiteWithRig,
    overrides: Iterable[Override] = (),
    held: tuple[Held, ...] = (),
) -> Asked:
    """`{"pattern": "walk", "string": "ridge", "colour": "white", "level": 0.3, "minutes": 10}`, at an instant.

    Raises MistakeError for what cannot be read, Refusal in dark hours (unless `neighbours.rig_check` allows a level),
    while somebody's dark stands, and where nothing would light up. It ends where dark hours begin.
    """
    for key in request:
        if key not in KEYS:
            raise _mistake(key, "a rig check has no such key", f"it may have {', '.join(KEYS)}")
    pattern = _pattern(request, site.rig)
    minutes = _number(request, "minutes", LONGEST_MINUTES, LEAST_MINUTES, LONGEST_MINUTES, "as 5")
    level = _number(request, "level", LEVEL, 0.01, 1, "as 0.3")
    until_ns = at_ns + int(minutes * MINUTE_NS)
    allowed = site.neighbours.rig_check
    for one in overrides:
        if one.kind in stronger_kinds(Kind.RIG_CHECK) and one.stands_at(at_ns):
            reason = f"{one.kind} by {one.who or 'somebody'}; end it first"
            raise Refusal(Reason(f"override {one.id} {one.kind}", reason))
    if not allowed:
        window = dark_window_at(at_ns, site, held)
        if window:
            raise Refusal(window.reason)
        begins = [w.from_ns for w in neighbours_windows(site, at_ns, until_ns, held) if w.ceiling == 0]
        until_ns = min([until_ns, *begins])
    length_s = (until_ns - at_ns) / SECOND_NS
    pattern = paced(pattern, site.rig, length_s)
    reach, longest = int(frame_rate(pattern) * length_s), frame_count(pattern, site.rig)
    ends = f", as far as pixel {reach} of {longest}" if pattern.kind == "walk" and reach < longest else ""
    return Asked(pattern, at_ns, until_ns, level, f"{pattern.text}{ends}")


def _mistake(key: str, wrong: str, right: str) -> MistakeError:
    return MistakeError(Mistake("request", None, key, wrong, right))


def _number(request: Mapping[str, object], key: str, usual: float, least: float, most: float, right: str) -> float:
    value = request.get(key)
    if value is None:
        return usual
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise _mistake(key, f"{value!r} is not a number from {least:.2g} to {most:g}", right)
    return float(value)


def _one_of(request: Mapping[str, object], key: str, known: Iterable[str]) -> str | None:
    value = request.get(key)
    known = tuple(known)
    if value is None:
        return None
    if not isinstance(value, str) or value not in known:
        shown = ", ".join(known[:12]) + (" ..." if len(known) > 12 else "")
        raise _mistake(key, f"there is no {key} {value!r}", f"use {shown or 'none: rig.toml has none'}")
    return value


def _pattern(request: Mapping[str, object], rig: Rig) -> Pattern:
    kind = _one_of(request, "pattern", KINDS) or USUAL
    controller = _one_of(request, "controller", (one.name for one in rig.controller))
    only = _strings(request, rig)
    if only and controller:
        raise _mistake("controller", "stands beside a string", "give one of the two")
    colour = _one_of(request, "colour", COLOURS) or "white"
    found = Pattern(kind, controller, only, colour, _which(request, kind))
    if kind not in ("universe", "universes") and not found.strings(rig):
        raise _mistake(
            "pattern", "there are no strings to show it on", "add [[string]] tables to rig.toml, or universes"
        )
    if kind in COLOURED and colour == "w" and not any("W" in one.order for one in found.strings(rig)):
        raise Refusal(Reason("rig.toml", "no string there has a white channel of its own: ask for white"))
    if kind == "universe" and found.number not in found.universes(rig):
        raise _mistake("number", f"universe {found.number} is not there", f"use {ranges(found.universes(rig))}")
    if kind == "pixel" and found.number is not None:
        most = max(one.pixels for one in found.strings(rig))
        if found.number > most:
            raise _mistake("number", f"there is no pixel {found.number}", f"the longest string there has {most}")
    return found


def _strings(request: Mapping[str, object], rig: Rig) -> tuple[str, ...]:
    """The strings named by `string` or `strings`, each once."""
    listed = request.get("strings", [])
    if not isinstance(listed, list | tuple) or len(listed) > len(rig.string):
        raise _mistake("strings", "this is not a list of strings", 'as ["ridge", "eaves"]')
    known = [one.name for one in rig.string]
    names = [_one_of({"string": name}, "string", known) for name in (request.get("string"), *listed)]
    return tuple(dict.fromkeys(name for name in names if name is not None))


def _which(request: Mapping[str, object], kind: str) -> int | None:
    number = request.get("number")
    if kind not in NUMBERED:
        if number is not None:
            raise _mistake("number", f"the pattern {kind} has none", f"with {' or '.join(sorted(NUMBERED))}")
        return None
    if isinstance(number, bool) or not isinstance(number, int) or not 1 <= number <= 100_000:
        raise _mistake("number", "missing" if number is None else f"{number!r} is not a number from 1 on", "as 37")
    return number
