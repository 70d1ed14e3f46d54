"""Once a second: checks the clock and the health of every part, and sends alerts and hooks."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.decide import called_at, isoformat
from gloaming.daemon.direction.score import State
from gloaming.daemon.integrations.alerts import Alerts
from gloaming.daemon.integrations.delivery import Message
from gloaming.daemon.integrations.hooks import Hooks, Times
from gloaming.daemon.planner.acting_board import ActingBoard
from gloaming.daemon.planner.health import BoardHealth, read_board, troubles_of
from gloaming.daemon.planner.show_moments import Followed, ShowMoments
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.transmitter_client import TransmitterClient
from gloaming.daemon.planner.transmitter_troubles import TransmitterTroubles
from gloaming.daemon.planner.troubles import Trouble, TroubleCode, covered_by
from gloaming.daemon.reports.nights import season
from gloaming.daemon.score.protocol import Op, build
from gloaming.daemon.service.log import LOG
from gloaming.daemon.site.schema_delivery import Hook
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.zones import local_date
from gloaming.shows.time_units import MINUTE_NS, SECOND_NS

SLOW_NS = 30 * SECOND_NS
"""The board's own figures are read once in this time."""
TIMES_NS = 600 * SECOND_NS
LIT_SOON_NS = MINUTE_NS
"""A new transmitter starts only if there is no light for this long."""


