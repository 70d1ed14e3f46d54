"""The attendant: once a second it looks after a director's clock, files and health, and tells the world outside.

By the monotonic clock, so that no step of the wall clock makes it wait. The director decides; this only looks.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Callable
from dataclasses import asdict
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gloaming.daemon.alerts import Alerts
from gloaming.daemon.cues import Cues, Times
from gloaming.daemon.direction.billing import rule_ids
from gloaming.daemon.direction.decide import isoformat
from gloaming.daemon.direction.overrides import Kind
from gloaming.daemon.direction.score import State
from gloaming.daemon.outside import Message
from gloaming.daemon.planner.clock_trust import ClockTrust
from gloaming.daemon.planner.health import DO, Board, Trouble, read_board, troubles_of
from gloaming.daemon.reports.nights import season
from gloaming.daemon.score.protocol import Op, build
from gloaming.daemon.service_log import LOG
from gloaming.daemon.site.last_good import keep_good, with_hours_of
from gloaming.daemon.site.load import Site, load_site
from gloaming.daemon.site.reload import Stamp, Watch, stamp
from gloaming.daemon.timetable.zones import local_date
from gloaming.shows.config_files.errors import MistakeError
from gloaming.shows.time_units import MINUTE_NS, SECOND_NS

if TYPE_CHECKING:
    from gloaming.daemon.planner.planner import Planner

LOOK_S = 1.0
ADDED = "the neighbours' hours that it adds are kept from now on, all else waits until it is put right"
SLOW_NS = 30 * SECOND_NS
"""How often the board's own figures are looked up."""
TIMES_NS = 600 * SECOND_NS
FAILURE_NS = MINUTE_NS
LIT_SOON_NS = MINUTE_NS
"""A new transmitter is started only where nothing is lit for this long."""


