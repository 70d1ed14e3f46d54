"""The planner: what is to be played, when and why. HTTP and the main program use its methods and none of its parts."""

from __future__ import annotations

import asyncio
import logging
import os
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.decide import Decision
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.requests import known_zone
from gloaming.daemon.direction.score import Reason, ReasonCode, State
from gloaming.daemon.integrations.host_names import LOOK_UP_S
from gloaming.daemon.integrations.input_device import LOOK_S
from gloaming.daemon.integrations.reachability import PERIOD_S
from gloaming.daemon.planner.acting_board import CAN_ACT, ActingBoard
from gloaming.daemon.planner.answers import nights_json, now_json
from gloaming.daemon.planner.board_clocks import ASK_S, BoardClocks
from gloaming.daemon.planner.board_list import BoardList
from gloaming.daemon.planner.boards import Boards
from gloaming.daemon.planner.clock import Clock, watch_steps
from gloaming.daemon.planner.commands import Commands
from gloaming.daemon.planner.health import BLACK, Trouble
from gloaming.daemon.planner.holds import Holds
from gloaming.daemon.planner.identity import cid_of
from gloaming.daemon.planner.jobs import Jobs, Turns
from gloaming.daemon.planner.monitor import Monitor
from gloaming.daemon.planner.network_monitor import LOOK_S as NETWORK_S
from gloaming.daemon.planner.network_monitor import NetworkMonitor
from gloaming.daemon.planner.outside import Outside
from gloaming.daemon.planner.piece_files import PieceFiles
from gloaming.daemon.planner.public import PublicLookup
from gloaming.daemon.planner.repairs import Repairs
from gloaming.daemon.planner.rig_monitor import RigMonitor
from gloaming.daemon.planner.score_sender import ScoreSender
from gloaming.daemon.planner.sharing import SharedFacts
from gloaming.daemon.planner.site_files import SiteFiles
from gloaming.daemon.planner.site_push import SitePush
from gloaming.daemon.planner.site_watch import SiteWatch
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.sound_levels import SoundLevels
from gloaming.daemon.planner.spare import SpareBoard
from gloaming.daemon.planner.store import DeviceStore, Store
from gloaming.daemon.planner.transmitter_client import TransmitterClient
from gloaming.daemon.planner.transmitter_troubles import TransmitterTroubles
from gloaming.daemon.planner.triggers import Triggers
from gloaming.daemon.reports.journal_lines import Row
from gloaming.daemon.reports.journal_report import JournalReport, season_report
from gloaming.daemon.reports.metrics import Status
from gloaming.daemon.score.protocol import Op
from gloaming.daemon.site.load import Site
from gloaming.shows.config_files.errors import InputError

RETRY_PART_S = 1.0


