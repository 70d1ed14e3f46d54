"""The director: holds site, state and link; decides at every boundary, and hands the score to the transmitter."""

from __future__ import annotations

import asyncio
import logging
import os
import time
from collections.abc import Callable, Coroutine
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID, uuid4

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.date import DateTrigger

from gloaming.daemon.direction.asking import UNDO_SKIP_NS
from gloaming.daemon.direction.decide import Decision, decide, isoformat, score, segment_at
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.score import DecidedSegment, Reason, ReasonCode, State
from gloaming.daemon.messages import setup_of, windows_of
from gloaming.daemon.planner.clock import Clock, watch_steps
from gloaming.daemon.planner.clock_steps import ClockSteps
from gloaming.daemon.planner.commands import Commands
from gloaming.daemon.planner.confirmation import Sent, confirm
from gloaming.daemon.planner.damaged_files import DamagedFiles
from gloaming.daemon.planner.health import BLACK
from gloaming.daemon.planner.monitor import Monitor
from gloaming.daemon.planner.rig_monitor import RigMonitor
from gloaming.daemon.planner.sound_levels import SoundLevels
from gloaming.daemon.planner.store import Store
from gloaming.daemon.planner.transmitter_client import TransmitterClient
from gloaming.daemon.score.score import Score
from gloaming.daemon.score.setup import Setup
from gloaming.daemon.service_log import Seldom, with_count
from gloaming.daemon.site.load import Site
from gloaming.shows.config_files.file_stamp import file_stamp
from gloaming.shows.time_units import DAY_NS, SECOND_NS

SCORE_NS = 1800 * SECOND_NS
RENEW_NS = 600 * SECOND_NS
"""A score that has been sent is sent anew after this time, so that 20 minutes of it are always left."""
AGAIN_S = 1.0


class Every(BaseTrigger):  # type: ignore[misc]  # APScheduler has no types
    """Turns a number of seconds apart, each counted from the one before. APScheduler's own interval looks at every turn
    that a step of the wall clock has left out, and 302 days have millions."""

    def __init__(self, seconds: float) -> None:
        self.interval = timedelta(seconds=seconds)

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime:
        return now + self.interval


