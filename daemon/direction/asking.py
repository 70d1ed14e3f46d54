"""From what somebody asks to an override: what is nonsense is a mistake, what the neighbours forbid is refused."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from datetime import datetime, time, timedelta

from gloaming.daemon.direction.billing import dark_window_at
from gloaming.daemon.direction.decide import decide, instant, segment_at
from gloaming.daemon.direction.held import Held
from gloaming.daemon.direction.overrides import ASKED, TERMS, Kind, Override
from gloaming.daemon.direction.score import Reason, State
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.daemon.direction.states import GIVEN
from gloaming.daemon.timetable.zones import resolve
from gloaming.shows.config_files.errors import Mistake, MistakeError
from gloaming.shows.time_units import MINUTE_NS, SECOND_NS

UNDO_SKIP_NS = MINUTE_NS
"""How long a skip can be taken back."""
SOUND_AHEAD_NS = 9 * SECOND_NS // 10
"""How much later a skip takes effect in a show with sound. The next sound must be decoded and pass the device's buffer;
then it begins with its light."""


class Refusal(Exception):
    """What was asked may not be: the rules that forbid it."""

    def __init__(self, *reasons: Reason) -> None:
        super().__init__("; ".join(f"{reason.text} ({reason.rule})" for reason in reasons))
        self.reasons = reasons


def ask(
    request: Mapping[str, object],
    at_ns: int,
    site: SiteProtocol,
    overrides: Iterable[Override] = (),
    who: str = "",
    held: tuple[Held, ...] = (),
) -> Override:
    """The override that a request asks for at an instant, with id 0.

    `{"kind": "pause", "minutes": 15}`; `until` may stand in place of `minutes`: an ISO 8601 instant with its offset,
    a local `"22:15"` (the next one), or `"tonight"` (till the coming noon). A dim has a `level` 0..1, a call a `show`,
    and a pause may go on `unseen`. None is as good as nothing said.

    Raises MistakeError for what cannot be read, Refusal for what may not be.
    """
    request = {key: value for key, value in request.items() if value is not None}
    kind = _kind(request.get("kind"))
    terms = TERMS[kind]
    keys = {"kind", *((terms.key,) if terms.key else ()), *(("minutes", "until") if terms.lasts else ())}
    for key in request:
        if key not in keys:
            raise _mistake(str(key), f"a {kind} has no such key", f"it may have {', '.join(sorted(keys))}")
    until_ns = _until(request, kind, at_ns, site)
    override = Override(
        id=0,
        kind=kind,
        at_ns=at_ns,
        until_ns=until_ns,
        who=who,
        show=_show(request, site) if kind == Kind.CALL else None,
        level=_level(request) if kind == Kind.DIM else None,
        unseen=_unseen(request),
    )
    _allow(override, site, tuple(overrides), held)
    return _with_its_sound(override, site, tuple(overrides), held) if kind == Kind.SKIP else override


def _allow(override: Override, site: SiteProtocol, overrides: tuple[Override, ...], held: tuple[Held, ...]) -> None:
    if override.kind == Kind.CALL:
        window = dark_window_at(override.at_ns, site, held)
        if window:
            raise Refusal(window.reason)
    if override.kind == Kind.SKIP:
        decision = decide(override.at_ns, site, overrides, held)
        if decision.show is None or decision.state not in {*GIVEN, State.PAUSED}:
            raise Refusal(*decision.reasons)


def _with_its_sound(
    skip: Override, site: SiteProtocol, overrides: tuple[Override, ...], held: tuple[Held, ...]
) -> Override:
    """A skip, later by what sound needs; at once where no piece has any, or where something else comes before."""
    later_ns = skip.at_ns + SOUND_AHEAD_NS
    now, later = (segment_at(at_ns, site, overrides, held) for at_ns in (skip.at_ns, later_ns))
    show = site.shows.get(now.show or "")
    sounds = show and any(site.pieces[name].sound for name in (*show.order, show.between or "") if name in site.pieces)
    return replace(skip, at_ns=later_ns) if sounds and now.picture == later.picture else skip


def _mistake(key: str, wrong: str, right: str) -> MistakeError:
    return MistakeError(Mistake("request", None, key, wrong, right))


def _kind(value: object) -> Kind:
    if not isinstance(value, str) or value not in ASKED:
        kinds = ", ".join(ASKED)
        raise _mistake("kind", "missing" if value is None else f"{value!r} is not a kind of override", f"use {kinds}")
    return Kind(value)


def _until(request: Mapping[str, object], kind: Kind, at_ns: int, site: SiteProtocol) -> int:
    longest = TERMS[kind].longest_minutes
    if kind == Kind.SKIP:
        return at_ns + UNDO_SKIP_NS
    if "minutes" in request and "until" in request:
        raise _mistake("until", "stands beside minutes", "give one of the two")
    if "until" in request:
        until_ns = _read_until(request["until"], at_ns, site)
        if not at_ns < until_ns <= at_ns + longest * MINUTE_NS:
            raise _mistake("until", f"{request['until']!r} is not within the next {longest // 60} hours", 'as "22:15"')
        return until_ns
    minutes = request.get("minutes", TERMS[kind].usual_minutes)
    if minutes is None:
        return _read_until("tonight", at_ns, site)
    if isinstance(minutes, bool) or not isinstance(minutes, int | float) or not 0 < minutes <= longest:
        raise _mistake("minutes", f"{minutes!r} is not a number of minutes above 0 and up to {longest}", "as 15")
    return at_ns + max(SECOND_NS, int(minutes * MINUTE_NS))


def _read_until(value: object, at_ns: int, site: SiteProtocol) -> int:
    local = datetime.fromtimestamp(at_ns // SECOND_NS, site.timezone)
    try:
        if value == "tonight":
            clock = time(12)
        elif isinstance(value, str) and len(value) == 5:
            clock = time.fromisoformat(value)
        else:
            at = datetime.fromisoformat(str(value))
            if at.tzinfo is None:
                raise ValueError
            return instant(at)
    except ValueError:
        right = '"22:15", "tonight", or an instant as 2026-12-24T22:15:00+00:00'
        raise _mistake("until", f"{value!r} cannot be read", right) from None
    for days in range(3):
        until_ns = resolve(local.date() + timedelta(days=days), clock, site.timezone)
        if until_ns > at_ns:
            return until_ns
    raise AssertionError("a time of day comes within two days")


def _show(request: Mapping[str, object], site: SiteProtocol) -> str:
    show = request.get("show")
    if not isinstance(show, str) or show not in site.shows:
        wrong = "missing" if show is None else f"there is no show {show!r}"
        raise _mistake("show", wrong, f"use {', '.join(site.shows)}")
    return show


def _level(request: Mapping[str, object]) -> float:
    level = request.get("level")
    if isinstance(level, bool) or not isinstance(level, int | float) or not 0 <= level <= 1:
        raise _mistake("level", f"{level!r} is not a brightness from 0 to 1", "as 0.4")
    return float(level)


def _unseen(request: Mapping[str, object]) -> bool:
    unseen = request.get("unseen", False)
    if not isinstance(unseen, bool):
        raise _mistake("unseen", f"{unseen!r} is neither true nor false", "as true")
    return unseen
