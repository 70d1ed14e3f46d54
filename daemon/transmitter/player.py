"""Plays a score within the neighbours' windows, with one send group for each lead. The time is an argument."""

from __future__ import annotations

from dataclasses import dataclass

from gloaming.daemon.score.protocol import Black
from gloaming.daemon.score.score import Score, Segment
from gloaming.daemon.score.windows import HeldWindow, Windows
from gloaming.daemon.transmitter.clock import Lateness
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.readahead import ReadAhead, Want
from gloaming.daemon.transmitter.send_group import Frames, Instant, SendGroup, Shift, Shown, Trouble
from gloaming.daemon.transmitter.windows import ClockOffsets, Holds
from gloaming.shows.time_units import SECOND_NS

GRACE_NS = 300_000_000
"""How long a new transmitter waits for its first score before it sends black."""
COMING_NS = 3 * SECOND_NS
"""How long before its start the transmitter begins to read a piece."""
AHEAD_NS = SECOND_NS // 10
"""The interval between two looks for frames that will be needed."""
DRIFT_NS = 100_000
"""The largest shift between the two clocks for which a stretch stays valid."""


@dataclass(frozen=True, slots=True)
class _Lookup:
    """What plays, and until when that is valid. `segment` is None for black."""

    score: Score
    windows: Windows
    held: tuple[HeldWindow, ...]
    segment: Segment | None
    from_ns: int
    until_ns: int
    apart_ns: int
    between_performances: bool | None
    """True between performances, False in a performance (dark or lit), None where no score says."""
    black: Black | None
    """Why it is black; None if it is lit."""

    def holds(
        self, score: Score, windows: Windows, held: tuple[HeldWindow, ...], monotonic_ns: int, wall_ns: int
    ) -> bool:
        return (
            self.score is score
            and self.windows is windows
            and self.held is held
            and self.from_ns <= monotonic_ns < self.until_ns
            and abs(wall_ns - monotonic_ns - self.apart_ns) < DRIFT_NS
        )


def _stretch(
    score: Score, windows: Windows, lead_ns: int, monotonic_ns: int, wall_ns: int, held: tuple[HeldWindow, ...] = ()
) -> _Lookup:
    """What the score plays now, no brighter than the windows allow, for a second at most.

    The windows count by the score's time (when a packet leaves and when it is seen), by the wall clock, and as held.
    """
    at_ns = monotonic_ns + score.offset_ns
    instants = (at_ns, at_ns + lead_ns, wall_ns + score.wall_offset_ns)
    edges = [monotonic_ns + SECOND_NS, *(monotonic_ns + windows.next_edge(instant) - instant for instant in instants)]
    edges += [one.until_ns for one in held]
    segment = score.at(at_ns + lead_ns)
    change_ns = segment.until_ns if segment else score.next_begin(at_ns + lead_ns)
    if change_ns is not None:
        edges.append(change_ns - score.offset_ns - lead_ns)
    between = segment.show is None if segment else None
    ceiling = min(windows.limit(held, at_ns), *(windows.ceiling(instant) for instant in instants))
    black = _black(score, segment, at_ns + lead_ns) or (None if ceiling else _forbidden(windows, instants))
    if black:
        segment = None
    elif segment and ceiling < 1:
        segment = segment.below(ceiling)
    return _Lookup(score, windows, held, segment, monotonic_ns, min(edges), wall_ns - monotonic_ns, between, black)


def _black(score: Score, segment: Segment | None, at_ns: int) -> Black | None:
    """Why a score has no light at an instant."""
    if segment:
        return Black.SCORE if segment.dark else None
    if not score.segments or at_ns >= score.segments[-1].until_ns:
        return Black.SCORE_OVER
    return Black.SCORE_TO_COME if at_ns < score.segments[0].from_ns else Black.SCORE_GAP


def _forbidden(windows: Windows, instants: tuple[int, ...]) -> Black:
    """Why the windows allow no light. Of the instants, two are the score's and the last is the wall clock's."""
    if not all(windows.known(at_ns) for at_ns in instants):
        return Black.UNKNOWN_HOURS
    if any(not windows.ceiling(at_ns) for at_ns in instants[:-1]):
        return Black.DARK_HOURS
    return Black.DARK_HOURS_HELD if windows.ceiling(instants[-1]) else Black.DARK_HOURS_BY_WALL_CLOCK