class Planner:
    """Holds the parts and connects them.

    `socket` is where the transmitter listens. `refused` has the mistakes in the site's files, if `site` is the last
    good one.
    """

    def __init__(
        self,
        site: Site,
        state: Path,
        clock: Clock,
        socket: Path | None = None,
        refused: InputError | None = None,
    ) -> None:
        self._started_ns = clock.now_ns()
        self._state = state
        self._store = store = Store(state, self._started_ns)
        cid_of(store, self._started_ns)  # before any part reads who this board is
        self._situation = situation = Situation(site, store, clock, self._clock_was_set)
        self._client = TransmitterClient(socket or state / "transmitter.sock", self._heard)
        self._troubles = TransmitterTroubles(store)
        self._rig = RigMonitor(
            situation,
            state,
            lambda: self._sender.send_setup(),
            self._troubles.network,
            lambda: self._client.telemetry,
            lambda: self._spare.waits_for,
            lambda controller: self._network.nodes(controller),
        )
        self._network = network = NetworkMonitor(
            situation,
            self._rig,
            lambda: self._client.telemetry,
            lambda: self._spare.waits_for,
            lambda: self._jobs.at(None, "look at the network now", network.look_once),
        )
        self._sound = SoundLevels(lambda: situation.site, store, self._troubles, self._decide_anew)
        self._jobs = Jobs(self._failed)
        self._acting = acting = ActingBoard(situation, lambda: self._boards.seen())
        self._public = public = PublicLookup(situation, acting, lambda at: self._jobs.at(at, "public", public.look))
        self._sender = ScoreSender(
            situation,
            self._client,
            self._rig,
            self._sound,
            lambda at: self._jobs.at(at, "boundary", self._decide),
            self._decided,
            lambda: self._boards.cids(),
        )
        self._repairs = Repairs(situation)
        self._holds = Holds(situation, self._decide, acting, lambda at: self._jobs.at(at, "hold", self._holds.look))
        self._boards = boards = Boards(situation, lambda: self._monitor.trouble_count(without="boards"))
        self._sharing = sharing = SharedFacts(situation, boards, self._sender, self._rig, self._jobs)
        self._commands = Commands(situation, self._rig, self._sender, self._holds, sharing)
        self._triggers = Triggers(situation, self._commands, acting)
        self._outside = outside = Outside(situation, self._triggers, self._holds)
        self._spare = spare = SpareBoard(situation, boards)
        self._board_clocks = BoardClocks(situation, boards)
        self._site_watch = SiteWatch(situation, state, self._adopt, self._taken_over)
        self._site_files = SiteFiles(situation, state, self._site_watch)
        self._site_push = SitePush(situation, state, self._site_files)
        self._piece_files = PieceFiles(situation, state, self._site_files, self._site_watch.reload, self._sound)
        troubles = (
            self._sound.troubles,
            self._rig.troubles,
            network.troubles,
            self._site_watch.troubles,
            public.troubles,
            outside.troubles,
            boards.troubles,
            spare.troubles,
            self._board_clocks.troubles,
            sharing.troubles,
        )
        self._monitor = Monitor(situation, acting, state, self._client, self._troubles, self._send_hooks_at, *troubles)
        self._steps: int | None = None
        self._listening: asyncio.Task[None] | None = None
        if refused:
            self._site_watch.refuse(refused, "the site has a mistake; the last good site plays on")

    # the process

    async def start(self, *others: Turns) -> None:
        """Send the setup and the score, then begin all periodic work. `others` is work of the caller for the same
        scheduler."""
        data: dict[str, object] = {"boot": self._situation.trust.boot}
        self.note("start", f"the planner has started with the site {self.site.name}", data=data)
        self._sender.send_setup()
        self._decide()
        self._monitor.start()
        for seconds, name, work in (*self._periodic(), *others):
            self._jobs.every(seconds, name, work)
        self._jobs.start()
        self._steps = watch_steps()
        if self._steps is not None:  # without it, the monitor sees a step within a second
            asyncio.get_running_loop().add_reader(self._steps, self._clock_stepped)
        self._listening = asyncio.create_task(self._listen(), name="transmitter")
        self._outside.start()
        self._boards.start()
        self._site_push.resume()

    def _periodic(self) -> tuple[Turns, ...]:
        return (
            (5, "decide again", self._decide),
            (1, "look at the board", self._monitor.look),
            (1, "look at the site's files", self._site_watch.look),
            (1, "look at the boards", self._look_at_boards),
            (ASK_S, "measure the boards' clocks", self._board_clocks.look),
            (3600, "clear old shared facts", self._sharing.clear),
            (1, "look at the holds", self._holds.look),
            (5, "try the disk", lambda: self._store.retry(self.now_ns())),
            (5, "look at sound", self._sound.look),
            (5, "look at the rig check", self._commands.follow_rig),
            (PERIOD_S, "ask the controllers", self._rig.ask),
            (NETWORK_S, "look at the network", self._network.look),
            (LOOK_UP_S, "look up the controllers", self._rig.look_up),
            (5, "look after the pieces", self._piece_files.look),
            (60, "look after what was pushed", self._site_push.look),
            (LOOK_S, "look for input devices", self._outside.look),
        )

    async def stop(self) -> None:
        await self._outside.stop()
        await self._boards.stop()
        await self._jobs.stop()
        await self._piece_files.stop()
        await self._site_push.stop()
        if self._steps is not None:
            asyncio.get_running_loop().remove_reader(self._steps)
            os.close(self._steps)
        if self._listening:
            self._listening.cancel()
            await asyncio.gather(self._listening, return_exceptions=True)
        self._close()

    def _close(self) -> None:
        """Write what waits and close the state."""
        self._monitor.close()
        self._public.close()
        self._store.close()

    def add_troubles(self, report: Callable[[], list[Trouble]]) -> None:
        """Add a source of troubles to those that are reported."""
        self._monitor.others.append(report)

    # answers

    @property
    def site(self) -> Site:
        return self._situation.site

    @property
    def state(self) -> Path:
        """The folder of the state."""
        return self._state

    @property
    def trusted(self) -> bool:
        """Whether the clock is trusted."""
        return self._situation.trust.trusted

    @property
    def device_store(self) -> DeviceStore:
        """The devices that have access."""
        return self._store

    @property
    def repairs(self) -> Repairs:
        """The repairs list."""
        return self._repairs

    @property
    def site_files(self) -> SiteFiles:
        """What checks and saves site.toml and rig.toml."""
        return self._site_files

    @property
    def piece_files(self) -> PieceFiles:
        """The files of the pieces, and uploads."""
        return self._piece_files

    @property
    def site_push(self) -> SitePush:
        """What receives a site that another board pushes."""
        return self._site_push

    @property
    def public(self) -> PublicLookup:
        """What everybody may know."""
        return self._public

    @property
    def outside(self) -> Outside:
        """The triggers and the holds, and what they listen to."""
        return self._outside

    @property
    def boards(self) -> Boards:
        """The boards of the site."""
        return self._boards

    @property
    def network(self) -> NetworkMonitor:
        """What answers on the network."""
        return self._network

    def now_ns(self) -> int:
        """The show's time."""
        return self._situation.now_ns()

    def decision(self, at_ns: int | None = None, zone: str | None = None) -> Decision:
        """The decision for an instant, as if the clock were trusted. Without an instant: the decision for now, with the
        transmitter's reason if it sends black. InputError for a `zone` that the rig does not have."""
        if zone is not None:
            known_zone(zone, self.site)
        if at_ns is not None:
            return self._situation.decision(at_ns, zone)
        decision = self._situation.current(self.now_ns(), zone)
        if zone is not None:
            return decision
        return replace(decision, reasons=(*decision.reasons, *self._wire_is_black(decision)))

    def now(self) -> dict[str, Any]:
        """The answer of GET /api/now: what happens now, why, and the health of every part."""
        self._situation.after_step()
        decision = self.decision()
        troubles = self._monitor.troubles(decision.at_ns)
        health = {
            "ok": not troubles,
            "troubles": troubles,
            "transmitter": self._client.telemetry if self._client.connected else None,
            "controllers": self._rig.controllers(),
        }
        return {**now_json(self._situation, decision, health), "boards": self._board_list(decision.at_ns).brief()}

    def board_list(self) -> dict[str, Any]:
        """The answer of GET /api/boards."""
        return self._board_list(self.now_ns()).as_json(self._sharing.confirmations.asked, self._board_clocks.offset_ms)

    def _board_list(self, now_ns: int) -> BoardList:
        return BoardList(self.site, self._boards.seen(), self._boards.sharing, now_ns)

    def status(self) -> Status:
        """The figures of the planner, its transmitter and its board."""
        now_ns = self.now_ns()
        return Status(
            decision=self._situation.current(now_ns),
            started_ns=self._started_ns,
            troubles=self._monitor.troubles(now_ns),
            verdict=self._situation.trust.verdict,
            kernel=self._situation.trust.kernel,
            clocks=self._board_clocks.offsets(),
            overrides=len(self._situation.standing(now_ns)),
            unwritten=self._store.unwritten,
            connected=self._client.connected,
            telemetry=self._client.telemetry,
            unread=self._client.unread,
            transmitter_lost=self._monitor.transmitter_lost,
            controllers=tuple(self._rig.reach.found.values()),
            board=self._monitor.board,
            triggers=self._triggers.counts(),
            boards=self._boards.seen(),
            sharing=self._boards.sharing,
        )

    def nights(self, first: date | None, days: int) -> list[dict[str, object]]:
        """The season's rows for some days; the first day is today by default. InputError."""
        return nights_json(self.site, self.now_ns(), first, days)

    def report(self, first: date | None, days: int) -> JournalReport:
        """What the season's nights were in fact, from the journal. InputError."""
        return season_report(self.site, self._store, self.now_ns(), first, days)

    def rig(self) -> dict[str, Any]:
        """Controllers, supplies, strings with their places, and the rig check under way."""
        return self._rig.as_json()

    # what people do

    async def ask(self, request: dict[str, object], who: str) -> dict[str, object]:
        """Store an override and send the new score. InputError, Refusal."""
        return await self._commands.ask(request, who)

    async def check_rig(self, request: Mapping[str, object], who: str) -> dict[str, object]:
        """Show a test pattern. InputError, Refusal."""
        return await self._commands.check_rig(request, who)

    async def undo(self, id: int, who: str) -> dict[str, object]:
        """End an override now, or a hold for an hour. NotStandingError, Refusal."""
        return await self._commands.undo(id, who)

    def give_time(self, utc_ns: int, who: str) -> None:
        """Take the time that a person gives. Refusal where the clock is trusted without it."""
        self._commands.give_time(utc_ns, who)

    async def reload(self, why: str) -> InputError | None:
        """Read the site again. Returns its mistakes if it is refused."""
        await self._site_watch.reload(why)
        return self._site_watch.refused

    # the journal

    def note(self, kind: str, text: str, who: str = "", data: dict[str, object] | None = None) -> None:
        """Write a line to the journal."""
        self._store.note(self.now_ns(), kind, text, who, data)

    def journal(self, limit: int, before_id: int | None = None, kinds: tuple[str, ...] = ()) -> list[Row]:
        """The newest lines, newest first. Without `kinds`, of all kinds."""
        return self._store.journal(limit, before_id, kinds)

    async def written(self) -> bool:
        """Wait until all changes so far are on the disk. False if the disk does not take them."""
        return await self._store.written()

    # the live view

    def view(self, picks: list[int] | None, viewed: Callable[[str | None], None]) -> bool:
        """Ask the transmitter for the levels of some slots; without `picks`, of the same as before. `viewed` gets them,
        in base64. False while no transmitter is connected."""
        self._client.viewed = viewed
        if self._client.connected:
            self._client.send({"op": Op.VIEW} if picks is None else {"op": Op.VIEW, "picks": picks})
        return self._client.connected

    # how the parts work together

    def _decide(self) -> None:
        self._sender.decide()

    def _look_at_boards(self) -> None:
        self._boards.say(CAN_ACT, self._outside.hears and self._situation.trust.trusted)
        self._boards.look()
        self._sender.know_boards()

    def _decide_anew(self) -> None:
        self._sender.decide_anew()

    def _decided(self) -> None:
        """What is on the wire may have changed. No command waits for what follows, or fails with it."""
        self._public.look_soon()
        if self.site.hooks:
            self._send_hooks_at(None)

    def _send_hooks_at(self, at: datetime | None) -> None:
        self._jobs.at(at, "hooks", self._monitor.send_due)

    def _clock_was_set(self) -> None:
        self._sender.send_setup()
        self._sender.decide_anew()

    def _clock_stepped(self) -> None:
        assert self._steps is not None
        with suppress(OSError):  # ECANCELED reports a step (timerfd_create(2))
            os.read(self._steps, 8)
        self._situation.after_step()

    def _adopt(self, site: Site) -> None:
        """Use another site from now on. The transmitter gets a new setup only where that differs."""
        self._situation.after_step()
        self._situation.adopt(site)
        self._sender.files_changed()
        self._troubles.forget_replaced()
        self._rig.adopt()
        self._network.adopt()
        self._spare.adopt()
        self._sender.send_setup()
        self._sender.decide_anew()

    async def _taken_over(self, site: Site) -> None:
        self._monitor.adopt(site)
        self._outside.adopt()
        self._boards.adopt()
        self._sharing.adopt()
        await self._commands.follow_rig()
        await self._rig.look_up()

    def _heard(self, message: dict[str, Any]) -> None:
        """Act on a message of the transmitter, or on the loss of it."""
        now_ns, note = self.now_ns(), self._store.note_seldom
        match message["op"]:
            case "hello":
                self._monitor.transmitter_connected(message)
            case "telemetry":
                self._rig.report_limited(message)
                self._spare.follow(message, time.monotonic_ns(), time.clock_gettime_ns(time.CLOCK_BOOTTIME))
                if self._situation.steps.take_over(message.get("held", ()), self.site):
                    self._decide_anew()
            case "lost":
                self._monitor.transmitter_gone()
                self._spare.lost()
                note(now_ns, "restart", "the transmitter is gone; it gets the score again when it is back")
            case "unread":
                text = f"a message of the transmitter cannot be read: {message['text']}"
                note(now_ns, "fault", text, "unread")
            case "trouble" if not (message["kind"] == "sound" and self._sound.takes(message)):
                self._troubles.report(message, now_ns, self._monitor.covered)
                if message["kind"] == "frames" and not message["over"]:
                    self._leave_out(message, now_ns)

    def _leave_out(self, message: dict[str, Any], now_ns: int) -> None:
        """Leave a piece at its damaged frames. It does not begin again until its file is replaced.

        With several boards, this one is black there instead, in step with the others.
        """
        decision = self._situation.decision(now_ns)
        if not self.site.boards and decision.state == State.PLAYING and decision.piece == message["piece"]:
            frame, picture = message.get("frame"), self._sender.picture_at(now_ns)
            at_ns = now_ns if frame is None or picture is None else max(now_ns, picture.due_ns(frame, now_ns))
            if self._situation.leave_out(message["piece"], at_ns, message["text"]):
                self._decide()
        if self._situation.damaged.found(Path(message["subject"]), now_ns):
            self._situation.adopt(self.site)
            self._decide()

    def _wire_is_black(self, decision: Decision) -> tuple[Reason, ...]:
        """Why the transmitter sends black although the decision has light, by its last telemetry."""
        telemetry = self._client.telemetry if self._client.connected else None
        code = telemetry.get("black") if telemetry and decision.brightness else None
        return (reason(ReasonCode.WIRE_BLACK, f"transmitter {code}", why=BLACK.get(code, code)),) if code else ()

    def _failed(self, name: str, error: Exception) -> None:
        """Report a failed job. The scheduler tries it again."""
        logging.getLogger(__name__).error("%s: failed, and is tried again", name, exc_info=error)
        with suppress(MemoryError):  # then only the log has it
            self._store.note_seldom(self.now_ns(), "fault", f"{name}: failed, and is tried again: {error!r}", name)

    async def _listen(self) -> None:
        """Read the transmitter's messages until the planner stops."""
        while True:
            try:
                await self._client.run()
            except Exception as error:
                self._failed("listen to the transmitter", error)
            await asyncio.sleep(RETRY_PART_S)
