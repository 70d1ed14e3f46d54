"""The parts of the planner: how they are made, connected, started and stopped."""

from __future__ import annotations

import asyncio
import logging
import os
import time
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.score import State
from gloaming.daemon.integrations.host_names import LOOK_UP_S
from gloaming.daemon.integrations.input_device import LOOK_S
from gloaming.daemon.integrations.reachability import PERIOD_S
from gloaming.daemon.planner.acting_board import CAN_ACT, ActingBoard
from gloaming.daemon.planner.board_clocks import ASK_S, BoardClocks
from gloaming.daemon.planner.boards import Boards
from gloaming.daemon.planner.clock import Clock, watch_steps
from gloaming.daemon.planner.commands import Commands
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
from gloaming.daemon.planner.rig_checks import RigChecks
from gloaming.daemon.planner.rig_monitor import RigMonitor
from gloaming.daemon.planner.score_sender import ScoreSender
from gloaming.daemon.planner.sharing import SharedFacts
from gloaming.daemon.planner.site_files import SiteFiles
from gloaming.daemon.planner.site_push import SitePush
from gloaming.daemon.planner.site_watch import SiteWatch
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.sound_levels import SoundLevels
from gloaming.daemon.planner.spare import SpareBoard
from gloaming.daemon.planner.store import Store
from gloaming.daemon.planner.transmitter_client import TransmitterClient
from gloaming.daemon.planner.transmitter_troubles import TransmitterTroubles
from gloaming.daemon.planner.triggers import Triggers
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import InputError

RETRY_PART_S = 1.0


