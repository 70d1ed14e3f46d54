"""What is asked of a director: the overrides that were asked for, and answers to who asks. Nothing here is sent."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING, Any

from gloaming.daemon.direction.asking import Refusal, ask
from gloaming.daemon.direction.decide import isoformat, next_piece, segment_at
from gloaming.daemon.direction.overrides import LIGHTS_OFF, TERMS, Kind, Override
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.score import ReasonCode, State
from gloaming.daemon.direction.states import GIVEN, STATES
from gloaming.daemon.reports.nights import season
from gloaming.shows.config_files.errors import Mistake, MistakeError
from gloaming.shows.time_units import DAY_NS, SECOND_NS

if TYPE_CHECKING:
    from gloaming.daemon.planner.planner import Planner

KEEP_NS = 3 * DAY_NS
"""How long an override that has ended still shifts what is played."""


class NotStandingError(Exception):
    """There is no such override in force."""


class Commands:
    """Holds the overrides that still bear on what is played; what changes them is handed over by the director."""

    def __init__(self, director: Planner) -> None:
        self.director = director
        self.overrides: tuple[Override, ...] = ()
        self.look_up()

    def look_up(self) -> None:
        """Read the stored overrides again; a call of a show that is no more does not bear on anything."""
        director = self.director
        stored = director.store.overrides(director.clock.now_ns() - KEEP_NS)
        self.overrides = tuple(one for one in stored if one.kind != Kind.CALL or one.show in director.site.shows)

    def keep(self, override: Override, ends: Iterable[Override] = ()) -> Override:
        """Store an override under an id of its own, in place of those that it ends."""
        override = replace(override, id=self.director.store.next_id())
        self.director.store.add(override, ends)
        self.look_up()
        return override

    def after_step(self) -> None:
        """The time may have been set: what was asked by it since power came goes with it."""
        self.director.steps.look()
        self.look_up()

    def standing(self, at_ns: int) -> tuple[Override, ...]:
        """The overrides in force, or yet to come."""
        return tuple(override for override in self.overrides if at_ns < override.end_ns)

    # answers

    def now(self) -> dict[str, Any]:
        """What is happening now, and why; with the health of everything."""
        director = self.director
        director.after_step()
        at_ns = director.clock.now_ns()
        decision = director.current(at_ns)
        piece = director.site.pieces.get(decision.piece or "")
        troubles, verdict = director.attendant.troubles(at_ns), director.attendant.trust.verdict
        return {
            "site": director.site.name,
            "timezone": director.site.timezone.key,
            **decision.as_json(director.site.timezone),
            "state_name": STATES[decision.state].name,
            "next_state_name": None if decision.next_state is None else STATES[decision.next_state].name,
            "position_s": None if decision.position_ns is None else round(decision.position_ns / SECOND_NS, 3),
            "length_s": round(piece.length_ns / SECOND_NS, 3) if piece and piece.length_ns else None,
            "overrides": [self.as_json(override) for override in self.standing(at_ns)],
            "next_piece": self._next_piece(at_ns),
            "after_resume": self._after_resume(at_ns),
            "has_sound": any(one.sound for one in director.site.pieces.values()),
            "clock": {
                "offset_s": director.clock.offset_ns / SECOND_NS,
                "note": self._clock_note(),
                "trusted": verdict.trusted,
                "by": verdict.by,
                "text": verdict.text,
            },
            "health": {
                "ok": not troubles,
                "troubles": troubles,
                "transmitter": director.link.telemetry if director.link.connected else None,
                "controllers": director.rig.controllers(),
            },
        }

    def _next_piece(self, at_ns: int) -> dict[str, str] | None:
        """The piece of the running order that begins next; None where none does on this day or the next."""
        found = next_piece(at_ns, self.director.site, self.overrides)
        return None if found is None else {"piece": found[1], "at": isoformat(found[0], self.director.site.timezone)}

    def _after_resume(self, at_ns: int) -> dict[str, object] | None:
        """What there would be without the pauses and darks that stand, and why; None where none stands."""
        others = tuple(one for one in self.overrides if one.kind not in LIGHTS_OFF or not one.stands_at(at_ns))
        if len(others) == len(self.overrides) or not self.director.attendant.trust.trusted:
            return None
        found = segment_at(at_ns, self.director.site, others, self.director.steps.held)
        given = found.state in GIVEN and found.show is not None
        return {"light": given or found.state == State.RIG_CHECK, "text": found.reasons[0].text}

    def _clock_note(self) -> str | None:
        clock, verdict = self.director.clock, self.director.attendant.trust.verdict
        if not clock.offset_ns:
            return None
        if verdict.by == "given":
            return verdict.text
        moved = timedelta(seconds=round(clock.offset_ns / SECOND_NS))
        return f"the evening is moved to now: this clock stands {moved} from the machine's"

    def nights(self, first: date | None, days: int) -> list[dict[str, object]]:
        """The season's rows for some days, from today where no day is given. MistakeError."""
        site = self.director.site
        if not 1 <= days <= 1000:
            raise MistakeError(Mistake("days", None, None, f"{days} is not from 1 to 1000", "as days=7"))
        begin = first or datetime.fromtimestamp(self.director.clock.now_ns() // SECOND_NS, site.timezone).date()
        try:
            last = begin + timedelta(days=days - 1)
        except OverflowError:
            raise MistakeError(Mistake("from", None, None, f"{begin} is past the calendar", "as 2026-12-20")) from None
        return [row.as_json(site) for row in season(site, begin, last)]

    def _clock_time(self, at_ns: int) -> str:
        """An instant as the site's clocks show it: "22:15", with its date where that is another than today's."""
        zone = self.director.site.timezone
        at, now = (datetime.fromtimestamp(each / SECOND_NS, zone) for each in (at_ns, self.director.clock.now_ns()))
        return f"{at:%H:%M}" if at.date() == now.date() else f"{at:%a} {at.day} {at:%b}, {at:%H:%M}"

    def as_json(self, override: Override) -> dict[str, object]:
        """An override as who asked for it is told of it."""
        zone = self.director.site.timezone
        more: dict[str, object] = {"show": override.show, "level": override.level, "unseen": override.unseen or None}
        if override.check:
            more |= {"check": override.check.text, "strings": list(override.check.strings)}
        return {
            "id": override.id,
            "kind": str(override.kind),
            "kind_name": TERMS[override.kind].name,
            "at": isoformat(override.at_ns, zone),
            "until": isoformat(override.until_ns, zone),
            "remaining_s": max(0, round((override.end_ns - self.director.clock.now_ns()) / SECOND_NS)),
            "who": override.who,
            **{key: value for key, value in more.items() if value is not None},
        }

    # requests

    async def ask(self, request: dict[str, object], who: str) -> dict[str, object]:
        """Store what somebody asks and put it on the wire. MistakeError, Refusal."""
        self._know_the_time()
        director = self.director
        at_ns, held = director.clock.now_ns(), director.steps.held
        return await self._take(ask(request, at_ns, director.site, self.overrides, who, held), who)

    async def check_rig(
        self, request: dict[str, object], who: str, follows: Override | None = None
    ) -> dict[str, object]:
        """Show a test pattern; where it `follows` another rig check, only if nobody has ended that one while the
        pattern was rendered. MistakeError, Refusal, NotStandingError."""
        self._know_the_time()
        override = await self.director.rig.check(request, who)
        if follows and follows.id not in {one.id for one in self.standing(self.director.clock.now_ns())}:
            raise NotStandingError(f"the {follows.kind} {follows.id} was ended meanwhile")
        return await self._take(override, who)

    async def undo(self, id: int, who: str) -> dict[str, object]:
        """End an override now. NotStandingError."""
        director = self.director
        director.after_step()
        at_ns = director.clock.now_ns()
        standing = self.standing(at_ns)
        found = next((override for override in standing if override.id == id), None)
        if found is None:
            others = ", ".join(f"{override.kind} {override.id}" for override in standing)
            raise NotStandingError(
                f"no override {id} is in force; " + (f"what stands: {others}" if others else "none is")
            )
        director.store.end(id, at_ns)
        self.look_up()
        director.store.note(at_ns, "override", f"{found.kind} ended", who, {"id": id})
        sent = await director.hand_over(found, ends=True)
        ended = isoformat(at_ns, director.site.timezone)
        return {"id": id, "kind": str(found.kind), "ended": ended, **sent._asdict()}

    def give_time(self, utc_ns: int, who: str) -> None:
        """The time as a person gives it. Refusal where the clock is trusted by another's word."""
        director, trust = self.director, self.director.attendant.trust
        director.after_step()
        if trust.look():
            director.clock_changed(trust.verdict.text)
        if not trust.takes_a_time:
            rule = f"{director.site.clock.place or 'site.toml'} clock.trust"
            raise Refusal(reason(ReasonCode.TIME_NOT_TAKEN, rule, clock=trust.verdict.text))
        trust.give(utc_ns, who)
        director.clock_changed(trust.verdict.text)

    def _know_the_time(self) -> None:
        self.director.after_step()  # else what is asked now would be taken for something asked before the step
        if not self.director.attendant.trust.trusted:
            raise Refusal(self.director.no_clock())

    async def _take(self, override: Override, who: str) -> dict[str, object]:
        ends = [one for one in self.standing(override.at_ns) if one.kind in TERMS[override.kind].ends]
        override = self.keep(override, ends)
        text = f"{override.kind} until {self._clock_time(override.until_ns)}"
        self.director.store.note(override.at_ns, "override", text, who, {"id": override.id})
        sent = await self.director.hand_over(override)
        ended = [{"id": one.id, "kind": str(one.kind)} for one in ends]
        return {**self.as_json(override), "ended": ended, **sent._asdict()}
