"""The holds of the site: hears their readings, and keeps an override in force while a hold holds.

`hold_rule.py` has the rule. The states are one fact in the store, so that a restart goes on where the planner was. A
reading alone is not written, because a card wears out.

With several boards, each hears the readings and has its own states. One board begins and ends the overrides. The others
learn from these what it knows better: a hold that was in force before they listened, and one that a person has ended.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from hashlib import sha256

from pydantic import TypeAdapter, ValidationError

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.integrations import hold_rule
from gloaming.daemon.integrations.hold_rule import (
    HoldState,
    Reading,
    UnreadableError,
    clock_time,
    condition,
    override_of,
    read_payload,
    why_of,
)
from gloaming.daemon.planner.acting_board import ActingBoard
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.site.schema_outside import Hold
from gloaming.shows.time_units import HOUR_NS, SECOND_NS

FACT = "holds"
ENDED_NS = HOUR_NS
"""For this long a person ends a hold."""
APART_NS = SECOND_NS
"""Readings begin and end overrides once in this time."""
WRITE_APART_NS = 10 * SECOND_NS
"""Where readings only begin a condition again and again, the states are written once in this time."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """The state of a hold. `rule` is the digest of its table; `source` is the digest of what its readings are.

    `override` is the id of the newest override of which the state knows.
    """

    rule: str
    source: str
    state: HoldState
    override: int = 0

    @property
    def soon(self) -> tuple[object, ...]:
        """What is written as soon as it changes."""
        state = self.state
        return self.rule, self.override, state.from_ns, state.by, state.since_ns, state.silent, state.ended_until_ns


@dataclass(frozen=True, slots=True)
class _Fact:
    """The stored states, and the clocks by which their instants are."""

    boot: str
    apart_ns: int
    holds: dict[str, _Kept]


_FACT = TypeAdapter(_Fact)


class Holds:
    """Owns the states. `decide` is called when an override begins or ends. `wake_at` is called with the next instant at
    which time alone changes a state, if it comes within two seconds."""

    def __init__(
        self,
        situation: Situation,
        decide: Callable[[], None],
        acting: ActingBoard,
        wake_at: Callable[[datetime], None] = lambda at: None,
    ) -> None:
        self._situation, self._decide, self._acting, self._wake_at = situation, decide, acting, wake_at
        self._tables: tuple[Hold, ...] | None = None
        """The tables that the states are of; None until the clock is trusted, since no instant counts before."""
        self._kept: dict[str, _Kept] = {}
        self._early: dict[str, tuple[Reading, bool]] = {}
        """The last reading of each hold while the clock is not trusted."""
        self._problems: dict[str, str] = {}
        self._apart_ns = self._latest_ns = self._changed_ns = self._written_ns = 0
        self._written: dict[str, _Kept] = {}

    def heard(self, name: str, payload: bytes, at_ns: int, retained: bool = False) -> str | None:
        """Take a reading that came at an instant. Returns the problem with one that cannot be read.

        A `retained` message that repeats the last reading says nothing new: a broker has it also when its source is
        dead.
        """
        now_ns = self._catch_up()
        hold = self._named(name)
        if hold is None:
            return None
        try:
            reading = read_payload(hold, payload)
        except UnreadableError as error:
            self._problems[name] = f"{name}: {error}"
            self._situation.store.note_seldom(self._situation.now_ns(), "hold", self._problems[name], name)
            return self._problems[name]
        self._problems.pop(name, None)
        if now_ns is None:
            self._early[name] = reading, retained
            return None
        before = self._kept[name].state
        self._hear(hold, reading, max(self._latest_ns, min(at_ns, now_ns)), retained)
        state = self._kept[name].state
        changed = state.in_force_at(now_ns) != before.in_force_at(now_ns)
        if changed and not 0 <= now_ns - self._changed_ns < APART_NS:
            self._follow(now_ns)
        elif state.run_ns != before.run_ns:
            self._write(now_ns)
        return None

    def look(self) -> None:
        """Bring all states to now, and the overrides with them."""
        now_ns = self._catch_up()
        if now_ns is None or self._tables is None:
            return
        self._latest_ns = now_ns
        coming: list[int] = []
        for hold in self._tables:
            self._put(hold, hold_rule.at(hold, self._kept[hold.name].state, now_ns))
            state = self._kept[hold.name].state
            change = hold_rule.next_change(hold, state)
            coming += [state.ended_until_ns, *([change[0]] if change else [])]
        self._follow(now_ns)
        soon = [at_ns for at_ns in coming if now_ns < at_ns < now_ns + 2 * SECOND_NS]
        if soon:
            self._wake_at(self._situation.clock.due(min(soon)))

    def end(self, override: Override, at_ns: int, who: str = "a person") -> str:
        """End a hold for an hour. Returns what the journal says. Refusal if its table does not allow that."""
        name = override.hold
        hold = next((one for one in self._tables or () if one.name == name), None)
        if hold is not None and not hold.may_end:
            rule = f"{hold.place} hold.may_end"
            raise Refusal(reason(ReasonCode.HOLD_STAYS, rule, override=override.id, hold=name, why=override.why))
        if hold is not None:
            self._put(hold, replace(self._kept[name].state, ended_until_ns=at_ns + ENDED_NS))
        for one in self._in_force(at_ns):
            if one.hold == name:
                self._situation.end(one.id, at_ns, who)
        self._write(at_ns)
        return f"the hold {name} is ended until {self._clock_time(at_ns + ENDED_NS)}"

    def as_json(self) -> list[dict[str, object]]:
        """Every hold: its last reading, whether it holds, and why."""
        caught_up_ns, zone = self._catch_up(), self._situation.timezone
        now_ns = self._situation.now_ns()
        in_force = {one.hold: one for one in self._in_force(now_ns)}
        found: list[dict[str, object]] = []
        for hold in self._situation.site.holds:
            acts = self._acting.acts_on(hold)
            state = HoldState(now_ns)
            if caught_up_ns is not None:
                state = hold_rule.at(hold, self._kept[hold.name].state, caught_up_ns)
            override = in_force.get(hold.name)
            instants = {
                "heard": state.heard_ns,
                "since": state.from_ns,
                "ended_until": state.ended_until_ns if state.ended_until_ns > now_ns else None,
            }
            found.append(
                {
                    "name": hold.name,
                    "makes": hold.makes,
                    "zone": hold.zone,
                    "level": hold.level,
                    "reading": state.reading,
                    "silent": now_ns >= state.last_ns + hold.silent_after,
                    "holds": state.in_force_at(now_ns) if acts else override is not None,
                    "text": self._text(hold, state, override),
                    "may_end": hold.may_end,
                    "override": override.id if override else None,
                    "board": hold.board if hold.http else self._acting.name(hold.board),
                    "problem": self._problems.get(hold.name),
                    **{key: None if at_ns is None else isoformat(at_ns, zone) for key, at_ns in instants.items()},
                }
            )
        return found

    # readings and time

    def _catch_up(self) -> int | None:
        """Follow the clock and the site. Returns the present instant; None while the clock is not trusted."""
        now = self._situation
        now.after_step()
        now_ns, clocks = now.now_ns(), now.steps.clocks
        if not now.trust.trusted:
            return None
        if self._tables is None:
            self._kept = self._stored(now_ns)
        elif step_ns := clocks.apart_ns - self._apart_ns:
            self._latest_ns += step_ns
            self._kept = {
                name: replace(one, state=hold_rule.moved(one.state, step_ns)) for name, one in self._kept.items()
            }
        self._apart_ns = clocks.apart_ns
        if self._tables is not now.site.holds:
            self._tables = now.site.holds
            self._kept = {hold.name: _begun(hold, self._kept.get(hold.name), now_ns) for hold in self._tables}
        for hold in self._tables if now.site.boards else ():
            self._learn(hold, now_ns)
        early, self._early = self._early, {}
        for hold in self._tables:
            if hold.name in early:
                self._hear(hold, early[hold.name][0], now_ns, early[hold.name][1])
        return now_ns

    def _hear(self, hold: Hold, reading: Reading, at_ns: int, retained: bool) -> None:
        state = self._kept[hold.name].state
        if not (retained and reading == state.reading):
            self._put(hold, hold_rule.heard(hold, state, reading, at_ns))
            self._latest_ns = at_ns

    def _learn(self, hold: Hold, now_ns: int) -> None:
        """Learn from what other boards have begun and ended. A hold that stands goes on until its own rule ends it."""
        kept, state = self._kept[hold.name], self._kept[hold.name].state
        shared = [one for one in self._situation.overrides if one.hold == hold.name and one.at_ns <= now_ns]
        standing = next((one for one in shared if one.in_force_at(now_ns)), None)
        over_ns = max((one.end_ns for one in shared), default=0)
        until_ns = max((one.end_ns + ENDED_NS for one in shared if one.ended_by), default=0)
        if standing and standing.id != kept.override:
            kept = replace(kept, override=standing.id)
            state = hold_rule.taken_over(hold, state, standing.at_ns) if state.from_ns is None else state
        elif not standing and state.from_ns is not None and over_ns >= max(state.from_ns, until_ns):
            state = replace(state, from_ns=None, run_ns=None)
        if state.from_ns is not None and state.from_ns <= until_ns - ENDED_NS:
            state = replace(state, ended_until_ns=until_ns)
        self._kept[hold.name] = replace(kept, state=state)

    def _put(self, hold: Hold, state: HoldState) -> None:
        self._kept[hold.name] = replace(self._kept[hold.name], state=state)

    # overrides

    def _in_force(self, now_ns: int) -> list[Override]:
        """The overrides of holds. Boards that were apart may have begun one each."""
        return [one for one in self._situation.standing(now_ns) if one.hold]

    def _follow(self, now_ns: int) -> None:
        """Begin and end overrides so that they agree with the states. Write what has changed."""
        now, changed = self._situation, False
        wanted = {
            hold.name: override_of(hold, self._kept[hold.name].state, now_ns, now.timezone)
            for hold in self._tables or ()
            if self._kept[hold.name].state.in_force_at(now_ns) and self._acting.acts_on(hold)
        }
        for found in self._in_force(now_ns):
            name = found.hold
            if not self._acting.acts_on(self._named(name)):
                continue
            new = wanted.get(name)
            if new and (new.kind, new.zone, new.level) == (found.kind, found.zone, found.level):
                del wanted[name]
                if new.why != found.why and self._kept[name].state.knows_why:
                    now.change(replace(found, why=new.why))
                    changed = True
            else:
                now.end(found.id, now_ns)
                self._note(found, now_ns, "is over")
                changed = True
        for new in wanted.values():
            added = now.add(new)
            self._kept[new.hold] = replace(self._kept[new.hold], override=added.id)
            self._note(added, now_ns, f"begins: {new.why}")
            changed = True
        self._write(now_ns)
        if changed:
            self._changed_ns = now_ns
            self._decide()

    def _note(self, override: Override, now_ns: int, what: str) -> None:
        text = f"the hold {override.hold} {what}"
        data: dict[str, object] = {"id": override.id, "hold": override.hold}
        self._situation.store.note_seldom(now_ns, "hold", text, f"{override.hold} {what.partition(':')[0]}", data)

    # texts

    def _text(self, hold: Hold, state: HoldState, override: Override | None) -> str:
        """What a hold does and waits for."""
        if state.from_ns is not None:
            why = override.why if override else why_of(hold, state, self._situation.timezone)
            what, ends_ns = "; over", hold.clear_for
        elif state.reading is not None:
            why, what, ends_ns = condition(hold, state.reading), "", hold.for_
        else:
            return "no reading yet"
        if state.run_ns is None:
            return why
        since, then = self._clock_time(state.run_ns), self._clock_time(state.run_ns + ends_ns)
        change = "begins" if state.from_ns is None else "ends"
        return f"{why}{what} since {since}, so it {change} at {then} if that lasts"

    def _named(self, name: str) -> Hold | None:
        return next((one for one in self._situation.site.holds if one.name == name), None)

    def _clock_time(self, at_ns: int) -> str:
        return clock_time(at_ns, self._situation.timezone)

    # the stored fact

    def _write(self, now_ns: int) -> None:
        """Write the states if more than a reading has changed."""
        kept, written, clocks = self._kept, self._written, self._situation.steps.clocks
        soon = {name: one.soon for name, one in kept.items()} != {name: one.soon for name, one in written.items()}
        runs = [(written[name].state.run_ns, one.state.run_ns) for name, one in kept.items() if name in written]
        broken = any(was not in (None, run_ns) for was, run_ns in runs)  # else a restart would go on with it
        begun = any(was != run_ns for was, run_ns in runs)
        if soon or broken or (begun and not 0 <= now_ns - self._written_ns < WRITE_APART_NS):
            self._written, self._written_ns = dict(kept), now_ns
            text = _FACT.dump_json(_Fact(clocks.boot, clocks.apart_ns, kept)).decode()
            self._situation.store.set_fact(FACT, text)

    def _stored(self, now_ns: int) -> dict[str, _Kept]:
        """The stored states, as this planner begins to listen."""
        clocks = self._situation.steps.clocks
        try:
            found = _FACT.validate_json(self._situation.store.fact(FACT) or "{}")
        except ValidationError:  # there are none yet, or the card has damaged them
            return {}
        step_ns = clocks.apart_ns - found.apart_ns if found.boot == clocks.boot else 0
        return {
            name: replace(one, state=hold_rule.resumed(hold_rule.moved(one.state, step_ns), now_ns))
            for name, one in found.holds.items()
        }


def _begun(hold: Hold, before: _Kept | None, now_ns: int) -> _Kept:
    """A hold whose table was read: it goes on if the table is the same, else it begins anew with the last reading."""
    rule = _digest(hold.model_dump(exclude={"place"}))
    source = _digest((hold.mqtt, hold.http, hold.json_key, hold.equals is None))
    if before and before.rule == rule:
        return before
    override = before.override if before else 0
    state, last = HoldState(now_ns), before.state if before and before.source == source else None
    if last and last.reading is not None and last.first_ns is not None:  # a stored one may be older than the last
        state = hold_rule.heard(hold, state, last.reading, now_ns)
    return _Kept(rule, source, state, override)


def _digest(value: object) -> str:
    return sha256(repr(value).encode()).hexdigest()
