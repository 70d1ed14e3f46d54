"""The planner: what is to be played, when and why. HTTP and the main program use its methods and none of its parts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.decide import Decision
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import known_zone
from gloaming.daemon.direction.score import Reason, ReasonCode
from gloaming.daemon.planner.answers import nights_json, now_json
from gloaming.daemon.planner.board_list import BoardList
from gloaming.daemon.planner.boards import Boards
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.jobs import Turns
from gloaming.daemon.planner.network_monitor import NetworkMonitor
from gloaming.daemon.planner.outside import Outside
from gloaming.daemon.planner.parts import PlannerParts
from gloaming.daemon.planner.piece_files import PieceFiles
from gloaming.daemon.planner.public import PublicLookup
from gloaming.daemon.planner.repairs import Repairs
from gloaming.daemon.planner.site_files import SiteFiles
from gloaming.daemon.planner.site_push import SitePush
from gloaming.daemon.planner.store import DeviceStore
from gloaming.daemon.planner.troubles import BLACK, Trouble
from gloaming.daemon.reports.journal_lines import Row
from gloaming.daemon.reports.journal_report import JournalReport, season_report
from gloaming.daemon.reports.metrics import Status
from gloaming.daemon.score.protocol import Op
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import InputError


class Planner:
    """`socket` is where the transmitter listens. `refused` has the mistakes in the site's files, if `site` is the last
    good one."""

    def __init__(
        self,
        site: Site,
        state: Path,
        clock: Clock,
        socket: Path | None = None,
        refused: InputError | None = None,
    ) -> None:
        self._state = state
        self._parts = PlannerParts(site, state, clock, socket, refused)

    # the process

    async def start(self, *others: Turns) -> None:
        """Send the setup and the score, then begin all periodic work. `others` is work of the caller for the same
        scheduler."""
        await self._parts.start(*others)

    async def stop(self) -> None:
        """End all work and close the state."""
        await self._parts.stop()

    def add_troubles(self, report: Callable[[], list[Trouble]]) -> None:
        """Add a source of troubles to those that are reported."""
        self._parts.monitor.others.append(report)

    # answers

    @property
    def site(self) -> Site:
        return self._parts.situation.site

    @property
    def state(self) -> Path:
        """The folder of the state."""
        return self._state

    @property
    def trusted(self) -> bool:
        """Whether the clock is trusted."""
        return self._parts.situation.trust.trusted

    @property
    def device_store(self) -> DeviceStore:
        """The devices that have access."""
        return self._parts.store

    @property
    def repairs(self) -> Repairs:
        """The repairs list."""
        return self._parts.repairs

    @property
    def site_files(self) -> SiteFiles:
        """What checks and saves site.toml and rig.toml."""
        return self._parts.site_files

    @property
    def piece_files(self) -> PieceFiles:
        """The files of the pieces, and uploads."""
        return self._parts.piece_files

    @property
    def site_push(self) -> SitePush:
        """What receives a site that another board pushes."""
        return self._parts.site_push

    @property
    def public(self) -> PublicLookup:
        """What everybody may know."""
        return self._parts.public

    @property
    def outside(self) -> Outside:
        """The triggers and the holds, and what they listen to."""
        return self._parts.outside

    @property
    def boards(self) -> Boards:
        """The boards of the site."""
        return self._parts.boards

    @property
    def network(self) -> NetworkMonitor:
        """What answers on the network."""
        return self._parts.network

    def now_ns(self) -> int:
        """The show's time."""
        return self._parts.situation.now_ns()

    def decision(self, at_ns: int | None = None, zone: str | None = None) -> Decision:
        """The decision for an instant, as if the clock were trusted. Without an instant: the decision for now, with the
        transmitter's reason if it sends black. InputError for a `zone` that the rig does not have."""
        if zone is not None:
            known_zone(zone, self.site)
        if at_ns is not None:
            return self._parts.situation.decision(at_ns, zone)
        decision = self._parts.situation.current(self.now_ns(), zone)
        if zone is not None:
            return decision
        return replace(decision, reasons=(*decision.reasons, *self._wire_is_black(decision)))

    def now(self) -> dict[str, Any]:
        """The answer of GET /api/now: what happens now, why, and the health of every part."""
        parts = self._parts
        parts.situation.after_step()
        decision = self.decision()
        troubles = parts.monitor.troubles(decision.at_ns)
        health = {
            "ok": not troubles,
            "troubles": troubles,
            "transmitter": parts.client.telemetry if parts.client.connected else None,
            "controllers": parts.rig.controllers(),
        }
        return {**now_json(parts.situation, decision, health), "boards": self._board_list(decision.at_ns).brief()}

    def board_list(self) -> dict[str, Any]:
        """The answer of GET /api/boards."""
        parts = self._parts
        return self._board_list(self.now_ns()).as_json(parts.sharing.confirmations.asked, parts.board_clocks.offset_ms)

    def _board_list(self, now_ns: int) -> BoardList:
        return BoardList(self.site, self._parts.boards.seen(), self._parts.boards.sharing, now_ns)

    def status(self) -> Status:
        """The figures of the planner, its transmitter and its board."""
        parts, now_ns = self._parts, self.now_ns()
        return Status(
            decision=parts.situation.current(now_ns),
            started_ns=parts.started_ns,
            troubles=parts.monitor.troubles(now_ns),
            verdict=parts.situation.trust.verdict,
            kernel=parts.situation.trust.kernel,
            clocks=parts.board_clocks.offsets(),
            overrides=len(parts.situation.standing(now_ns)),
            unwritten=parts.store.unwritten,
            connected=parts.client.connected,
            telemetry=parts.client.telemetry,
            unread=parts.client.unread,
            transmitter_lost=parts.monitor.transmitter_lost,
            controllers=tuple(parts.rig.reach.found.values()),
            board=parts.monitor.board,
            triggers=parts.triggers.counts(),
            boards=parts.boards.seen(),
            sharing=parts.boards.sharing,
        )

    def nights(self, first: date | None, days: int) -> list[dict[str, object]]:
        """The season's rows for some days; the first day is today by default. InputError."""
        return nights_json(self.site, self.now_ns(), first, days)

    def report(self, first: date | None, days: int) -> JournalReport:
        """What the season's nights were in fact, from the journal. InputError."""
        return season_report(self.site, self._parts.store, self.now_ns(), first, days)

    def rig(self) -> dict[str, Any]:
        """Controllers, supplies, strings with their places, and the rig check under way."""
        return {**self._parts.rig.as_json(), "check": self._parts.rig_checks.shown()}

    # what people do

    async def ask(self, request: dict[str, object], who: str) -> dict[str, object]:
        """Store an override and send the new score. InputError, Refusal."""
        return await self._parts.commands.ask(request, who)

    async def check_rig(self, request: Mapping[str, object], who: str) -> dict[str, object]:
        """Show a test pattern. InputError, Refusal."""
        return await self._parts.commands.check_rig(request, who)

    async def undo(self, id: int, who: str) -> dict[str, object]:
        """End an override now, or a hold for an hour. NotStandingError, Refusal."""
        return await self._parts.commands.undo(id, who)

    def give_time(self, utc_ns: int, who: str) -> None:
        """Take the time that a person gives. Refusal where the clock is trusted without it."""
        self._parts.commands.give_time(utc_ns, who)

    async def reload(self, why: str) -> InputError | None:
        """Read the site again. Returns its mistakes if it is refused."""
        await self._parts.site_watch.reload(why)
        return self._parts.site_watch.refused

    # the journal

    def note(self, kind: str, text: str, who: str = "", data: dict[str, object] | None = None) -> None:
        """Write a line to the journal."""
        self._parts.store.note(self.now_ns(), kind, text, who, data)

    def journal(self, limit: int, before_id: int | None = None, kinds: tuple[str, ...] = ()) -> list[Row]:
        """The newest lines, newest first. Without `kinds`, of all kinds."""
        return self._parts.store.journal(limit, before_id, kinds)

    async def written(self) -> bool:
        """Wait until all changes so far are on the disk. False if the disk does not take them."""
        return await self._parts.store.written()

    # the live view

    def view(self, picks: list[int] | None, viewed: Callable[[str | None], None]) -> bool:
        """Ask the transmitter for the levels of some slots; without `picks`, of the same as before. `viewed` gets them,
        in base64. False while no transmitter is connected."""
        client = self._parts.client
        client.viewed = viewed
        if client.connected:
            client.send({"op": Op.VIEW} if picks is None else {"op": Op.VIEW, "picks": picks})
        return client.connected

    def _wire_is_black(self, decision: Decision) -> tuple[Reason, ...]:
        """Why the transmitter sends black although the decision has light, by its last telemetry."""
        telemetry = self._parts.client.telemetry if self._parts.client.connected else None
        code = telemetry.get("black") if telemetry and decision.brightness else None
        return (reason(ReasonCode.WIRE_BLACK, f"transmitter {code}", why=BLACK.get(code, code)),) if code else ()