class Planner:
    """Decides at every boundary and at least every five seconds; a missed or early wake changes nothing."""

    def __init__(self, site: Site, state: Path, clock: Clock) -> None:
        self.clock = clock
        self.store = Store(state, clock.now_ns())
        self.damaged = DamagedFiles(self.store)
        self.site = self.damaged.on(site, clock.now_ns())
        self.link = TransmitterClient(state / "transmitter.sock", self._heard)
        self.troubles: dict[tuple[str, str], dict[str, Any]] = {}
        self.started_ns = clock.now_ns()
        self.steps = ClockSteps(self)
        self.requests = Commands(self)
        self._sent: tuple[DecidedSegment, ...] = ()
        self._sent_until_ns = self._windows_until_ns = 0
        self._score_id = self._files = time.monotonic_ns() // 1_000_000
        self._leaving: tuple[Override, str | None] | None = None
        self._last: tuple[State, str | None, str | None] | None = None
        self._scheduler = AsyncIOScheduler(timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": None})
        self._tasks: list[asyncio.Task[None]] = []
        self._steps = watch_steps()
        self._seldom = Seldom()
        self.sound, self.rig = SoundLevels(self), RigMonitor(self, state)
        self.attendant = Monitor(self, state)
        self.requests.after_step()

    async def start(self) -> None:
        """Hand over everything, then wake at boundaries, every five seconds, and at a step of the clock."""
        text, boot = f"the director has started with the site {self.site.name}", self.attendant.trust.boot
        self.store.note(self.clock.now_ns(), "start", text, data={"boot": boot})
        self.link.send(self._setup().to_json())
        self._decide()
        self._schedule_all()
        self._watch_clock()
        self._scheduler.start()
        self._tasks = [asyncio.create_task(work, name=name) for name, work in self._work()]

    def _work(self) -> tuple[tuple[str, Coroutine[Any, Any, None]], ...]:
        parts = {"link": self.link.run, "attendant": self.attendant.run, "sound": self.sound.run, "rig": self.rig.run}
        return tuple((name, self._lasting(name, run)) for name, run in parts.items())

    async def _lasting(self, name: str, run: Callable[[], Coroutine[Any, Any, None]]) -> None:
        """Run a part for ever: where it fails that is said, and it begins again, since nobody else would notice."""
        while True:
            try:
                await run()
            except Exception as error:
                logging.getLogger(__name__).error("%s failed, and begins again", name, exc_info=error)
                with suppress(MemoryError):  # then the log has it
                    self.note_seldom("fault", f"{name} failed, and begins again: {error!r}", name)
            await asyncio.sleep(AGAIN_S)

    def _schedule_all(self) -> None:
        self._schedule("decide again", self._decide, Every(5))
        self._schedule("try the disk", self._try_the_disk, Every(5))

    def _schedule(self, name: str, work: Callable[[], None], trigger: BaseTrigger) -> None:
        """Wake for some work on the event loop (APScheduler would take what is no coroutine to a thread)."""

        async def on_the_loop() -> None:
            work()

        self._scheduler.add_job(on_the_loop, trigger, id=name, name=name, replace_existing=True)

    async def stop(self) -> None:
        self._scheduler.shutdown(wait=False)
        if self._steps is not None:
            asyncio.get_running_loop().remove_reader(self._steps)
            os.close(self._steps)
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        self.attendant.close()
        self.store.close()

    def decision(self, at_ns: int) -> Decision:
        """What an instant has, by a clock that is right."""
        return decide(at_ns, self.site, self.requests.overrides, self.steps.held)

    def current(self, at_ns: int) -> Decision:
        """What now has: dark where nobody knows what time it is."""
        if self.attendant.trust.trusted:
            decision = self.decision(at_ns)
            return replace(decision, reasons=(*decision.reasons, *self._wire_is_black(decision)))
        reasons = (self.no_clock(),)
        return Decision(at_ns, State.NO_CLOCK, None, None, None, None, 0.0, False, reasons, None, None)

    def _wire_is_black(self, decision: Decision) -> tuple[Reason, ...]:
        """Why the wire is black where there is to be light, as the transmitter said within the last second."""
        told = self.link.telemetry if self.link.connected else None
        code = told.get("black") if told and decision.brightness else None
        return (reason(ReasonCode.WIRE_BLACK, f"transmitter {code}", why=BLACK.get(code, code)),) if code else ()

    def no_clock(self) -> Reason:
        rule = f"{self.site.clock.place or 'site.toml'} clock.trust"
        return reason(ReasonCode.NO_CLOCK, rule, clock=self.attendant.trust.verdict.text)

    async def hand_over(self, asked: Override, ends: bool = False) -> Sent:
        """Send the new score, and wait until what was asked for, or its end, is what is sent."""
        self._sent_until_ns = 0
        if self.site.neighbours.rig_check:  # a rig check may open the second lock a little
            self._send_windows(self.clock.now_ns())
        self._decide()
        return await confirm(self, self._score_id, asked, ends)

    def sent_at(self, now_ns: int) -> DecidedSegment:
        """What the score that was sent last has for an instant of now."""
        return next(one for one in self._sent if now_ns < one.until_ns)

    def _decide(self) -> None:
        """Decide again; after a step of the clock that nobody has told of yet, which ends no hush."""
        self.after_step()
        self._look_up()

    def _look_up(self) -> None:
        """Look up the next half hour; hand it over where it differs from what was sent, or where that runs out."""
        now_ns = self.clock.now_ns()
        self._still_leave(now_ns)
        self._note_changes(now_ns)
        from_ns, until_ns = now_ns - SECOND_NS, now_ns + SCORE_NS
        if self.attendant.trust.trusted:
            found = score(from_ns, until_ns, self.site, self.requests.overrides, self.steps.held)
        else:
            found = (DecidedSegment(from_ns, until_ns, state=State.NO_CLOCK, reasons=(self.no_clock(),)),)
        if self._differs(found, now_ns) or now_ns > self._sent_until_ns - SCORE_NS + RENEW_NS:
            self._send_score(found, now_ns)
        if self._windows_until_ns - now_ns < 7 * DAY_NS:  # after the score: its clock says which of them have begun
            self._send_windows(now_ns)
        self._wake_at_boundary(found, now_ns)

    def _differs(self, found: tuple[DecidedSegment, ...], now_ns: int) -> bool:
        """Whether what is to come is not what the transmitter holds."""

        def shown(segments: tuple[DecidedSegment, ...]) -> list[tuple[object, ...]]:
            return [
                (one.until_ns, one.picture, one.mix, one.look, one.level_until, one.sound_until)
                for one in segments
                if now_ns < one.until_ns < min(self._sent_until_ns, now_ns + SCORE_NS)
                and (one.level_from or one.level_until or one.sound)
            ]

        return shown(found) != shown(self._sent)

    def _send_score(self, segments: tuple[DecidedSegment, ...], now_ns: int) -> None:
        self._score_id += 1
        self._sent, self._sent_until_ns = segments, now_ns + SCORE_NS
        anchor = self.clock.anchor()
        score = Score(
            id=self._score_id,
            offset_ns=anchor.utc_ns - anchor.monotonic_ns,
            wall_offset_ns=self.clock.offset_ns,
            segments=tuple(self.sound.with_sound(segment) for segment in segments),
            device=self.site.sound.device,
            delay_ns=self.site.sound.delay,
            files=self._files,
        )
        self.link.send(score.to_json())

    def _send_windows(self, now_ns: int) -> None:
        """What is known of the neighbours' hours; nothing while nobody knows what time it is, and so none begins."""
        self._windows_until_ns = now_ns + 8 * DAY_NS
        steps, trust = self.steps, self.attendant.trust
        known_ns = (now_ns - DAY_NS, self._windows_until_ns) if trust.trusted else (0, 0)
        low, guessed = self.rig.low(), trust.trusted and not trust.windows_hold
        windows = windows_of(self.site, *known_ns, low, steps.held, steps.apart_ns, guessed)
        self.link.send(windows.to_json())

    def _setup(self) -> Setup:
        cid = self.store.fact("cid")
        if cid is None:
            cid = uuid4().hex
            self.store.set_fact("cid", cid)
        return setup_of(self.site, UUID(cid), self.rig.limits())

    def _wake_at_boundary(self, segments: tuple[DecidedSegment, ...], now_ns: int) -> None:
        later = [segment.from_ns for segment in segments if segment.from_ns > now_ns]
        if later:
            at = datetime.fromtimestamp((later[0] - self.clock.offset_ns) / SECOND_NS + 0.002, UTC)
            self._schedule("boundary", self._decide, DateTrigger(at))

    def _watch_clock(self) -> None:
        """Hear of a step at once where the kernel tells, else within a second."""
        if self._steps is not None:
            asyncio.get_running_loop().add_reader(self._steps, self._clock_was_set)
        else:
            self._schedule("look for a step of the clock", self.after_step, Every(1))

    def _clock_was_set(self) -> None:
        assert self._steps is not None
        with suppress(OSError):  # ECANCELED is how timerfd says it (timerfd_create(2))
            os.read(self._steps, 8)
        self.after_step()

    def after_step(self) -> None:
        """Decide anew where the wall clock has stepped against the monotonic one."""
        if step_ns := self.clock.stepped_ns():
            self.attendant.trust.stepped(step_ns)
            self.clock_changed(f"the clock stepped by {step_ns / SECOND_NS:+.3f} s", alike="step")

    def note_seldom(self, kind: str, text: str, alike: str = "", data: dict[str, object] | None = None) -> None:
        """A line in the journal that may repeat: once a minute at the most, with how many were `alike` since."""
        held = self._seldom.passes((kind, alike or text), time.monotonic())
        if held is not None:
            self.store.note(self.clock.now_ns(), kind, with_count(text, held), data=data)

    def clock_changed(self, text: str, alike: str = "") -> None:
        """Another time, or another trust in it: what was looked up by the time before is looked up again."""
        self.note_seldom("clock", text, alike)
        self.requests.after_step()
        self._schedule_all()
        self.look_up_anew()

    def adopt(self, site: Site) -> None:
        """Another site from now on; the transmitter is set up anew only where that differs."""
        self.after_step()
        before = self._setup()
        self.site, self._files = self.damaged.on(site, self.clock.now_ns()), time.monotonic_ns() // 1_000_000
        self.requests.look_up()
        for key, each in list(self.troubles.items()):
            if key[0] == "frames" and each["stamp"] != file_stamp(Path(key[1])):
                del self.troubles[key]  # another file, of which nothing is known yet
        self.rig.adopt()
        if (setup := self._setup()) != before:
            self.link.send(setup.to_json())
        self.look_up_anew()

    def look_up_anew(self) -> None:
        """Decide and hand over, though nothing may seem to differ."""
        self._sent_until_ns = self._windows_until_ns = 0
        self._look_up()

    def _try_the_disk(self) -> None:
        self.store.retry(self.clock.now_ns())

    def _note_changes(self, now_ns: int) -> None:
        decision = self.current(now_ns)
        current = (decision.state, decision.show, decision.piece)
        if current != self._last:
            piece = f", {decision.piece}" if decision.piece else ""
            reason = decision.reasons[0] if decision.reasons else None
            why = f": {reason.text} ({reason.rule})" if reason else ""
            level = 0.0
            if self.attendant.trust.trusted:  # what it comes to: at an opening it is dark yet
                held = segment_at(now_ns, self.site, self.requests.overrides, self.steps.held)
                level = max(held.level_from, held.level_until)
            data: dict[str, object] = {"show": decision.show, "piece": decision.piece, "level": level}
            self.store.note(now_ns, str(decision.state), f"{decision.state}{piece}{why}", data=data)
        self._last = current

    def _heard(self, message: dict[str, Any]) -> None:
        """A message of the transmitter, or that it is gone."""
        now_ns = self.clock.now_ns()
        match message["op"]:
            case "hello":
                self.attendant.heard_hello(message)
            case "telemetry":
                self.rig.heard(message)
                if self.steps.heard(message.get("held", ())):
                    self.look_up_anew()
            case "lost":
                self.attendant.heard_lost()
                self.note_seldom("restart", "the transmitter is gone; it is given the score again when it is back")
            case "unread":
                self.note_seldom("fault", f"a message of the transmitter cannot be read: {message['text']}", "unread")
            case "trouble" if message["kind"] == "sound" and self.sound.takes(message):
                pass
            case "trouble":
                key = (message["kind"], message["subject"])
                known = self.troubles.get(key, {}).get("text") == message["text"]
                if message["over"]:
                    self.troubles.pop(key, None)
                else:
                    since = isoformat(now_ns, self.site.timezone)
                    self.troubles[key] = {"kind": key[0], "subject": key[1], "text": message["text"], "since": since}
                    if key[0] == "frames":
                        self.troubles[key]["stamp"] = file_stamp(Path(key[1]))
                over = "over: " if message["over"] else ""
                if not known:
                    about: dict[str, object] = {
                        name: message[name] for name in ("subject", "piece", "over") if name in message
                    }
                    text = f"{over}{message['subject']}: {message['text']}"
                    self.note_seldom("trouble", text, over + "".join(key), about)
                if message["kind"] == "frames" and not message["over"]:
                    self._leave_out(message, now_ns)

    def _still_leave(self, now_ns: int) -> None:
        """A piece that was to be left, and is not there any more when it comes to that: nothing else is left for it."""
        if self._leaving is None:
            return
        skip, piece = self._leaving
        there = self.decision(skip.at_ns - 1)
        if now_ns >= skip.at_ns or (there.state, there.piece) != (State.PLAYING, piece):
            self._leaving = None
            if now_ns < skip.at_ns:
                self.store.end(skip.id, now_ns)
                self.requests.look_up()

    def _leave_out(self, message: dict[str, Any], now_ns: int) -> None:
        """A piece whose frames are damaged is left from there on, and is not begun again until its file is another."""
        decision = self.decision(now_ns)
        if decision.state == State.PLAYING and decision.piece == message["piece"]:
            self._plan_to_leave(message, now_ns)
        if self.damaged.found(Path(message["subject"]), now_ns):
            self.site = self.damaged.on(self.site, now_ns)
            self._decide()

    def _plan_to_leave(self, message: dict[str, Any], now_ns: int) -> None:
        frame = message.get("frame")
        picture = next((one.picture for one in self._sent if one.from_ns <= now_ns < one.until_ns), None)
        at_ns = now_ns if frame is None or picture is None else max(now_ns, picture.due_ns(frame, now_ns))
        if not any(one.kind == Kind.SKIP and one.at_ns >= at_ns for one in self.requests.standing(now_ns)):
            skip = Override(0, Kind.SKIP, at_ns, at_ns + UNDO_SKIP_NS, who="gloaming")
            self._leaving = self.requests.keep(skip), message["piece"]
            whole = isoformat(at_ns, self.site.timezone)
            self.store.note(now_ns, "fault", f"{message['piece']} is left out from {whole} on: {message['text']}")
            self._decide()
