"""Plays a score within the neighbours' windows, with one send group for each lead. The time is an argument."""

from __future__ import annotations

from typing import Any

from gloaming.daemon.score.protocol import Black
from gloaming.daemon.score.score import Score
from gloaming.daemon.score.windows import Windows
from gloaming.daemon.transmitter.area_slots import has_areas
from gloaming.daemon.transmitter.areas import AreaGroup
from gloaming.daemon.transmitter.clock import Lateness
from gloaming.daemon.transmitter.frame_mixer import FrameMixer
from gloaming.daemon.transmitter.lookup import Ending, Known, Lookup, look_up
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.packet_group import PacketGroup
from gloaming.daemon.transmitter.readahead import ReadAhead, Want
from gloaming.daemon.transmitter.send_group import Frames, Instant, SendGroup, Shift, Shown, Trouble
from gloaming.daemon.transmitter.windows import ClockOffsets, WindowHolds
from gloaming.shows.time_units import SECOND_NS

GRACE_NS = 300_000_000
"""How long a new transmitter waits for its first score, which comes just after the setup, before it sends black. So a
board that is back does not replace its spare's frames by black for a moment."""
COMING_NS = 3 * SECOND_NS
"""How long before its start the transmitter begins to read a piece."""
AHEAD_NS = SECOND_NS // 10
"""The interval between two looks for frames that will be needed."""


