"""Answers about now, in the form that HTTP returns. Nothing is changed here."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import chain
from typing import Any

from gloaming.daemon.direction.decide import Decision, isoformat, next_piece
from gloaming.daemon.direction.overrides import TERMS, Check, Kind, Override
from gloaming.daemon.direction.reasons import deciding
from gloaming.daemon.direction.rig_check import dark_windows
from gloaming.daemon.direction.score import State
from gloaming.daemon.direction.states import GIVEN, STATES
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.reports.nights import season
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.rig.zones import joined, part_spans, parts_in
from gloaming.shows.time_units import SECOND_NS


def now_json(situation: Situation, decision: Decision, health: dict[str, Any]) -> dict[str, Any]:
    """The answer of GET /api/now: what happens now, why, and the health of every part."""
    at_ns, zone, site = decision.at_ns, situation.timezone, situation.site
    piece, verdict, kernel = site.pieces.get(decision.piece or ""), situation.trust.verdict, situation.trust.kernel
    return {
        "site": site.name,
        "timezone": zone.key,
        **decision.as_json(zone),
        "state_name": STATES[decision.state].name,
        "next_state_name": None if decision.next_state is None else STATES[decision.next_state].name,
        "position_s": None if decision.position_ns is None else round(decision.position_ns / SECOND_NS, 3),
        "length_s": round(piece.length_ns / SECOND_NS, 3) if piece and piece.length_ns else None,
        "overrides": [override_json(override, situation) for override in situation.standing(at_ns)],
        "next_piece": _next_piece(situation, at_ns),
        "after_resume": _after_resume(situation, at_ns),
        "zones": [_zone_json(name, situation.current(at_ns, name), decision) for name in site.zone_names],
        "rest": _has_rest(situation, decision),
        "has_sound": any(one.sound for one in site.pieces.values()),
        "has_triggers": bool(site.triggers),
        "clock": {
            "offset_s": situation.clock.offset_ns / SECOND_NS,
            "note": _clock_note(situation),
            "trusted": verdict.trusted,
            "by": verdict.by,
            "text": verdict.text,
            "program": kernel.program,
            "error_ms": kernel.error_ms,
        },
        "health": health,
    }


def _zone_json(name: str, decision: Decision, rest: Decision) -> dict[str, object]:
    return {
        "name": name,
        "state": str(decision.state),
        "state_name": STATES[decision.state].name,
        "show": decision.show,
        "piece": decision.piece,
        "level": round(decision.brightness, 4),
        "reason": deciding(decision.reasons, rest.reasons).as_json(),
        "differing": list(decision.differing),
    }


def _has_rest(situation: Situation, rest: Decision) -> bool:
    """Whether the decision for the rest of the rig is true of anything. A show for the rest is not, where every string
    and fixture shows something else."""
    if rest.state not in GIVEN:
        return True
    areas = situation.areas(rest.at_ns)
    others = (area.spans for area, decision in areas if _shown(decision) != _shown(rest))
    spans, parts = joined(chain.from_iterable(others)), part_spans(situation.site.rig)
    lights = parts["string"] | parts["fixture"] or parts["controller"]
    return not spans or len(parts_in(spans, lights)) < len(lights)


def _shown(decision: Decision) -> tuple[object, ...]:
    return decision.state, decision.show, decision.piece, decision.brightness


def _next_piece(situation: Situation, at_ns: int) -> dict[str, str] | None:
    """The piece of the running order that begins next; None where none does on this day or the next."""
    found = next_piece(at_ns, situation.site, situation.overrides)
    return None if found is None else {"piece": found[1], "at": isoformat(found[0], situation.timezone)}


def _after_resume(situation: Situation, at_ns: int) -> dict[str, object] | None:
    """What plays once the pauses and darks in force end, and why. None where none is in force."""
    others = tuple(one for one in situation.overrides if not (one.lights_off and one.in_force_at(at_ns)))
    if len(others) == len(situation.overrides) or not situation.trust.trusted:
        return None
    found = situation.segment(at_ns, others)
    return {"light": found.given or found.state == State.RIG_CHECK, "text": found.reasons[0].text}


def _clock_note(situation: Situation) -> str | None:
    clock, verdict = situation.clock, situation.trust.verdict
    if not clock.offset_ns:
        return None
    if verdict.by == "given":
        return verdict.text
    moved = timedelta(seconds=round(clock.offset_ns / SECOND_NS))
    return f"the evening is moved to now: the show's clock differs from the machine's by {moved}"


def nights_json(site: Site, now_ns: int, first: date | None, days: int) -> list[dict[str, object]]:
    """The season's rows for some days; the first day is today by default. InputError."""
    if not 1 <= days <= 1000:
        raise InputError(ConfigError("days", None, None, f"{days} is not from 1 to 1000", "as days=7"))
    begin = first or datetime.fromtimestamp(now_ns // SECOND_NS, site.timezone).date()
    try:
        last = begin + timedelta(days=days - 1)
    except OverflowError:
        raise InputError(ConfigError("from", None, None, f"{begin} is beyond the calendar", "as 2026-12-20")) from None
    return [row.as_json(site) for row in season(site, begin, last)]


def override_json(override: Override, situation: Situation) -> dict[str, object]:
    """An override as HTTP returns it. A burn-in has the dark hours in which it will be dark."""
    now_ns, zone = situation.now_ns(), situation.timezone
    more: dict[str, object] = {
        "show": override.show,
        "piece": override.piece,
        "after": override.after or None,
        "level": override.level,
        "show_continues": override.show_continues or None,
        "zone": override.zone,
        "why": override.why or None,
        "hold": override.hold or None,
    }
    if override.hold:
        more["may_end"] = any(one.name == override.hold and one.may_end for one in situation.site.holds)
    if override.check:
        more |= {"check": override.check.text, "strings": list(override.check.strings)}
        more["fixture"] = override.check.fixture
        more["pattern"] = _pattern_json(override.check)
    if override.kind == Kind.BURN_IN:
        begin_ns = max(now_ns, override.at_ns)
        dark = dark_windows(situation.site, begin_ns, max(begin_ns, override.end_ns), situation.held)
        more["dark"] = [
            {"at": isoformat(one.from_ns, zone), "until": isoformat(one.until_ns, zone), "text": one.hours}
            for one in dark
        ]
    return {
        "id": override.id,
        "kind": str(override.kind),
        "kind_name": TERMS[override.kind].name,
        "at": isoformat(override.at_ns, zone),
        "until": isoformat(override.until_ns, zone),
        "remaining_s": max(0, round((override.end_ns - now_ns) / SECOND_NS)),
        "who": override.who,
        **{key: value for key, value in more.items() if value is not None},
    }


def _pattern_json(check: Check) -> dict[str, object] | None:
    """What a page needs to show the pattern, and the pixel that a walk has reached."""
    if (pattern := check.pattern) is None:
        return None
    keys = ("kind", "colour", "number", "a_second", "controller", "port", "zone")
    return {key: getattr(pattern, key) for key in keys} | {"frames": check.frames}
