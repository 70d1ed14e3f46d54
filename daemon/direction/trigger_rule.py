"""Whether a trigger may call now. Pure: the same facts give the same answer, on the board and in a rehearsal.

A trigger has no rank of its own. What is stronger than a call by `precedence.py` refuses it, and quiet hours do. Dim
hours do not: they say how bright the light may be and not what is shown, and they lower a called piece as any other.
The calls of a trigger are overrides: a restart finds them, and a step of the clock moves those in force. A step back
makes a rest longer by the step, and never twice as long.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Protocol

from gloaming.daemon.direction.decide import called_at, day_plan, near
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.precedence import place
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.rules_in_force import HeldRule
from gloaming.daemon.direction.score import Reason, ReasonCode, State
from gloaming.daemon.direction.site_protocol import SiteProtocol
from gloaming.daemon.direction.zones_in_force import zones_of_parts
from gloaming.shows.time_units import HOUR_NS, MINUTE_NS, SECOND_NS

LEAST_REST_NS = SECOND_NS
"""A trigger without `cool_down` rests this long: a contact that bounces is one event, and no flood becomes calls."""


ONE_EVENT_NS = 10 * SECOND_NS
"""Two boards that do not know of each other's calls may both call for an event. Within this time it is the same one."""


class TriggerProtocol(Protocol):
    """The keys of a trigger that the rule reads. Lengths in ns."""

    @property
    def name(self) -> str: ...
    @property
    def place(self) -> str: ...
    @property
    def piece(self) -> str | None: ...
    @property
    def show(self) -> str | None: ...
    @property
    def zone(self) -> str | None: ...
    @property
    def lasts(self) -> int | None: ...
    @property
    def after_piece(self) -> bool: ...
    @property
    def cool_down(self) -> int: ...
    @property
    def most_per_hour(self) -> int: ...
    @property
    def only_during(self) -> tuple[str, ...] | None: ...
    @property
    def while_waiting(self) -> bool: ...


def caller(name: str) -> str:
    """Who asks for what a trigger calls."""
    return f"trigger {name}"


def is_trigger(who: str) -> bool:
    """Whether it is a trigger that asks."""
    return who.startswith(caller(""))


def request_of(trigger: TriggerProtocol) -> dict[str, object]:
    """The request of an override that a trigger stands for."""
    request: dict[str, object] = {"kind": "call"}
    request |= {key: value for key in ("piece", "show", "zone") if (value := getattr(trigger, key)) is not None}
    if trigger.lasts is not None:
        request["minutes"] = trigger.lasts / MINUTE_NS
    if trigger.after_piece:
        request["after"] = True
    return request


def called_by(name: str, overrides: Iterable[Override]) -> tuple[int, ...]:
    """When a trigger has called, in order."""
    return tuple(sorted(one.at_ns for one in _calls(name, overrides)))


def least_rest_ns(name: str, overrides: Iterable[Override], board: str) -> int:
    """How long a trigger rests at least on a board: longer where another board has called last."""
    last = max(_calls(name, overrides), key=lambda one: one.at_ns, default=None)
    return ONE_EVENT_NS if last and last.author != board else LEAST_REST_NS


def _calls(name: str, overrides: Iterable[Override]) -> Iterator[Override]:
    return (one for one in overrides if one.kind == Kind.CALL and one.who == caller(name))


def refusal(
    trigger: TriggerProtocol,
    at_ns: int,
    site: SiteProtocol,
    overrides: Iterable[Override] = (),
    held: tuple[HeldRule, ...] = (),
    called: tuple[int, ...] = (),
    least_rest_ns: int = LEAST_REST_NS,
) -> Reason | None:
    """Why a trigger may not call at an instant, None where it may. `called` are the instants at which it has called.

    A trigger for a zone with several areas is refused where each area refuses it, as a call is. A call of a piece with
    sound begins within a second. A later instant of `called` does not count: the clock was ahead then.
    """
    overrides = tuple(overrides)
    parts = zones_of_parts(trigger.zone, site, near(overrides, at_ns))
    found = [_refusal_in(trigger, at_ns, site, overrides, held, zones) for zones in parts]
    if found and all(found):
        return found[0]
    return _too_often(trigger, at_ns, site, called, max(trigger.cool_down, least_rest_ns))


def _refusal_in(
    trigger: TriggerProtocol,
    at_ns: int,
    site: SiteProtocol,
    overrides: tuple[Override, ...],
    held: tuple[HeldRule, ...],
    zones: frozenset[str],
) -> Reason | None:
    """Why it may not call in the area that is in these zones."""
    plan = day_plan(at_ns, site, overrides, held, zones)
    rules, segment = plan.rules_at(at_ns), plan.segment_at(at_ns)
    if rules.decides and place(rules.decides.claim) < place(Kind.CALL):
        return segment.reasons[0]
    if quiet := next((window for window in rules.windows if window.quiet), None):
        return quiet.reason
    show = rules.show.show if rules.show else None
    if show is None and not trigger.while_waiting:
        return reason(ReasonCode.NO_SHOW, f"{trigger.place} trigger", trigger=trigger.name)
    if show and trigger.only_during and show not in trigger.only_during:
        during, rule = " or ".join(trigger.only_during), f"{trigger.place} trigger.only_during"
        return reason(ReasonCode.OTHER_SHOW, rule, show=show, trigger=trigger.name, during=during)
    plays = show if trigger.show else segment.piece if segment.state == State.PLAYING else None
    if plays and plays == (trigger.show or trigger.piece):
        return reason(ReasonCode.PLAYS_ALREADY, f"{trigger.place} trigger", plays=plays)
    waiting = [one.call for one in called_at(at_ns, site, overrides, held) if one.from_ns > at_ns]
    if any((one.piece, one.zone) == (trigger.piece, trigger.zone) for one in waiting):
        return reason(ReasonCode.WAITS_ALREADY, f"{trigger.place} trigger", waits=trigger.piece)
    return None


def _too_often(
    trigger: TriggerProtocol, at_ns: int, site: SiteProtocol, called: tuple[int, ...], rest_ns: int
) -> Reason | None:
    past = sorted(instant for instant in called if instant <= at_ns + LEAST_REST_NS)
    most = trigger.most_per_hour
    if past and at_ns - past[-1] < rest_ns:
        until, rule = _clock(past[-1] + rest_ns, site), f"{trigger.place} trigger.cool_down"
        return reason(ReasonCode.COOL_DOWN, rule, trigger=trigger.name, until=until)
    if len(past) >= most and at_ns - past[-most] < HOUR_NS:
        until, rule = _clock(past[-most] + HOUR_NS, site), f"{trigger.place} trigger.most_per_hour"
        return reason(ReasonCode.MOST_PER_HOUR, rule, trigger=trigger.name, until=until, most=most)
    return None


def _clock(at_ns: int, site: SiteProtocol) -> str:
    return f"{datetime.fromtimestamp(at_ns // SECOND_NS, site.timezone):%H:%M:%S}"
