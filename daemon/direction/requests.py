"""Makes an override from a checked request. Names that the site does not have are errors; its rules may refuse it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import date, datetime, time, timedelta
from typing import Any

from gloaming.daemon.direction.areas import decide_areas
from gloaming.daemon.direction.called_pieces import zones_of
from gloaming.daemon.direction.decide import called_at, instant, segment_at
from gloaming.daemon.direction.occurrences import dark_window_at, rundown_piece
from gloaming.daemon.direction.overrides import DAY_MINUTES, PAUSES, TERMS, WEEK_MINUTES, WEEKDAYS, Kind, Override
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.rules_in_force import HeldRule
from gloaming.daemon.direction.score import Reason, ReasonCode, State
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.daemon.direction.states import GIVEN
from gloaming.daemon.direction.zones_in_force import REST, zones_of_parts
from gloaming.daemon.timetable.zones import resolve
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.known_names import instead
from gloaming.shows.time_units import DAY_NS, MINUTE_NS, SECOND_NS

UNDO_SKIP_NS = MINUTE_NS
"""How long a skip can be undone."""
SOUND_AHEAD_NS = 9 * SECOND_NS // 10
"""The delay of a skip in a show with sound. The next sound is decoded and passes the device's buffer in this time, so
that it begins together with its light."""
WAITING_MAX = 10
"""The most called pieces that wait for one part of the rig."""
PAUSES_NS = 60 * MINUTE_NS
"""How long pauses may lengthen the time until a called piece ends. Nobody expects it hours later."""
NOON = time(12)
"""A day without a time ends then: the night before it is over."""


class Refusal(Exception):
    """A request is not allowed, for these reasons."""

    def __init__(self, *reasons: Reason) -> None:
        super().__init__("; ".join(f"{reason.text} ({reason.rule})" for reason in reasons))
        self.reasons = reasons


def ask(
    request: Mapping[str, Any],
    at_ns: int,
    site: SiteProtocol,
    overrides: Iterable[Override] = (),
    who: str = "",
    held: tuple[HeldRule, ...] = (),
) -> Override:
    """The override that a request asks for at an instant, with id 0.

    `request` has passed its model (api/http/schemas/overrides.py): `{"kind": "pause", "minutes": 15}`. `until` is an
    ISO 8601 instant with its offset, a local `"22:15"` (the next one), `"tonight"` (until the next noon), or a day:
    `"saturday"` or `"2026-12-19"` (until noon of that day).

    Raises InputError for a show or a zone that does not exist and for an end that is past or too far away, Refusal for
    what the rules forbid.
    """
    kind = Kind(request["kind"])
    if "piece" in request:
        return _call_of_piece(request, at_ns, site, tuple(overrides), who, held)
    override = Override(
        id=0,
        kind=kind,
        at_ns=at_ns,
        until_ns=_until(request, kind, at_ns, site),
        who=who,
        show=_known("show", request["show"], site.shows) if kind == Kind.CALL else None,
        level=request.get("level"),
        show_continues=request.get("show_continues", False),
        zone=known_zone(request["zone"], site) if "zone" in request else None,
        why=request.get("why", ""),
    )
    _allow(override, site, tuple(overrides), held)
    return _with_its_sound(override, site, tuple(overrides), held) if kind == Kind.SKIP else override


def _call_of_piece(
    request: Mapping[str, Any],
    at_ns: int,
    site: SiteProtocol,
    overrides: tuple[Override, ...],
    who: str,
    held: tuple[HeldRule, ...],
) -> Override:
    """The call of a piece. It ends an hour after its end by the plan of now, at the latest: so long it waits for
    pauses. Where nothing plays, `after` is now. A piece with sound begins when its sound can."""
    piece = _known("piece", request["piece"], site.pieces)
    zone = known_zone(request["zone"], site) if "zone" in request else None
    after = request.get("after", False)
    call = Override(0, Kind.CALL, at_ns, at_ns + 7 * DAY_NS, who, zone=zone, piece=piece, after=after)
    _allow(call, site, overrides, held)
    playable = rundown_piece(piece, site)
    if playable is None or playable.is_damaged(at_ns):
        raise Refusal(reason(ReasonCode.NO_FRAMES, f"piece {piece}", piece=piece))
    waiting = [one for one in called_at(at_ns, site, overrides, held) if one.call.zone == zone and one.from_ns > at_ns]
    if call.after and len(waiting) >= WAITING_MAX:
        raise Refusal(reason(ReasonCode.TOO_MANY_CALLS, "gloaming overrides", count=len(waiting)))
    running = tuple(_without_pause(one, at_ns) for one in overrides)
    found = next(one for one in called_at(at_ns, site, (*running, call), held) if one.call == call)
    if found.from_ns == found.until_ns:
        window = dark_window_at(found.from_ns, site.in_zones(zones_of(zone, site, overrides) or REST), held)
        raise Refusal(*([window.reason] if window else []))
    after = found.from_ns > at_ns
    later_ns = SOUND_AHEAD_NS if playable.sound and not after else 0
    return replace(call, at_ns=at_ns + later_ns, until_ns=found.until_ns + later_ns + PAUSES_NS, after=after)


def _without_pause(override: Override, at_ns: int) -> Override:
    """An override, ended at an instant if it is a pause."""
    paused = override.kind in PAUSES and override.in_force_at(at_ns)
    return replace(override, ended_ns=at_ns) if paused else override


def _allow(override: Override, site: SiteProtocol, overrides: tuple[Override, ...], held: tuple[HeldRule, ...]) -> None:
    if override.kind == Kind.CALL:
        windows = [
            dark_window_at(override.at_ns, site.in_zones(zones), held) for zones in zones_of_parts(override.zone, site)
        ]
        if windows and all(windows):
            raise Refusal(*dict.fromkeys(window.reason for window in windows if window))
        show = site.shows.get(override.show or "")
        names = (*show.order, show.between or "") if show else (override.piece or "",)
        if override.zone and not site.reaches(names, override.zone):
            what = f"no piece of {show.name} has a slot" if show else f"{override.piece} has no slot"
            raise _invalid("zone", f"{what} of {override.zone}", "name something else, or leave the zone out")
    if override.kind == Kind.SKIP:
        found = decide_areas(override.at_ns, site, overrides, held)
        given = [one for one in (found.rest, *(one for _, one in found.areas)) if one.show or one.piece]
        if not any(one.state in {*GIVEN, State.PAUSED} for one in given):
            raise Refusal(*found.rest.reasons)


def _with_its_sound(
    skip: Override, site: SiteProtocol, overrides: tuple[Override, ...], held: tuple[HeldRule, ...]
) -> Override:
    """The skip, delayed as sound needs it. No delay where no piece has sound, or where another picture comes first."""
    later_ns = skip.at_ns + SOUND_AHEAD_NS
    now, later = (segment_at(at_ns, site, overrides, held) for at_ns in (skip.at_ns, later_ns))
    show = site.shows.get(now.show or "")
    names = (
        (*show.order, show.between or "") if show else (now.piece or "",)
    )  # without a show: what is heard of an area
    sounds = any(site.pieces[name].sound for name in names if name in site.pieces)
    return replace(skip, at_ns=later_ns) if sounds and now.picture == later.picture else skip


def _invalid(key: str, problem: str, hint: str) -> InputError:
    return InputError(ConfigError("request", None, key, problem, hint))


def _until(request: Mapping[str, Any], kind: Kind, at_ns: int, site: SiteProtocol) -> int:
    terms = TERMS[kind]
    if not terms.lasts:
        return at_ns + UNDO_SKIP_NS
    minutes = request.get("minutes", terms.usual_minutes)
    if "until" in request or minutes is None:
        until = request.get("until", "tonight")
        until_ns = _instant_of(until, at_ns, site)
        if not at_ns < until_ns <= at_ns + terms.longest_minutes * MINUTE_NS:
            minutes = terms.longest_minutes
            longest = f"{minutes // 60} hours" if minutes <= WEEK_MINUTES else f"{minutes // DAY_MINUTES} days"
            problem = f"{until!r} is not within the next {longest}"
            raise _invalid("until", problem, 'as "22:15" or "saturday"')
        return until_ns
    return at_ns + max(SECOND_NS, int(minutes * MINUTE_NS))


def _instant_of(until: str, at_ns: int, site: SiteProtocol) -> int:
    if until == "tonight" or until in WEEKDAYS:
        clock = NOON
    elif len(until) == len("22:15"):
        clock = time.fromisoformat(until)
    elif len(until) == len("2026-12-19"):
        return resolve(date.fromisoformat(until), NOON, site.timezone)
    else:
        return instant(datetime.fromisoformat(until))
    today = datetime.fromtimestamp(at_ns // SECOND_NS, site.timezone).date()
    for day in (today + timedelta(days=days) for days in range(9)):
        until_ns = resolve(day, clock, site.timezone)
        if until_ns > at_ns and (until not in WEEKDAYS or until == WEEKDAYS[day.weekday()]):
            return until_ns
    raise AssertionError("every time of day comes within two days, every day of the week within eight")


def known_zone(zone: str, site: SiteProtocol) -> str:
    """A part of the rig by its name. InputError where the rig has no such part."""
    if zone not in site.zones:
        known = [*site.zones]
        hint = instead(zone, known) if known else "add [[zone]] to rig.toml"
        raise _invalid("zone", f"there is no zone {zone!r}", hint)
    return zone


def _known(key: str, name: str, known: Mapping[str, object]) -> str:
    if name not in known:
        raise _invalid(key, f"there is no {key} {name!r}", instead(name, sorted(known)))
    return name
