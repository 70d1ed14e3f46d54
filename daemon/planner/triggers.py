"""The site's triggers: each event becomes a call, or a refusal with its reason. Refusals are counted, not alarmed.

A call of a trigger is an override like any other, so that a restart changes nothing. Refusals are in memory alone.
Counts are those since the last noon: they are of one night.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import NOON, Refusal
from gloaming.daemon.direction.score import Reason, ReasonCode
from gloaming.daemon.direction.trigger_rule import (
    LEAST_REST_NS,
    called_by,
    caller,
    least_rest_ns,
    refusal,
    request_of,
)
from gloaming.daemon.planner.acting_board import ActingBoard
from gloaming.daemon.planner.commands import Commands
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.site.schema_outside import Trigger
from gloaming.daemon.timetable.zones import resolve
from gloaming.shows.time_units import SECOND_NS

KIND = "trigger"
"""The kind of a trigger's lines in the journal."""


@dataclass(frozen=True, slots=True)
class Pulled:
    """What became of an event: the override that it made, or why it was refused."""

    override: dict[str, Any] | None = None
    refused: Reason | None = None


@dataclass(frozen=True, slots=True)
class TriggerCounts:
    """The events of a trigger since noon, and when it last called and was last refused."""

    calls: int
    refusals: Mapping[ReasonCode, int]
    called_ns: int | None
    refused_ns: int | None


@dataclass(slots=True)
class _Refusals:
    night: date
    by_reason: Counter[ReasonCode] = field(default_factory=Counter)
    last_ns: int | None = None


class Triggers:
    """Counts refusals. `pulled` is called on the event loop."""

    def __init__(self, situation: Situation, commands: Commands, acting: ActingBoard) -> None:
        self._situation, self._commands, self._acting = situation, commands, acting
        self._refusals: dict[str, _Refusals] = {}

    async def pulled(self, name: str, by: str, at_ns: int) -> Pulled:
        """Act on an event of a trigger at an instant. `by` says where it came from: "mqtt", "http", "KEY_ENTER".

        The rule judges the present, because a call begins now.
        """
        now = self._situation
        now.after_step()
        trigger = self._named(name)
        if trigger is None:  # the site was read again since it listened
            return Pulled(refused=reason(ReasonCode.NO_TRIGGER, "site.toml trigger", trigger=name))
        refused = self._refusal(trigger, now.now_ns())
        if refused is None:
            try:
                override = await self._commands.ask(request_of(trigger), caller(name))
            except Refusal as error:
                refused = error.reasons[0]
            else:
                self._called(trigger, by, at_ns)
                return Pulled(override)
        self._refused(trigger, by, at_ns, refused)
        return Pulled(refused=refused)

    def turn(self, name: str) -> int | None:
        """The place of this board among those that may act on a message for a trigger, 0 if it acts at once. None if it
        never does."""
        trigger = self._named(name)
        return self._acting.turn(trigger.board) if trigger else None

    def was_called(self, name: str, at_ns: int) -> bool:
        """Whether a board has called for an event of an instant, or after it."""
        return any(called_ns >= at_ns - LEAST_REST_NS for called_ns in called_by(name, self._situation.overrides))

    def was_refused(self, name: str, at_ns: int) -> bool:
        """Whether the rule refuses an event of an instant, to any board."""
        trigger = self._named(name)
        return trigger is None or self._refusal(trigger, at_ns) is not None

    def counts(self) -> dict[str, TriggerCounts]:
        """The counts of each trigger of the site, by its name."""
        return {trigger.name: self._counts_of(trigger) for trigger in self._situation.site.triggers}

    def as_json(self) -> list[dict[str, Any]]:
        """The answer of GET /api/triggers: each trigger with its last call, and the night's calls and refusals."""
        return [self._trigger_json(trigger) for trigger in self._situation.site.triggers]

    def _counts_of(self, trigger: Trigger) -> TriggerCounts:
        called = called_by(trigger.name, self._situation.overrides)
        noon_ns = resolve(self._night(), NOON, self._situation.timezone)
        refusals = self._refusals_of(trigger.name)
        calls = sum(at_ns >= noon_ns for at_ns in called)
        return TriggerCounts(calls, refusals.by_reason, called[-1] if called else None, refusals.last_ns)

    def _refusals_of(self, name: str) -> _Refusals:
        """The refusals of this night."""
        night = self._night()
        found = self._refusals.get(name)
        if found is None or found.night != night:
            found = self._refusals[name] = _Refusals(night)
        return found

    def _night(self) -> date:
        """The date of the last noon."""
        local = datetime.fromtimestamp(self._situation.now_ns() // SECOND_NS, self._situation.timezone)
        return local.date() - timedelta(days=local.time() < NOON)

    def _trigger_json(self, trigger: Trigger) -> dict[str, Any]:
        counts, refused = self._counts_of(trigger), self._refusal(trigger, self._situation.now_ns())
        called_at, refused_at = (
            None if at_ns is None else isoformat(at_ns, self._situation.timezone)
            for at_ns in (counts.called_ns, counts.refused_ns)
        )
        return {
            "name": trigger.name,
            "piece": trigger.piece,
            "show": trigger.show,
            "zone": trigger.zone,
            "by": [way for way in ("mqtt", "http", "device") if getattr(trigger, way)],
            "board": self._acting.name(trigger.board) if trigger.mqtt else None,
            "last_call": called_at,
            "calls": counts.calls,
            "refusals": {str(code): number for code, number in sorted(counts.refusals.items())},
            "last_refusal": refused_at,
            "refused_now": refused.as_json() if refused else None,
        }

    def _named(self, name: str) -> Trigger | None:
        return next((one for one in self._situation.site.triggers if one.name == name), None)

    def _refusal(self, trigger: Trigger, at_ns: int) -> Reason | None:
        """Why a trigger may not call at an instant."""
        now = self._situation
        if not now.trust.trusted:
            return now.no_clock()
        called = called_by(trigger.name, now.overrides)
        rest_ns = least_rest_ns(trigger.name, now.overrides, now.site.board_name)
        return refusal(trigger, at_ns, now.site, now.overrides, now.held, called, rest_ns)

    def _called(self, trigger: Trigger, by: str, at_ns: int) -> None:
        note = f": {trigger.note}" if trigger.note else ""
        text = f"{trigger.name} calls {trigger.piece or trigger.show} ({by}){note}"
        self._situation.store.note(at_ns, KIND, text, caller(trigger.name), {"trigger": trigger.name, "by": by})

    def _refused(self, trigger: Trigger, by: str, at_ns: int, refused: Reason) -> None:
        refusals = self._refusals_of(trigger.name)
        refusals.by_reason[refused.code] += 1
        refusals.last_ns = at_ns
        text = f"{trigger.name} is refused ({by}): {refused.text}"
        self._situation.store.note_seldom(at_ns, KIND, text, "refused", {"trigger": trigger.name, "by": by})
