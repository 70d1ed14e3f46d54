"""Looks up the score at every boundary, and sends it if it differs from what the transmitter has."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from uuid import UUID, uuid4

from gloaming.daemon.direction.decide import score
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.score import DecidedSegment, State
from gloaming.daemon.planner.confirmation import Sent, confirm
from gloaming.daemon.planner.messages import setup_of, windows_of
from gloaming.daemon.planner.rig_monitor import RigMonitor
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.sound_levels import SoundLevels
from gloaming.daemon.planner.transmitter_client import TransmitterClient
from gloaming.daemon.score.score import Picture, Score
from gloaming.daemon.score.setup import Setup
from gloaming.shows.time_units import DAY_NS, SECOND_NS

SCORE_NS = 1800 * SECOND_NS
RENEW_NS = 600 * SECOND_NS
"""A score is sent again after this time, so that 20 minutes of it are always left."""


class ScoreSender:
    """Keeps what was sent last. `wake_at` is called with the next boundary, when `decide` is due again."""

    def __init__(
        self,
        situation: Situation,
        client: TransmitterClient,
        rig: RigMonitor,
        sound: SoundLevels,
        wake_at: Callable[[datetime], None],
    ) -> None:
        self._situation, self._client, self._rig, self._sound = situation, client, rig, sound
        self._wake_at = wake_at
        self._sent: tuple[DecidedSegment, ...] = ()
        self._sent_until_ns = self._windows_until_ns = 0
        self._score_id = self._files = time.monotonic_ns() // 1_000_000
        self._last: tuple[State, str | None, str | None] | None = None
        self._setup: Setup | None = None

    def decide(self) -> None:
        """Look up the score, after any step of the clock is taken into account. Send it if it differs."""
        self._situation.after_step()
        self._look_up()

    def decide_anew(self) -> None:
        """Look up the score and send it, even if it does not differ."""
        self._sent_until_ns = self._windows_until_ns = 0
        self._look_up()

    def files_changed(self) -> None:
        """From the next score on, the transmitter reads each file again."""
        self._files = time.monotonic_ns() // 1_000_000

    def send_setup(self) -> None:
        """Send the setup if it differs from the one before."""
        site, store = self._situation.site, self._situation.store
        cid = store.fact("cid")
        if cid is None:
            cid = uuid4().hex
            store.set_fact("cid", cid)
        setup = setup_of(site, UUID(cid), self._rig.limits(), self._rig.names.addresses)
        if setup != self._setup:
            self._setup = setup
            self._client.send(setup.to_json())

    async def hand_over(self, asked: Override, ends: bool = False) -> Sent:
        """Send the new score, and wait until the transmitter plays it: the override, or its end."""
        now = self._situation
        self._sent_until_ns = 0
        if now.site.neighbours.rig_check:  # a rig check may allow dim light in dark hours
            self._send_windows(now.now_ns())
        self.decide()
        return await confirm(self._client, self._sent_now, now.timezone, self._score_id, asked, ends)

    def picture_at(self, now_ns: int) -> Picture | None:
        """The picture at an instant of the score that was sent."""
        return next((one.picture for one in self._sent if one.from_ns <= now_ns < one.until_ns), None)

    def _sent_now(self) -> tuple[int, DecidedSegment]:
        now_ns = self._situation.now_ns()
        return now_ns, next(one for one in self._sent if now_ns < one.until_ns)

    def _look_up(self) -> None:
        """Look up the next half hour. Send it if it differs from what was sent, or if that runs out."""
        now = self._situation
        now_ns = now.now_ns()
        now.drop_idle_skip(now_ns)
        self._note_changes(now_ns)
        from_ns, until_ns = now_ns - SECOND_NS, now_ns + SCORE_NS
        if now.trust.trusted:
            found = score(from_ns, until_ns, now.site, now.overrides, now.held)
        else:
            found = (DecidedSegment(from_ns, until_ns, state=State.NO_CLOCK, reasons=(now.no_clock(),)),)
        if self._differs(found, now_ns) or now_ns > self._sent_until_ns - SCORE_NS + RENEW_NS:
            self._send_score(found, now_ns)
        if self._windows_until_ns - now_ns < 7 * DAY_NS:  # after the score: its clock decides which windows have begun
            self._send_windows(now_ns)
        later = [segment.from_ns for segment in found if segment.from_ns > now_ns]
        if later:
            self._wake_at(datetime.fromtimestamp((later[0] - now.clock.offset_ns) / SECOND_NS + 0.002, UTC))

    def _differs(self, found: tuple[DecidedSegment, ...], now_ns: int) -> bool:
        """Whether the coming half hour differs from the transmitter's score."""

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
        site, clock = self._situation.site, self._situation.clock
        anchor = clock.anchor()
        new = Score(
            id=self._score_id,
            offset_ns=anchor.utc_ns - anchor.monotonic_ns,
            wall_offset_ns=clock.offset_ns,
            segments=tuple(self._sound.with_sound(segment) for segment in segments),
            device=site.sound.device,
            delay_ns=site.sound.delay,
            files=self._files,
        )
        self._client.send(new.to_json())

    def _send_windows(self, now_ns: int) -> None:
        """Send the neighbours' hours; none while the clock is not trusted, so that none begins."""
        self._windows_until_ns = now_ns + 8 * DAY_NS
        trust, steps = self._situation.trust, self._situation.steps
        known_ns = (now_ns - DAY_NS, self._windows_until_ns) if trust.trusted else (0, 0)
        dim, guessed = self._rig.dim_windows(), trust.trusted and not trust.windows_hold
        windows = windows_of(self._situation.site, *known_ns, dim, steps.held, steps.apart_ns, guessed)
        self._client.send(windows.to_json())

    def _note_changes(self, now_ns: int) -> None:
        decision = self._situation.current(now_ns)
        current = (decision.state, decision.show, decision.piece)
        if current != self._last:
            piece = f", {decision.piece}" if decision.piece else ""
            reason = decision.reasons[0] if decision.reasons else None
            why = f": {reason.text} ({reason.rule})" if reason else ""
            level = 0.0
            if self._situation.trust.trusted:  # the level after the fade: at an opening it is still 0
                held = self._situation.segment(now_ns)
                level = max(held.level_from, held.level_until)
            data: dict[str, object] = {"show": decision.show, "piece": decision.piece, "level": level}
            self._situation.store.note(now_ns, str(decision.state), f"{decision.state}{piece}{why}", data=data)
        self._last = current