class Player:
    """Holds the score, the windows and a send group for each lead. The main loop calls `tick` when it is due."""

    def __init__(self, ahead: ReadAhead, trouble: Trouble, shift: Shift = lambda segment, turn, at_ns: 0) -> None:
        self.ahead, self.trouble, self.shift = ahead, trouble, shift
        self.output: Output | None = None
        self.send_groups: list[SendGroup] = []
        self.score: Score | None = None
        self.windows: Windows | None = None
        self.holds = WindowHolds()
        self.frames, self.lateness = Frames(), Lateness()
        self._began_ns: int | None = None
        """When the first output was there."""
        self.areas: dict[int, AreaGroup] = {}
        """Those send groups, by their place, in which areas of the rig show something of their own."""
        self._groups: list[tuple[PacketGroup, FrameMixer]] = []
        """The packets of each send group, and what mixes their frames."""
        self._lookups: dict[int, Lookup] = {}
        self._ahead_ns = 0
        self._ahead_score: Score | None = None

    def use(self, output: Output | None) -> None:
        """Play to an output from now on; None plays to none."""
        self.output = output
        self._groups = [(group, output.mixer) for group in output.groups] if output else []
        self.send_groups = [self._send_group(*group) for group in self._groups]
        self.areas = {}

    def _send_group(self, packets: PacketGroup, mixer: FrameMixer) -> SendGroup:
        return SendGroup(packets, mixer, self.ahead, self.trouble, self.shift)

    @property
    def shown(self) -> Shown:
        """What was sent last, by the first send group."""
        return self.send_groups[0].shown if self.send_groups else Shown()

    @property
    def areas_shown(self) -> tuple[tuple[str | None, float], ...]:
        """What `area_figures` has, without what takes longer to find out: it changes if they do."""
        return self.areas[0].areas_shown() if self.areas else ()

    def look_again(self) -> None:
        """Try damaged pieces and replaced files again: the planner has read the frame files anew."""
        for send_group in self.send_groups:
            send_group.look_again()
        for areas in self.areas.values():
            areas.look_again()
        self.ahead.look_again()

    def tick(self, monotonic_ns: int, wall_ns: int) -> int:
        """Send what is due at an instant of both clocks. Returns the monotonic instant of the next tick."""
        if self.score and self.windows:
            clocks = ClockOffsets(self.score.offset_ns, wall_ns - monotonic_ns + self.score.wall_offset_ns)
            self.holds.look(self.windows, clocks, monotonic_ns)
        if not self.send_groups:
            return monotonic_ns + SECOND_NS
        if self._began_ns is None:
            self._began_ns = monotonic_ns
        if self.score is None or self.windows is None:
            if self._ending.at_end_of_score:
                return monotonic_ns + SECOND_NS
            if monotonic_ns < self._began_ns + GRACE_NS:
                return self._began_ns + GRACE_NS
        if self.score and (monotonic_ns >= self._ahead_ns or self.score is not self._ahead_score):
            self._ahead_ns, self._ahead_score = monotonic_ns + AHEAD_NS, self.score
            self._look_ahead(self.score, monotonic_ns)
        next_ns = monotonic_ns + SECOND_NS
        for place in range(len(self.send_groups)):
            look_ns = self._play(place, monotonic_ns, wall_ns)
            part_ns = self.send_groups[place].go_on(monotonic_ns)
            next_ns = min(next_ns, look_ns, look_ns if part_ns is None else part_ns)
        return next_ns

    def _look_ahead(self, score: Score, monotonic_ns: int) -> None:
        wants: list[Want] = []
        for place, send_group in enumerate(self.send_groups):
            at_ns = monotonic_ns + score.offset_ns + send_group.packets.lead_ns
            if areas := self.areas.get(place):
                wants += areas.read_ahead(at_ns, COMING_NS)
            else:
                wants += send_group.read_ahead(score, at_ns, COMING_NS)
        if wants:  # else the cache stays as it is, for the end of a pause
            self.ahead.want(*dict.fromkeys(wants))

    def _play(self, place: int, monotonic_ns: int, wall_ns: int) -> int:
        """Play one send group: light if the score has some and the windows allow it, else black."""
        send_group = self.send_groups[place]
        score, windows, lead_ns = self.score, self.windows, send_group.packets.lead_ns
        if score is None or windows is None:
            return send_group.black(Instant(monotonic_ns, monotonic_ns, monotonic_ns + SECOND_NS), False)
        held = self.holds.held
        if self.areas and place in self.areas:
            return self._play_areas(place, (score, windows, held), monotonic_ns, wall_ns)
        found = self._lookups.get(lead_ns)
        if found is None or not found.holds(score, windows, held, monotonic_ns, wall_ns):
            if has_areas(score, windows, held):
                areas = self.areas[place] = AreaGroup(*self._groups[place], send_group)
                self.send_groups[place] = areas.rest
                return self._play_areas(place, (score, windows, held), monotonic_ns, wall_ns)
            found = self._lookups[lead_ns] = look_up(score, windows, lead_ns, monotonic_ns, wall_ns, held)
        now = Instant(monotonic_ns, monotonic_ns + score.offset_ns + lead_ns, found.until_ns)
        if found.segment is None or send_group.is_damaged(found.segment):
            ends = self._ending.of(found)
            return send_group.black(now, release=ends is True, begin=ends is False)
        return send_group.light(found.segment, now, self.frames, self.lateness)

    def _play_areas(self, place: int, known: Known, monotonic_ns: int, wall_ns: int) -> int:
        areas = self.areas[place]
        if areas.knows(known) or has_areas(*known):
            return areas.play(known, monotonic_ns, wall_ns, self._ending, self.frames, self.lateness)
        plain = self.send_groups[place] = self._send_group(*self._groups[place])
        plain.end_areas(areas.rest)
        del self.areas[place]
        return self._play(place, monotonic_ns, wall_ns)

    @property
    def _ending(self) -> Ending:
        """When the streams end."""
        setup = self.output.setup if self.output else None
        return Ending(setup is not None and setup.between_performances == "release", setup is not None and setup.yields)

    def black_by(self) -> Black | None:
        """Why the wire is black, by the first send group; None if it is lit."""
        if not self.send_groups:
            return Black.NO_OUTPUT
        if self.score is None:
            return Black.NO_SCORE
        if self.windows is None:
            return Black.NO_WINDOWS
        send_group = self.send_groups[0]
        if areas := self.areas.get(0):
            return areas.black_by()
        found = self._lookups.get(send_group.packets.lead_ns)
        if found is None:
            return Black.STARTING
        return found.black if found.segment is None else send_group.black_by(found.segment)

    def area_figures(self) -> list[dict[str, Any]]:
        """What is shown in the areas of the score, by the first send group."""
        return self.areas[0].figures() if self.areas else []

    def go_black(self) -> None:
        """Send black at once, before the end."""
        if self.output:
            self.output.black()
