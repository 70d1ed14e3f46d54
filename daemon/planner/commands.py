"""Commands of people: each is stored as an override and sent to the transmitter."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace

from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.direction.overrides import TERMS, Override
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import Refusal, ask
from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.planner.answers import override_json
from gloaming.daemon.planner.holds import Holds
from gloaming.daemon.planner.journal_texts import asked_text, ended_text
from gloaming.daemon.planner.rig_checks import RigChecks
from gloaming.daemon.planner.score_sender import ScoreSender
from gloaming.daemon.planner.sharing import SharedFacts
from gloaming.daemon.planner.situation import Situation
from gloaming.shows.config_files.errors import InputError


class NotStandingError(Exception):
    """There is no such override in force."""


class Commands:
    """Carries out commands. Each answer says whether the transmitter plays what was asked for, or why not."""

    def __init__(
        self, situation: Situation, rig_checks: RigChecks, sender: ScoreSender, holds: Holds, sharing: SharedFacts
    ) -> None:
        self._situation, self._rig_checks, self._sender, self._holds = situation, rig_checks, sender, holds
        self._sharing = sharing

    async def ask(self, request: dict[str, object], who: str) -> dict[str, object]:
        """Store an override and send the new score. InputError, Refusal."""
        self._know_the_time()
        now = self._situation
        return await self._take(ask(request, now.now_ns(), now.site, now.overrides, who, now.held), who)

    async def check_rig(
        self, request: Mapping[str, object], who: str, follows: Override | None = None
    ) -> dict[str, object]:
        """Show a test pattern. InputError, Refusal. NotStandingError: it `follows` a rig check that somebody has
        ended while the pattern was rendered."""
        self._know_the_time()
        override = await self._rig_checks.check(request, who)
        standing = self._situation.standing(self._situation.now_ns())
        if follows and follows.id not in {one.id for one in standing}:
            raise NotStandingError(f"the {follows.kind} {follows.id} was ended meanwhile")
        if follows:
            self._sender.files_changed()  # the transmitter may have found no file there
        return await self._take(override, who, follows)

    async def follow_rig(self) -> None:
        """Continue the rig checks in force with the pixels of a changed rig, or with a new file where that is lost. One
        that cannot be shown ends."""
        if not self._situation.trust.trusted:
            return
        if await self._rig_checks.render_shared():
            self._sender.files_changed()
            self._sender.send()
        for check, request in self._rig_checks.changed_checks():
            try:
                await self.check_rig(request, check.who, check)
            except NotStandingError:
                continue
            except (InputError, Refusal, OSError) as error:
                text = f"{check.check and check.check.text} ends, as the rig has changed: {error}"
                self._situation.store.note(self._situation.now_ns(), "rig-check", text)
                with suppress(NotStandingError):
                    await self.undo(check.id, check.who)

    async def undo(self, id: int, who: str) -> dict[str, object]:
        """End an override now, or a hold for an hour. NotStandingError; Refusal of a hold that nobody may end."""
        now = self._situation
        now.after_step()
        at_ns = now.now_ns()
        standing = now.standing(at_ns)
        found = next((override for override in standing if override.id == id), None)
        if found is None:
            others = ", ".join(f"{override.kind} {override.id}" for override in standing)
            raise NotStandingError(f"no override {id} is in force; " + (f"in force: {others}" if others else "none is"))
        if found.hold:
            text = self._holds.end(found, at_ns, who)
        else:
            text = ended_text(found)
            now.end(id, at_ns, who)
        now.store.note(at_ns, "override", text, who, {"id": id})
        sent = await self._hand_over(found, ends=True)
        return {"id": id, "kind": str(found.kind), "ended": isoformat(at_ns, now.timezone), **sent}

    def give_time(self, utc_ns: int, who: str) -> None:
        """Take the time that a person gives. Refusal where the clock is trusted without it."""
        now, trust = self._situation, self._situation.trust
        now.look_at_clock()
        if not trust.takes_a_time:
            rule = f"{now.site.clock.place or 'site.toml'} clock.trust"
            raise Refusal(reason(ReasonCode.TIME_NOT_TAKEN, rule, clock=trust.verdict.text))
        trust.give(utc_ns, who)
        now.clock_changed(trust.verdict.text)

    def _know_the_time(self) -> None:
        self._situation.after_step()  # first, or a step of before moves the new override too
        if not self._situation.trust.trusted:
            raise Refusal(self._situation.no_clock())

    async def _take(self, override: Override, who: str, follows: Override | None = None) -> dict[str, object]:
        now = self._situation
        ends = [] if follows else now.replaced_by(override)
        if moved := follows or next((one for one in ends if override.moves(one)), None):
            override = replace(override, id=moved.id, at_ns=moved.at_ns)
            now.change(override)
            ends = [one for one in ends if one.id != moved.id]
        else:
            override = now.add(override, ends)
            asked_ns = override.at_ns
            override = next((one for one in now.standing(asked_ns) if one.id == override.id), override)
            text = asked_text(override, now.now_ns(), now.timezone)
            now.store.note(asked_ns, "override", text, who, {"id": override.id})
        sent = await self._hand_over(override)
        ended = [{"id": one.id, "kind": str(one.kind)} for one in ends]
        caution = TERMS[override.kind].caution
        more = {"caution": caution} if caution else {}
        return {**override_json(override, now), **more, "ended": ended, **sent}

    async def _hand_over(self, asked: Override, ends: bool = False) -> dict[str, object]:
        """Send the new score. Wait until the transmitter plays it, and until the other boards confirm it."""
        self._sender.send()
        sent, boards = await self._sharing.confirmations.confirmed(asked.id, self._sender.confirmed(asked, ends))
        return {**sent._asdict(), **({"boards": boards} if boards else {})}