class Player:
    """Holds the score, the windows and a send group for each lead. The main loop calls `tick` when it is due."""

    def __init__(
        self, ahead: ReadAhead, trouble: Trouble, now_ns: int, shift: Shift = lambda segment, turn, at_ns: 0
    ) -> None:
        self.ahead, self.trouble, self.shift = ahead, trouble, shift
        self.output: Output | None = None
        self.send_groups: list[SendGroup] = []
        self.score: Score | None = None
        self.windows: Windows | None = None
        self.holds = Holds()
        self.frames, self.lateness = Frames(), Lateness()
        self._began_ns = now_ns
        self._stretches: dict[int, _Lookup] = {}
        self._ahead_ns = 0
        self._ahead_score: Score | None = None

    def use(self, output: Output | None) -> None:
        """Play to an output from now on; None plays to none."""
        self.output = output
        groups = output.groups if output else []
        self.send_groups = [SendGroup(group, self.ahead, self.trouble, self.shift) for group in groups]

    @property
    def shown(self) -> Shown:
        """What was sent last, by the first send group."""
        return self.send_groups[0].shown if self.send_groups else Shown()

    def look_again(self) -> None:
        """Try damaged pieces and replaced files again: the planner has read the frame files anew."""
        for send_group in self.send_groups:
            send_group.damaged = send_group.foreseen = None
        self.ahead.look_again()

    def tick(self, monotonic_ns: int, wall_ns: int) -> int:
        """Send what is due at an instant of both clocks. Returns the monotonic instant of the next tick."""
        if self.score and self.windows:
            clocks = ClockOffsets(self.score.offset_ns, wall_ns - monotonic_ns + self.score.wall_offset_ns)
            self.holds.look(self.windows, clocks, monotonic_ns)
        if not self.send_groups:
            return monotonic_ns + SECOND_NS
        if (self.score is None or self.windows is None) and monotonic_ns < self._began_ns + GRACE_NS:
            return self._began_ns + GRACE_NS
        if self.score and (monotonic_ns >= self._ahead_ns or self.score is not self._ahead_score):
            self._ahead_ns, self._ahead_score = monotonic_ns + AHEAD_NS, self.score
            self._look_ahead(self.score, monotonic_ns)
        next_ns = monotonic_ns + SECOND_NS
        for send_group in self.send_groups:
            look_ns = self._play(send_group, monotonic_ns, wall_ns)
            part_ns = send_group.go_on(monotonic_ns)
            next_ns = min(next_ns, look_ns, look_ns if part_ns is None else part_ns)
        return next_ns

    def _look_ahead(self, score: Score, monotonic_ns: int) -> None:
        wants: list[Want] = []
        for send_group in self.send_groups:
            at_ns = monotonic_ns + score.offset_ns + send_group.packets.lead_ns
            coming = score.after(at_ns)
            near = coming if coming and coming.from_ns - at_ns < COMING_NS else None
            wants += send_group.wants(score.at(at_ns), near, at_ns)
            send_group.foresee(score.at(at_ns), at_ns)
        if wants:  # else the cache stays as it is, for the end of a pause
            self.ahead.want(*dict.fromkeys(wants))

    def _play(self, send_group: SendGroup, monotonic_ns: int, wall_ns: int) -> int:
        """Play one send group: light if the score has some and the windows allow it, else black."""
        score, windows, lead_ns = self.score, self.windows, send_group.packets.lead_ns
        if score is None or windows is None:
            return send_group.black(Instant(monotonic_ns, monotonic_ns, monotonic_ns + SECOND_NS), False)
        stretch, held = self._stretches.get(lead_ns), self.holds.held
        if stretch is None or not stretch.holds(score, windows, held, monotonic_ns, wall_ns):
            stretch = self._stretches[lead_ns] = _stretch(score, windows, lead_ns, monotonic_ns, wall_ns, held)
        now = Instant(monotonic_ns, monotonic_ns + score.offset_ns + lead_ns, stretch.until_ns)
        if stretch.segment is None or send_group.is_damaged(stretch.segment):
            setting = self.output.setup.between_performances if self.output else None
            release = setting == "release" and stretch.between_performances is True
            return send_group.black(now, release, begin=stretch.between_performances is False)
        return send_group.light(stretch.segment, now, self.frames, self.lateness)

    def black_by(self) -> Black | None:
        """Why the wire is black, by the first send group; None if it is lit."""
        if not self.send_groups:
            return Black.NO_OUTPUT
        if self.score is None:
            return Black.NO_SCORE
        if self.windows is None:
            return Black.NO_WINDOWS
        send_group = self.send_groups[0]
        stretch = self._stretches.get(send_group.packets.lead_ns)
        if stretch is None:
            return Black.STARTING
        return stretch.black if stretch.segment is None else send_group.black_by(stretch.segment)

    def go_black(self) -> None:
        """Send black at once, before the end."""
        if self.output:
            self.output.black()