class Monitor:
    """Owns what a director is looked after with: trust, watch, alerts, cues, and the troubles of now."""

    def __init__(self, director: Planner, state: Path) -> None:
        self.director, self.state = director, state
        self.trust = ClockTrust(director.store, director.clock, director.site.clock.trust, sets=director.site.clock.set)
        self.watch = Watch(self._stamp(director.site))
        self.board: Board = read_board(state)
        self.refused: MistakeError | None = None
        self.good = director.site
        """The site as it was last read without a mistake."""
        self.transmitter_lost = 0
        self.others: list[Callable[[], list[Trouble]]] = []
        """Who else has troubles to report."""
        self._other_build = False
        self._since: dict[tuple[str, str], int] = {}
        self._noted: set[tuple[str, str]] = set()
        """Troubles whose beginning went into the journal here."""
        self._failing: dict[str, str] = {}
        self._times: tuple[Times, ...] = ()
        self._slow_at_ns = self._times_ns = self._told_ns = self._opened_ns = self._failure_at_ns = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        site = director.site
        self.alerts = Alerts(site.alerts, site.spot, site.name, self._told)
        self.cues = Cues(site.cues, director.store, self._told, self._hidden)

    async def run(self) -> None:
        """Look once a second, until cancelled."""
        self._loop = asyncio.get_running_loop()
        while True:
            try:
                self.look()
                if self.watch.due(self._stamp(self.director.site)):
                    await self.reload("its files have changed")
            except Exception as error:  # what fails once is looked at again: nothing else would
                self._say_failure(error)
            await asyncio.sleep(LOOK_S)

    def _say_failure(self, error: Exception) -> None:
        """Where a look failed: with its traceback for the service's log, and once a minute in the journal."""
        if time.monotonic_ns() >= self._failure_at_ns:
            self._failure_at_ns = time.monotonic_ns() + FAILURE_NS
            logging.getLogger(__name__).error("a look failed", exc_info=error)
            self.director.store.note(self.director.clock.now_ns(), "fault", f"a look after the board failed: {error!r}")

    def close(self) -> None:
        self._loop = None
        self.alerts.close()
        self.cues.close()

    def look(self) -> None:
        """One look at everything but the files."""
        director, now_ns = self.director, self.director.clock.now_ns()
        director.after_step()
        if self.trust.look():
            director.clock_changed(self.trust.verdict.text)
            now_ns = director.clock.now_ns()
        monotonic_ns = time.monotonic_ns()
        if monotonic_ns >= self._slow_at_ns:
            self._slow_at_ns = monotonic_ns + SLOW_NS
            self.board = read_board(self.state)
        self._note_troubles(now_ns)
        self.alerts.look(
            self._standing(), monotonic_ns, now_ns
        )  # that there is no time, too; its guess is all there is
        if self.trust.trusted:
            self._tell_outside(now_ns)
        if self._other_build and not self._lit_soon(now_ns):
            self._other_build = False
            director.store.note(now_ns, "restart", "the transmitter has been upgraded, and is started as the new one")
            director.link.send({"op": Op.STOP})

    def _tell_outside(self, now_ns: int) -> None:
        if not 0 <= now_ns - self._times_ns < TIMES_NS:  # as well when the clock has been set
            self._times_ns = now_ns
            self._times = self._look_up_times(now_ns)
        opened = [opens_ns for opens_ns, _ in self._times if 0 < self._told_ns < opens_ns <= now_ns]
        if opened and opened[-1] != self._opened_ns:  # a clock that is set back comes by it once more
            self._opened_ns = opened[-1]
            wrong = [f"{trouble.subject}: {trouble.text}" for trouble in self._standing()]
            self.alerts.opening("; ".join(wrong) if wrong else "all is well")
        self._told_ns = now_ns
        self.cues.look((*self._times, *self._calls()), now_ns)

    def heard_hello(self, message: dict[str, Any]) -> None:
        """A transmitter says which program it runs: one that is not on the disk any more was upgraded beneath it.

        What this director runs does not count: it may be the older one, and another transmitter would be no other.
        """
        self._other_build = message.get("build") != build()
        if not message["grants"]["real_time"]:
            LOG.line("trouble", "the transmitter has no real-time priority: frames may be late on a busy board")

    def heard_lost(self) -> None:
        self.transmitter_lost += 1

    # troubles

    def troubles(self, now_ns: int) -> list[dict[str, Any]]:
        """What is wrong now: kind, subject, text, since when, and what to do."""
        zone = self.director.site.timezone
        return [
            {
                **asdict(trouble),
                "since": isoformat(self._since.get((trouble.kind, trouble.subject), now_ns), zone),
                "do": DO.get(trouble.kind, ""),
            }
            for trouble in self._standing()
        ]

    def _standing(self) -> list[Trouble]:
        director = self.director
        found = [Trouble(each["kind"], each["subject"], each["text"]) for each in director.troubles.values()]
        found += [Trouble("frames", str(problem.key), str(problem)) for problem in director.site.problems]
        found += director.sound.troubles() + director.rig.troubles()
        found += [trouble for report in self.others for trouble in report()]
        if self.refused:
            more = "" if director.site is self.good else f"; {ADDED}"
            found += [Trouble("site", str(each.file), f"{each}{more}") for each in self.refused.mistakes[:5]]
        found += self._nothing_left()
        if not director.link.connected:
            found.append(Trouble("transmitter", "transmitter", "the transmitter does not answer"))
        if director.store.fault:
            waits = f"{director.store.unwritten} changes wait for it in memory"
            text = f"the disk takes nothing ({director.store.fault}): {waits}"
            found.append(Trouble("disk", str(director.store.path), text))
        if not self.trust.trusted:
            found.append(Trouble("clock", "clock", self.trust.verdict.text))
        found += [Trouble(name.split()[0], name, wrong) for name, wrong in self._failing.items()]
        return [*found, *troubles_of(self.board)]

    def _nothing_left(self) -> list[Trouble]:
        """That a show is on, and none of its pieces can be played."""
        now = self.director.current(self.director.clock.now_ns())
        if now.state != State.FAULT:
            return []
        return [Trouble("frames", f"show {now.show}", "no piece of it can be played: it stays dark")]

    def _note_troubles(self, now_ns: int) -> None:
        """Since when each has been; what is not told by somebody else goes into the journal."""
        standing = {(trouble.kind, trouble.subject): trouble for trouble in self._standing()}
        told_elsewhere = {*self.director.troubles, ("transmitter", "transmitter")}
        for key, trouble in standing.items():
            if key not in self._since:
                self._since[key] = now_ns
                if key not in told_elsewhere and trouble.kind not in ("clock", "controller"):
                    self._noted.add(key)
                    self.director.note_seldom("trouble", f"{trouble.subject}: {trouble.text}", "".join(key))
        for key in [key for key in self._since if key not in standing]:
            del self._since[key]
            if key in self._noted or key[0] == "frames":  # of other kinds, who told it tells its end
                self._noted.discard(key)
                self.director.note_seldom("trouble", f"over: {key[1]}", data={"over": True, "subject": key[1]})

    # the site's files

    async def reload(self, why: str) -> bool:
        """Read the site again; taken over at once and whole, or refused with the mistakes kept."""
        director = self.director
        found = self._stamp(director.site)
        try:
            site = await asyncio.to_thread(load_site, director.site.folder, None, False)
        except MistakeError as error:
            self.refuse(error, f"the site is not taken over ({why})")
            self.watch.was_read(found)
            return False
        self.refused, self.good = None, site
        self.trust.rule, self.trust.sets = site.clock.trust, site.clock.set
        director.adopt(site)
        read = {one[0]: one for one in found}  # what has changed since then, while it was read, is read again
        self.watch.was_read(tuple(read.get(one[0], one) for one in self._stamp(site)))
        self._failing = {}
        self.alerts.adopt(site.alerts, site.spot, site.name)
        self.cues.adopt(site.cues)
        self._slow_at_ns = self._times_ns = 0
        director.store.note(director.clock.now_ns(), "site", f"the site is read again and taken over: {why}")
        await director.rig.follow()
        await asyncio.to_thread(keep_good, site.folder, self.state)
        return True

    def refuse(self, error: MistakeError, what: str) -> None:
        """The site's files have a mistake: all stays as it was, but for neighbours' hours that they add."""
        director, self.refused = self.director, error
        site = with_hours_of(self.good, self.good.folder / "site.toml")
        if site is not None and _hours(site) != _hours(director.site):
            director.adopt(site)
        more = "" if director.site is self.good else f"; {ADDED}"
        director.store.note(director.clock.now_ns(), "site", f"{what}: {error.mistakes[0]}{more}")

    @staticmethod
    def _stamp(site: Site) -> Stamp:
        files = (file for piece in site.pieces.values() for file in (piece.frames, piece.sound) if file)
        return stamp(site.folder, files)

    # the world outside

    def _hidden(self) -> tuple[Path, ...]:
        """What no command may reach: the state, and the transmitter's socket."""
        return tuple({self.state.absolute(), self.director.link.path.absolute().parent})

    def _told(self, message: Message, wrong: str | None) -> None:
        """From a messenger's thread."""
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._note_told, message.name, wrong)

    def _note_told(self, name: str, wrong: str | None) -> None:
        if wrong is None:
            self._failing.pop(name, None)
        else:
            self._failing[name] = wrong
        if self._loop is not None:
            text = name if wrong is None else f"{name} failed, and was tried again in vain: {wrong}"
            self.director.store.note(self.director.clock.now_ns(), name.split()[0], text)

    def _look_up_times(self, now_ns: int) -> tuple[Times, ...]:
        """The openings and closings of yesterday, today and tomorrow."""
        site = self.director.site
        if not site.cues and not any(alert.opening for alert in site.alerts):
            return ()
        today = local_date(now_ns, site.timezone)
        rows = season(site, today - timedelta(days=1), today + timedelta(days=1))
        return tuple((row.night.opens_ns, row.closes_ns) for row in rows)

    def _calls(self) -> tuple[Times, ...]:
        calls = [override for override in self.director.requests.overrides if override.kind == Kind.CALL]
        return tuple((call.at_ns, call.end_ns) for call in calls)

    def _lit_soon(self, now_ns: int) -> bool:
        director = self.director
        telemetry = director.link.telemetry
        if telemetry is None or telemetry["level"] > 0:
            return True
        decision = director.current(now_ns)
        soon = decision.next_ns is not None and decision.next_ns - now_ns < LIT_SOON_NS
        return decision.state in (State.PLAYING, State.RIG_CHECK) or decision.brightness > 0 or soon


def _hours(site: Site) -> tuple[list[str], float | None]:
    return rule_ids(site), site.neighbours.rig_check