class Monitor:
    """Owns the alerts, the hooks, and the present troubles. `others` report troubles of other parts."""

    def __init__(
        self,
        situation: Situation,
        acting: ActingBoard,
        state: Path,
        client: TransmitterClient,
        reported: TransmitterTroubles,
        wake_at: Callable[[datetime], None],
        *others: Callable[[], list[Trouble]],
    ) -> None:
        """`wake_at` is called with the instant at which `send_due` is due again."""
        self._situation, self._state, self._client, self._reported = situation, state, client, reported
        self._acting = acting
        self._wake_at, self.others = wake_at, list(others)
        self.board: BoardHealth = read_board(state)
        self.transmitter_lost = 0
        self._other_build = False
        self._since: dict[tuple[str, str], int] = {}
        self._noted: set[tuple[str, str]] = set()
        """Troubles whose beginning this monitor wrote to the journal."""
        self.covered: set[tuple[str, str]] = set()
        """Kind and subject of the troubles that another one replaces."""
        self._failing: dict[tuple[str, str], str] = {}
        """The problem of each alert and hook that cannot be delivered, by kind and name."""
        self._times: tuple[Times, ...] = ()
        self._away_reported: set[str] = set()
        """The boards without contact that this board's alerts report, as it acted when they were lost."""
        self._slow_at_ns = self._times_ns = self._looked_ns = self._opened_ns = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        site = situation.site
        self.alerts = Alerts(site.alerts, site.spot, _sender(site), self._delivered)
        self._show = ShowMoments(situation)
        self.hooks = Hooks(
            site.hooks,
            situation.store,
            self._delivered,
            self._hidden,
            self._read_only,
            self._show.values,
            self._sends,
        )

    def start(self) -> None:
        """From now on, results of alerts and hooks reach the running loop."""
        self._loop = asyncio.get_running_loop()

    def close(self) -> None:
        self._loop = None
        self.alerts.close()
        self.hooks.close()

    def adopt(self, site: Site) -> None:
        """Use another site from now on."""
        self._failing = {}
        self.alerts.adopt(site.alerts, site.spot, _sender(site))
        self.hooks.adopt(site.hooks)
        self._slow_at_ns = self._times_ns = 0

    def look(self) -> None:
        """Check everything but the site's files."""
        self._situation.look_at_clock()
        now_ns, monotonic_ns = self._situation.now_ns(), time.monotonic_ns()
        if monotonic_ns >= self._slow_at_ns:
            self._slow_at_ns = monotonic_ns + SLOW_NS
            self.board = read_board(self._state)
        self._note_troubles(now_ns)
        self.alerts.look(self._for_alerts(), monotonic_ns, now_ns)  # an untrusted clock is a trouble too
        self.send_due()
        if self._other_build and not self._lit_soon(now_ns):
            self._other_build = False
            text = "the transmitter was upgraded; its new version is started"
            self._situation.store.note(now_ns, "restart", text)
            self._client.send({"op": Op.STOP})

    def send_due(self) -> None:
        """Send the alerts of an opening, and the hooks that are due."""
        now_ns = self._situation.now_ns()
        if not self._situation.trust.trusted:
            self._show.forget()
            return
        if not 0 <= now_ns - self._times_ns < TIMES_NS:  # also when the clock was set
            self._times_ns = now_ns
            self._times = self._look_up_times(now_ns)
        opened = [one.opens_ns for one in self._times if 0 < self._looked_ns < one.opens_ns <= now_ns]
        if opened and opened[-1] != self._opened_ns:  # after a step back the same opening comes again
            self._opened_ns = opened[-1]
            problems = [f"{trouble.subject}: {trouble.text}" for trouble in self._standing()]
            self.alerts.opening("; ".join(problems) if problems else "all is well")
        self._looked_ns = now_ns
        lead_ns = self.hooks.lead_ns
        if lead_ns is None:
            self._show.forget()
        show = Followed() if lead_ns is None else self._show.look(now_ns, lead_ns)
        due_ns = self.hooks.look((*self._times, *self._calls(now_ns)), now_ns, show)
        if due_ns is not None:
            self._wake_at(datetime.fromtimestamp((due_ns - self._situation.clock.offset_ns) / SECOND_NS, UTC))

    def transmitter_connected(self, message: dict[str, Any]) -> None:
        """Note whether a transmitter runs another build than the one on the disk: then it was upgraded.

        This planner's own build does not count, because the planner may be the older one.
        """
        self._other_build = message.get("build") != build()
        if not message["grants"]["real_time"]:
            LOG.line("trouble", "the transmitter has no real-time priority: frames may be late on a busy board")

    def transmitter_gone(self) -> None:
        self.transmitter_lost += 1

    # troubles

    def troubles(self, now_ns: int) -> list[dict[str, Any]]:
        """The present troubles: code, kind, subject, text, since when, and what to do."""
        zone = self._situation.timezone
        return [
            {
                "code": str(trouble.code),
                "kind": trouble.kind,
                "subject": trouble.subject,
                "text": trouble.text,
                "since": isoformat(self._since.get((trouble.kind, trouble.subject), now_ns), zone),
                "do": trouble.do,
            }
            for trouble in self._standing()
        ]

    def trouble_count(self, without: str) -> int:
        """How many troubles there are, as of the last look, without those of a kind."""
        return sum(kind != without for kind, _ in self._since)

    def _standing(self) -> list[Trouble]:
        site, store, trust = self._situation.site, self._situation.store, self._situation.trust
        found = self._reported.standing()
        found += [Trouble(TroubleCode.FRAMES_REFUSED, str(problem.key), str(problem)) for problem in site.problems]
        found += [trouble for report in self.others for trouble in report()]
        found += self._nothing_left()
        if not self._client.connected:
            found.append(Trouble(TroubleCode.TRANSMITTER, "transmitter", "the transmitter does not answer"))
        if store.fault:
            text = f"the disk takes nothing ({store.fault}): {store.unwritten} changes wait for it in memory"
            found.append(Trouble(TroubleCode.DISK_TAKES_NOTHING, str(store.path), text))
        if not trust.trusted:
            found.append(Trouble(TroubleCode.CLOCK, "clock", trust.verdict.text))
        found += [Trouble(TroubleCode(kind), name, problem) for (kind, name), problem in self._failing.items()]
        covered = covered_by(found)
        return [*(one for one in found if (one.kind, one.subject) not in covered), *troubles_of(self.board)]

    def _nothing_left(self) -> list[Trouble]:
        """The trouble that no piece of the show can be played."""
        now = self._situation.current(self._situation.now_ns())
        if now.state != State.FAULT:
            return []
        return [
            Trouble(
                TroubleCode.NOTHING_PLAYABLE,
                f"show {now.show}",
                "none of its pieces can be played: the lights stay dark",
            )
        ]

    def _note_troubles(self, now_ns: int) -> None:
        """Remember since when each trouble lasts. Write those to the journal that no other part writes."""
        note = self._situation.store.note_seldom
        standing = {(trouble.kind, trouble.subject): trouble for trouble in self._standing()}
        self.covered = covered_by(standing.values())
        for key, trouble in standing.items():
            if key not in self._since:
                self._since[key] = now_ns
                if key not in self._reported and trouble.kind not in ("transmitter", "clock"):
                    self._noted.add(key)
                    about: dict[str, object] = {"over": False, "kind": trouble.kind, "subject": trouble.subject}
                    note(now_ns, "trouble", f"{trouble.subject}: {trouble.text}", "".join(key), about)
        for key in [key for key in self._since if key not in standing]:
            del self._since[key]
            if key in self.covered:
                self._noted.discard(key)
            elif key in self._noted or key[0] == "frames":  # the part that wrote another writes its end
                self._noted.discard(key)
                note(now_ns, "trouble", f"over: {key[1]}", data={"over": True, "subject": key[1]})

    # alerts and hooks

    def _for_alerts(self) -> list[Trouble]:
        """The troubles that this board's alerts report. Of a board without contact, one board alone reports."""
        found = self._standing()
        away = {one.subject for one in found if one.code == TroubleCode.BOARD_AWAY}
        self._away_reported = away if self._acting.acts() else away & self._away_reported
        return [one for one in found if one.subject in self._away_reported or one.code != TroubleCode.BOARD_AWAY]

    def _sends(self, hook: Hook) -> bool:
        """Whether this board sends a hook now."""
        return hook.board == self._situation.site.board_name if hook.board else self._acting.acts()

    def _hidden(self) -> tuple[Path, ...]:
        """The folders that no command may reach: the state and the transmitter's socket."""
        return tuple({self._state.absolute(), self._client.path.absolute().parent})

    def _read_only(self) -> tuple[Path, ...]:
        """The folders that no command may write: the site, whose hours and hooks are not its own to change."""
        return (self._situation.site.folder.resolve(),)

    def _delivered(self, message: Message, problem: str | None) -> None:
        """Called in a messenger's thread."""
        loop = self._loop
        if loop is not None and not loop.is_closed():
            loop.call_soon_threadsafe(self._note_delivery, message, problem)

    def _note_delivery(self, message: Message, problem: str | None) -> None:
        kind, name = message.kind, message.name
        failed = self._failing.pop((kind, name), None) is not None
        if problem is not None:
            self._failing[kind, name] = problem
        if self._loop is None or (message.routine and problem is None and not failed):
            return
        text = name if problem is None else f"{name} failed at every attempt: {problem}"
        note = self._situation.store.note_seldom if message.routine else self._situation.store.note
        note(self._situation.now_ns(), kind, text)

    def _look_up_times(self, now_ns: int) -> tuple[Times, ...]:
        """The openings and closings of yesterday, today and tomorrow."""
        site = self._situation.site
        if not site.hooks and not any(alert.opening for alert in site.alerts):
            return ()
        today = local_date(now_ns, site.timezone)
        rows = season(site, today - timedelta(days=1), today + timedelta(days=1))
        return tuple(Times(row.night.opens_ns, row.closes_ns, row.night.show) for row in rows)

    def _calls(self, now_ns: int) -> tuple[Times, ...]:
        """The called shows, and the called pieces where no show is open: light needs its supplies."""
        now = self._situation
        shows = tuple(Times(call.at_ns, call.end_ns, call.show) for call in now.overrides if call.show)
        pieces = called_at(now_ns, now.site, now.overrides, now.held)
        open_ns = [(one.opens_ns, one.closes_ns) for one in (*self._times, *shows)]
        return shows + tuple(
            Times(one.from_ns, one.until_ns)
            for one in pieces
            if one.from_ns < one.until_ns and not any(opens <= one.from_ns < closes for opens, closes in open_ns)
        )

    def _lit_soon(self, now_ns: int) -> bool:
        telemetry = self._client.telemetry
        if telemetry is None or any(one["level"] > 0 for one in (telemetry, *telemetry.get("areas", ()))):
            return True
        return any(
            decision.state in (State.PLAYING, State.RIG_CHECK)
            or decision.brightness > 0
            or (decision.next_ns is not None and decision.next_ns - now_ns < LIT_SOON_NS)
            for decision in self._situation.everywhere(now_ns)
        )


def _sender(site: Site) -> str:
    """Who sends an alert: the site, and of several boards which one."""
    return f"{site.name}, {site.board_name}" if site.boards else site.name
