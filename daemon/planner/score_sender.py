"""Looks up the score at every boundary, and sends it if it differs from what the transmitter has."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from datetime import datetime
from typing import NamedTuple

from gloaming.daemon.direction.areas import AreaScore, score_areas
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.reasons import deciding
from gloaming.daemon.direction.score import DecidedSegment, Reason, State
from gloaming.daemon.direction.segments import Segments, light_of
from gloaming.daemon.planner.confirmation import CONFIRM_S, Sent, SentNow, confirm
from gloaming.daemon.planner.identity import cid_of
from gloaming.daemon.planner.messages import setup_of, windows_of
from gloaming.daemon.planner.rig_checks import RigChecks
from gloaming.daemon.planner.rig_monitor import RigMonitor
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.sound_levels import SoundLevels
from gloaming.daemon.planner.transmitter_client import TransmitterClient
from gloaming.daemon.reports.journal_lines import ZONE_KIND
from gloaming.daemon.score.score import Picture, Score, ScoreArea
from gloaming.daemon.score.setup import Setup
from gloaming.daemon.site.site import Site
from gloaming.shows.rig.zones import Spans
from gloaming.shows.time_units import DAY_NS, SECOND_NS

SCORE_NS = 1800 * SECOND_NS
RENEW_NS = 600 * SECOND_NS
"""A score is sent again after this time, so that 20 minutes of it are always left."""


class ScoreSender:
    """Keeps what was sent last. `wake_at` is called with the next boundary, when `decide` is due again; `decided`,
    whenever what is shown may have changed."""

    def __init__(
        self,
        situation: Situation,
        client: TransmitterClient,
        rig: RigMonitor,
        rig_checks: RigChecks,
        sound: SoundLevels,
        wake_at: Callable[[datetime], None],
        decided: Callable[[], None],
        boards: Callable[[], frozenset[str]],
    ) -> None:
        """`boards` returns the CIDs of the site's other boards."""
        self._boards, self._known_boards = boards, frozenset[str]()
        self._situation, self._client, self._sound = situation, client, sound
        self._rig, self._rig_checks = rig, rig_checks
        self._wake_at, self._decided = wake_at, decided
        self._sent = AreaScore((), ())
        self._sent_until_ns = self._windows_until_ns = 0
        self._score_id = self._files = time.monotonic_ns() // 1_000_000
        self._last: tuple[State, str | None, str | None] | None = None
        self._noted_areas: dict[tuple[str, ...], _AreaNoted] = {}
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
        now = self._situation
        cid = cid_of(now.store, now.now_ns())
        self._known_boards = self._boards()
        setup = setup_of(
            now.site, cid, self._rig.limits(), self._rig.names.addresses, self._known_boards, now.trust.trusted
        )
        if setup != self._setup:
            self._setup = setup
            self._client.send(setup.to_json())

    def know_boards(self) -> None:
        """Send the setup again if another board has become known."""
        if self._boards() != self._known_boards:
            self.send_setup()

    def send(self) -> None:
        """Send the new score, after a change of the overrides."""
        now = self._situation
        self._sent_until_ns = 0
        if now.site.neighbours.rig_check:  # a rig check may allow dim light in dark hours
            self._send_windows(now.now_ns())
        self.decide()

    async def confirmed(self, asked: Override, ends: bool = False, within_s: float = CONFIRM_S) -> Sent:
        """Wait until the transmitter plays what was sent: the override, or its end."""
        now = self._situation
        if asked.zone is not None and not _sends_to(now.site, asked.zone):
            return Sent(True, f"this board sends nothing to {asked.zone}")
        return await confirm(self._client, self._sent_now, now.timezone, self._score_id, asked, ends, within_s)

    def picture_at(self, now_ns: int) -> Picture | None:
        """The picture at an instant of the score that was sent."""
        return next((one.picture for one in self._sent.rest if one.from_ns <= now_ns < one.until_ns), None)

    def _sent_now(self, zone: str | None) -> SentNow:
        """The segment that was sent for now: of the zone's area that is in the fewest other zones, or of the rest. An
        area that was not sent shows the same as the rest."""
        now_ns = self._situation.now_ns()
        places = [place for place, (area, _) in enumerate(self._sent.areas) if zone in area.zones]
        place = min(places, key=lambda place: len(self._sent.areas[place][0].zones), default=None)
        segments = self._sent.rest if place is None else self._sent.areas[place][1]
        return SentNow(now_ns, _at(segments, now_ns), self._score_id, place)

    def _look_up(self) -> None:
        """Look up the next half hour. Send it if it differs from what was sent, or if that runs out."""
        now = self._situation
        now_ns = now.now_ns()
        now.drop_idle_skip(now_ns)
        from_ns, until_ns = now_ns - SECOND_NS, now_ns + SCORE_NS
        if now.trust.trusted:
            found = score_areas(from_ns, until_ns, now.site, now.overrides, now.held)
        else:
            black = DecidedSegment(from_ns, until_ns, state=State.NO_CLOCK, reasons=(now.no_clock(),))
            found = AreaScore((black,), ())
        self._note_changes(found, now_ns)
        if self._differs(found, now_ns) or now_ns > self._sent_until_ns - SCORE_NS + RENEW_NS:
            self._send_score(found, now_ns)
        if self._windows_until_ns - now_ns < 7 * DAY_NS:  # after the score: its clock decides which windows have begun
            self._send_windows(now_ns)
        parts = (found.rest, *(segments for _, segments in found.areas))
        later = [segment.from_ns for segments in parts for segment in segments if segment.from_ns > now_ns]
        if later:
            self._wake_at(now.clock.due(min(later)))
        self._decided()

    def _differs(self, found: AreaScore, now_ns: int) -> bool:
        """Whether the coming half hour differs from the transmitter's score."""

        def shown(segments: Segments) -> list[tuple[object, ...]]:
            return [
                (one.until_ns, one.picture, one.mix, one.look, one.level_until, one.sound_until)
                for one in segments
                if now_ns < one.until_ns < min(self._sent_until_ns, now_ns + SCORE_NS)
                and (one.level_from or one.level_until or one.sound)
            ]

        def areas(one: AreaScore) -> dict[Spans, list[tuple[object, ...]]]:
            rest = shown(light_of(one.rest)) if one.areas else []
            lights = {area.spans: shown(light_of(segments)) for area, segments in one.areas}
            return {spans: light for spans, light in lights.items() if light != rest}

        return shown(found.rest) != shown(self._sent.rest) or areas(found) != areas(self._sent)

    def _send_score(self, found: AreaScore, now_ns: int) -> None:
        self._score_id += 1
        self._sent, self._sent_until_ns = found, now_ns + SCORE_NS
        site, clock = self._situation.site, self._situation.clock
        anchor = clock.anchor()
        new = Score(
            id=self._score_id,
            offset_ns=anchor.utc_ns - anchor.monotonic_ns,
            wall_offset_ns=clock.offset_ns,
            segments=tuple(self._sound.with_sound(segment) for segment in found.rest),
            device=site.sound.device,
            delay_ns=site.sound.delay,
            files=self._files,
            areas=tuple(ScoreArea(area.spans, segments) for area, segments in found.areas),
        )
        self._client.send(new.to_json())

    def _send_windows(self, now_ns: int) -> None:
        """Send the neighbours' hours; none while the clock is not trusted, so that none begins."""
        self._windows_until_ns = now_ns + 8 * DAY_NS
        trust, steps = self._situation.trust, self._situation.steps
        known_ns = (now_ns - DAY_NS, self._windows_until_ns) if trust.trusted else (0, 0)
        dim, guessed = self._rig_checks.dim_windows(), trust.trusted and not trust.windows_hold
        windows = windows_of(self._situation.site, *known_ns, dim, steps.held, steps.apart_ns, guessed)
        self._client.send(windows.to_json())

    def _note_changes(self, found: AreaScore, now_ns: int) -> None:
        """Write a line when the rest shows something else, and when an area begins or ends to differ from the rest."""
        rest = _at(found.rest, now_ns)
        parts = [(area, _at(segments, now_ns)) for area, segments in found.areas]
        areas = {tuple(sorted(area.zones)): one for area, one in parts if _light(one) != _light(rest)}
        data: dict[str, object] = {"areas": [_area_data(names, one) for names, one in areas.items()]} if areas else {}
        current = (rest.state, rest.show, rest.piece)
        if current != self._last:
            # the level after the fade: at an opening it is still 0
            own = {"show": rest.show, "piece": rest.piece, "level": max(rest.level_from, rest.level_until)}
            text = f"{_shown(rest)}{_why(rest.reasons[:1])}"
            self._situation.store.note(now_ns, str(rest.state), text, data={**own, **data})
        self._last = current
        for names, what in self._area_changes(rest, areas):
            self._situation.store.note(now_ns, ZONE_KIND, f"{', '.join(names)} {what}", data=data)

    def _area_changes(
        self, rest: DecidedSegment, areas: dict[tuple[str, ...], DecidedSegment]
    ) -> Iterator[tuple[tuple[str, ...], str]]:
        """What the journal has to say of areas. Another override may divide an area that shows the same as before."""
        before, self._noted_areas = self._noted_areas, {}
        for names, one in areas.items():
            follows = rest.level_until > 0 and (one.state, one.show, one.piece) == (rest.state, rest.show, rest.piece)
            what = f"at {one.level_until:.0%}" if follows else _shown(one) if one.level_until else str(one.state)
            self._noted_areas[names] = _AreaNoted(what, one.level_until > 0 and not follows)
            known = [names] if names in before else [other for other in before if _nested(other, names)]
            if what not in {before[other].what for other in known}:
                yield names, f"{what}{_why((deciding(one.reasons, rest.reasons),))}"
        for names, noted in before.items():
            if any(_nested(names, other) for other in areas):
                continue
            if rest.level_until > 0 or noted.lit_alone:
                yield names, "as the rest of the rig"
            else:  # between two pieces, all is black
                self._noted_areas[names] = noted