class PlannerParts:
    """Makes the parts and connects them. None of them knows this class, or the facade. Arguments are those of
    `Planner`."""

    def __init__(self, site: Site, state: Path, clock: Clock, socket: Path | None, refused: InputError | None) -> None:
        self.started_ns = clock.now_ns()
        self.store = store = Store(state, self.started_ns)
        cid_of(store, self.started_ns)  # before any part reads who this board is
        self.situation = situation = Situation(site, store, clock, self._clock_was_set)
        self.client = TransmitterClient(socket or state / "transmitter.sock", self._heard)
        self.troubles = TransmitterTroubles(store)
        self.rig = RigMonitor(
            situation,
            lambda: self.sender.send_setup(),
            self.troubles.network,
            lambda: self.client.telemetry,
            lambda: self.spare.waits_for,
            lambda controller: self.network.nodes(controller),
        )
        self.network = network = NetworkMonitor(
            situation,
            self.rig,
            lambda: self.client.telemetry,
            lambda: self.spare.waits_for,
            lambda: self.jobs.at(None, "look at the network now", network.look_once),
        )
        self.rig_checks = rig_checks = RigChecks(situation, state)
        self.sound = SoundLevels(lambda: situation.site, store, self.troubles, self._decide_anew)
        self.jobs = Jobs(self._failed)
        self.acting = acting = ActingBoard(situation, lambda: self.boards.seen())
        self.public = public = PublicLookup(situation, acting, lambda at: self.jobs.at(at, "public", public.look))
        self.sender = ScoreSender(
            situation,
            self.client,
            self.rig,
            rig_checks,
            self.sound,
            lambda at: self.jobs.at(at, "boundary", self._decide),
            self._decided,
            lambda: self.boards.cids(),
        )
        self.repairs = Repairs(situation)
        self.holds = Holds(situation, self._decide, acting, lambda at: self.jobs.at(at, "hold", self.holds.look))
        self.boards = boards = Boards(situation, lambda: self.monitor.trouble_count(without="boards"))
        self.sharing = sharing = SharedFacts(situation, boards, self.sender, rig_checks, self.jobs)
        self.commands = Commands(situation, rig_checks, self.sender, self.holds, sharing)
        self.triggers = Triggers(situation, self.commands, acting)
        self.outside = outside = Outside(situation, self.triggers, self.holds)
        self.spare = spare = SpareBoard(situation, boards)
        self.board_clocks = BoardClocks(situation, boards)
        self.site_watch = SiteWatch(situation, state, self._adopt, self._taken_over)
        self.site_files = SiteFiles(situation, state, self.site_watch)
        self.site_push = SitePush(situation, state, self.site_files)
        self.piece_files = PieceFiles(situation, state, self.site_files, self.site_watch.reload, self.sound)
        troubles = (
            self.sound.troubles,
            self.rig.troubles,
            network.troubles,
            self.site_watch.troubles,
            public.troubles,
            outside.troubles,
            boards.troubles,
            spare.troubles,
            self.board_clocks.troubles,
            sharing.troubles,
        )
        self.monitor = Monitor(situation, acting, state, self.client, self.troubles, self._send_hooks_at, *troubles)
        self._steps: int | None = None
        self._listening: asyncio.Task[None] | None = None
        if refused:
            self.site_watch.refuse(refused, "the site has a mistake; the last good site plays on")

    # start and stop

    async def start(self, *others: Turns) -> None:
        """Send the setup and the score, then begin all periodic work. `others` is work of the caller for the same
        scheduler."""
        data: dict[str, object] = {"boot": self.situation.trust.boot}
        text = f"the planner has started with the site {self.situation.site.name}"
        self.store.note(self.situation.now_ns(), "start", text, data=data)
        self.sender.send_setup()
        self._decide()
        self.monitor.start()
        for seconds, name, work in (*self._periodic(), *others):
            self.jobs.every(seconds, name, work)
        self.jobs.start()
        self._steps = watch_steps()
        if self._steps is not None:  # without it, the monitor sees a step within a second
            asyncio.get_running_loop().add_reader(self._steps, self._clock_stepped)
        self._listening = asyncio.create_task(self._listen(), name="transmitter")
        self.outside.start()
        self.boards.start()
        self.site_push.resume()

    def _periodic(self) -> tuple[Turns, ...]:
        return (
            (5, "decide again", self._decide),
            (1, "look at the board", self.monitor.look),
            (1, "look at the site's files", self.site_watch.look),
            (1, "look at the boards", self._look_at_boards),
            (ASK_S, "measure the boards' clocks", self.board_clocks.look),
            (3600, "clear old shared facts", self.sharing.clear),
            (1, "look at the holds", self.holds.look),
            (5, "try the disk", lambda: self.store.retry(self.situation.now_ns())),
            (5, "look at sound", self.sound.look),
            (5, "look at the rig check", self.commands.follow_rig),
            (PERIOD_S, "ask the controllers", self.rig.ask),
            (NETWORK_S, "look at the network", self.network.look),
            (LOOK_UP_S, "look up the controllers", self.rig.look_up),
            (5, "look after the pieces", self.piece_files.look),
            (60, "look after what was pushed", self.site_push.look),
            (LOOK_S, "look for input devices", self.outside.look),
        )

    async def stop(self) -> None:
        await self.outside.stop()
        await self.boards.stop()
        await self.jobs.stop()
        await self.piece_files.imports.stop()
        await self.site_push.stop()
        if self._steps is not None:
            asyncio.get_running_loop().remove_reader(self._steps)
            os.close(self._steps)
        if self._listening:
            self._listening.cancel()
            await asyncio.gather(self._listening, return_exceptions=True)
        self.close()

    def close(self) -> None:
        """Write what waits and close the state."""
        self.monitor.close()
        self.public.close()
        self.store.close()

    # how they work together

    def _decide(self) -> None:
        self.sender.decide()

    def _look_at_boards(self) -> None:
        self.boards.say(CAN_ACT, self.outside.hears and self.situation.trust.trusted)
        self.boards.look()
        self.sender.know_boards()

    def _decide_anew(self) -> None:
        self.sender.decide_anew()

    def _decided(self) -> None:
        """What is on the wire may have changed. No command waits for what follows, or fails with it."""
        self.public.look_soon()
        if self.situation.site.hooks:
            self._send_hooks_at(None)

    def _send_hooks_at(self, at: datetime | None) -> None:
        self.jobs.at(at, "hooks", self.monitor.send_due)

    def _clock_was_set(self) -> None:
        self.sender.send_setup()
        self.sender.decide_anew()

    def _clock_stepped(self) -> None:
        assert self._steps is not None
        with suppress(OSError):  # ECANCELED reports a step (timerfd_create(2))
            os.read(self._steps, 8)
        self.situation.after_step()

    def _adopt(self, site: Site) -> None:
        """Use another site from now on. The transmitter gets a new setup only where that differs."""
        self.situation.after_step()
        self.situation.adopt(site)
        self.sender.files_changed()
        self.troubles.forget_replaced()
        self.rig.adopt()
        self.network.adopt()
        self.spare.adopt()
        self.sender.send_setup()
        self.sender.decide_anew()

    async def _taken_over(self, site: Site) -> None:
        self.monitor.adopt(site)
        self.outside.adopt()
        self.boards.adopt()
        self.sharing.adopt()
        await self.commands.follow_rig()
        await self.rig.look_up()

    def _failed(self, name: str, error: Exception) -> None:
        """Report a failed job. The scheduler tries it again."""
        logging.getLogger(__name__).error("%s: failed, and is tried again", name, exc_info=error)
        with suppress(MemoryError):  # then only the log has it
            text = f"{name}: failed, and is tried again: {error!r}"
            self.store.note_seldom(self.situation.now_ns(), "fault", text, name)

    # what the transmitter reports

    async def _listen(self) -> None:
        """Read the transmitter's messages until the planner stops."""
        while True:
            try:
                await self.client.run()
            except Exception as error:
                self._failed("listen to the transmitter", error)
            await asyncio.sleep(RETRY_PART_S)

    def _heard(self, message: dict[str, Any]) -> None:
        """Act on a message of the transmitter, or on the loss of it."""
        now_ns, note = self.situation.now_ns(), self.store.note_seldom
        match message["op"]:
            case "hello":
                self.monitor.transmitter_connected(message)
            case "telemetry":
                self.rig.report_limited(message)
                self.spare.follow(message, time.monotonic_ns(), time.clock_gettime_ns(time.CLOCK_BOOTTIME))
                if self.situation.steps.take_over(message.get("held", ()), self.situation.site):
                    self._decide_anew()
            case "lost":
                self.monitor.transmitter_gone()
                self.spare.lost()
                note(now_ns, "restart", "the transmitter is gone; it gets the score again when it is back")
            case "unread":
                text = f"a message of the transmitter cannot be read: {message['text']}"
                note(now_ns, "fault", text, "unread")
            case "trouble" if not (message["kind"] == "sound" and self.sound.takes(message)):
                self.troubles.report(message, now_ns, self.monitor.covered)
                if message["kind"] == "frames" and not message["over"]:
                    self._leave_out(message, now_ns)

    def _leave_out(self, message: dict[str, Any], now_ns: int) -> None:
        """Leave a piece at its damaged frames. It does not begin again until its file is replaced.

        With several boards, this one is black there instead, in step with the others.
        """
        decision = self.situation.decision(now_ns)
        if not self.situation.site.boards and decision.state == State.PLAYING and decision.piece == message["piece"]:
            frame, picture = message.get("frame"), self.sender.picture_at(now_ns)
            at_ns = now_ns if frame is None or picture is None else max(now_ns, picture.due_ns(frame, now_ns))
            if self.situation.leave_out(message["piece"], at_ns, message["text"]):
                self._decide()
        if self.situation.damaged.found(Path(message["subject"]), now_ns):
            self.situation.adopt(self.situation.site)
            self._decide()
