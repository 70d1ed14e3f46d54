"""What triggers, holds and people would do, given a list of facts: by the rules that the planner runs. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.decide import called_at, isoformat
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.requests import Refusal, ask
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.direction.trigger_rule import called_by, caller, refusal, request_of
from gloaming.daemon.integrations import hold_rule
from gloaming.daemon.integrations.hold_rule import HoldState, UnreadableError, clock_time
from gloaming.daemon.site.schema_outside import Hold, Trigger
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.known_names import instead

BY_HAND = "by hand"
MAKES = {"dark": "lights off", "paused": "show paused, lights off", "dim": "light at {:.0%}"}


@dataclass(frozen=True, slots=True)
class Fact:
    """What happens at an instant: an event of a trigger, a reading of a hold, or the request of a person as HTTP takes
    it. `file` and `line` are its place."""

    at_ns: int
    file: Path
    line: int
    trigger: str | None = None
    hold: str | None = None
    reading: float | str | None = None
    request: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class FactOutcome:
    """What a fact does, or what time does to a hold: the trigger, the hold or "by hand", and a text. `refused` has the
    code of the reason."""

    at_ns: int
    name: str
    text: str
    refused: ReasonCode | None = None

    def as_json(self, site: Site) -> dict[str, str | None]:
        at = isoformat(self.at_ns, site.timezone)
        return {"at": at, "name": self.name, "text": self.text, "refused": self.refused and str(self.refused)}


def play(site: Site, facts: Iterable[Fact], until_ns: int) -> tuple[tuple[Override, ...], tuple[FactOutcome, ...]]:
    """The overrides that the facts make until an instant, and what each fact does. InputError for a name that the site
    does not have.

    A hold listens from its first reading on. After its last one its source is silent.
    """
    facts = sorted(facts, key=lambda fact: fact.at_ns)
    return _FactPlayer(site, facts).run(until_ns)


class _FactPlayer:
    def __init__(self, site: Site, facts: list[Fact]) -> None:
        self._site, self._facts = site, facts
        self._triggers = {one.name: one for one in site.triggers}
        self._holds = {one.name: one for one in site.holds}
        self._states: dict[str, HoldState] = {}
        self._overrides: tuple[Override, ...] = ()
        self._outcomes: list[FactOutcome] = []

    def run(self, until_ns: int) -> tuple[tuple[Override, ...], tuple[FactOutcome, ...]]:
        for fact in self._facts:
            self._pass_time(fact.at_ns)
            if fact.trigger is not None:
                self._pull(self._known(fact, "trigger", self._triggers), fact)
            elif fact.hold is not None:
                self._hear(self._known(fact, "hold", self._holds), fact)
            else:
                self._ask(fact)
        self._pass_time(until_ns)
        return self._overrides, tuple(self._outcomes)

    def _known(self, fact: Fact, key: str, known: Mapping[str, Any]) -> Any:
        name = getattr(fact, key)
        if name in known:
            return known[name]
        hint = instead(name, known) if known else f"add [[{key}]] to site.toml"
        raise InputError(ConfigError(fact.file, fact.line, key, f"there is no {key} {name!r}", hint))

    # triggers and people

    def _pull(self, trigger: Trigger, fact: Fact) -> None:
        at_ns, name = fact.at_ns, trigger.name
        refused = refusal(trigger, at_ns, self._site, self._overrides, (), called_by(name, self._overrides))
        if refused is None:
            try:
                call = self._take(request_of(trigger), at_ns, caller(name))
            except Refusal as error:
                refused = error.reasons[0]
            else:
                begins = next((one.from_ns for one in self._called(at_ns) if one.call.id == call.id), call.at_ns)
                later = f", at {clock_time(begins, self._site.timezone)}" if call.after else ""
                self._note(at_ns, name, f"calls {trigger.piece or trigger.show}{_in(trigger.zone)}{later}")
                return
        self._note(at_ns, name, f"refused: {refused.text} ({refused.rule})", refused.code)

    def _ask(self, fact: Fact) -> None:
        try:
            found = self._take(fact.request or {}, fact.at_ns, "")
        except Refusal as error:
            self._note(fact.at_ns, BY_HAND, f"refused: {error}", error.reasons[0].code)
        except InputError as error:
            raise InputError(*(replace(one, file=fact.file, line=fact.line) for one in error.errors)) from None
        else:
            of = found.piece or found.show
            what = f"{found.kind.words}{f' of {of}' if of else ''}{_in(found.zone)}"
            self._note(fact.at_ns, BY_HAND, f"{what} until {clock_time(found.until_ns, self._site.timezone)}")

    def _take(self, request: Mapping[str, Any], at_ns: int, who: str) -> Override:
        """The override of a request. It ends those whose place it takes. Refusal, InputError."""
        new = ask(request, at_ns, self._site, self._overrides, who)
        for one in self._overrides:
            if at_ns < one.end_ns and new.replaces(one):
                self._change(replace(one, ended_ns=new.at_ns))
        return self._add(new)

    def _called(self, at_ns: int) -> Iterable[Any]:
        return called_at(at_ns, self._site, self._overrides)

    # holds

    def _hear(self, hold: Hold, fact: Fact) -> None:
        reading: object = fact.reading if hold.json_key is None else {hold.json_key: fact.reading}
        payload = reading if isinstance(reading, str) else json.dumps(reading)
        try:
            found = hold_rule.read_payload(hold, payload.encode())
        except UnreadableError as error:
            self._note(fact.at_ns, hold.name, f"this reading does not count: {error}")
            return
        self._note(fact.at_ns, hold.name, hold_rule.condition(hold, found))
        state = self._states.get(hold.name, HoldState(fact.at_ns))
        self._put(hold, hold_rule.heard(hold, state, found, fact.at_ns), fact.at_ns)

    def _pass_time(self, until_ns: int) -> None:
        """Make all changes that time alone brings to the holds until an instant, in order."""
        while True:
            coming = [
                (*change, self._holds[name])
                for name, state in self._states.items()
                if (change := hold_rule.next_change(self._holds[name], state)) and change[0] <= until_ns
            ]
            if not coming:
                return
            at_ns, state, hold = min(coming, key=lambda change: change[0])
            self._put(hold, state, at_ns)

    def _put(self, hold: Hold, state: HoldState, at_ns: int) -> None:
        """A new state of a hold. Its override begins, goes on with another reason, or ends."""
        self._states[hold.name] = state
        found = next((one for one in self._overrides if one.hold == hold.name and at_ns < one.end_ns), None)
        if not state.in_force_at(at_ns):
            if found:
                self._change(replace(found, ended_ns=at_ns))
                self._note(at_ns, hold.name, "is over")
            return
        new = hold_rule.override_of(hold, state, at_ns, self._site.timezone)
        if found is None:
            self._add(new)
            self._note(at_ns, hold.name, f"{MAKES[hold.makes].format(hold.level)}{_in(hold.zone)}: {new.why}")
        elif new.why != found.why:
            self._change(replace(found, why=new.why))

    # what there is

    def _add(self, override: Override) -> Override:
        override = replace(override, id=len(self._overrides) + 1)
        self._overrides += (override,)
        return override

    def _change(self, override: Override) -> None:
        self._overrides = tuple(override if one.id == override.id else one for one in self._overrides)

    def _note(self, at_ns: int, name: str, text: str, refused: ReasonCode | None = None) -> None:
        self._outcomes.append(FactOutcome(at_ns, name, text, refused))


def _in(zone: str | None) -> str:
    return f" in {zone}" if zone else ""