class _AreaNoted(NamedTuple):
    """What the journal says of an area, and whether that has light of its own."""

    what: str
    lit_alone: bool


def _nested(one: tuple[str, ...], other: tuple[str, ...]) -> bool:
    return set(one) <= set(other) or set(other) <= set(one)


def _sends_to(site: Site, zone: str) -> bool:
    """Whether this board feeds a part of a zone. One that the rig does not have (any more) is no other board's."""
    spans = site.zones.get(zone)
    return spans is None or any(number in site.part.controller_of for number, _, _ in spans)


def _at(segments: Segments, at_ns: int) -> DecidedSegment:
    return next(one for one in segments if at_ns < one.until_ns)


def _light(segment: DecidedSegment) -> tuple[object, ...]:
    level = segment.level_until  # after the fade
    return (segment.state, segment.show, segment.piece, level) if level else ()


def _area_data(names: tuple[str, ...], segment: DecidedSegment) -> dict[str, object]:
    shown = {"state": str(segment.state), "show": segment.show, "piece": segment.piece, "level": segment.level_until}
    return {"zones": names, **shown, "why": segment.reasons[0].text if segment.reasons else ""}


def _shown(segment: DecidedSegment) -> str:
    return f"{segment.state}, {segment.piece}" if segment.piece else str(segment.state)


def _why(reasons: tuple[Reason, ...]) -> str:
    return "".join(f": {reason.text} ({reason.rule})" for reason in reasons)
