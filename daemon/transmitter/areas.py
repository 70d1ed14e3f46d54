"""Composes the frame of a send group from areas: slots that show something of their own, or have windows of their own.

Areas that show the same picture share an `AreaPlayer`: a send group that puts its frames into a composed frame.
`AreaGroup` sends that frame when something in it is new. The time is an argument.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from fractions import Fraction
from operator import attrgetter, is_
from typing import Any

import numpy as np

from gloaming.daemon.score.protocol import Black
from gloaming.daemon.score.score import Segment
from gloaming.daemon.transmitter.area_slots import AreaSlots, divide
from gloaming.daemon.transmitter.clock import Lateness
from gloaming.daemon.transmitter.frame_mixer import Bytes, FrameMixer, Layer, Runs, crossed
from gloaming.daemon.transmitter.lookup import DRIFT_NS, Ending, Known, Lookup, look_up
from gloaming.daemon.transmitter.packet_group import PacketGroup
from gloaming.daemon.transmitter.part_mixer import PartMixer
from gloaming.daemon.transmitter.readahead import Want
from gloaming.daemon.transmitter.send_group import (
    BLACK_IMAGE,
    STALLED_NS,
    STEADY_NS,
    Frames,
    Instant,
    SendGroup,
    brightness,
    coming_wants,
)
from gloaming.shows.framefile.layout import every_nth
from gloaming.shows.time_units import SECOND_NS


@dataclass(eq=False)
class PlayedArea:
    """What a part of the frame shows now. `level` is that of its last frame."""

    part: AreaSlots
    lookup: Lookup
    player: AreaPlayer
    level: float

    @property
    def runs(self) -> Runs:
        return self.part.runs

    def level_at(self, at_ns: int) -> float:
        """The level that its segment has at an instant."""
        segment = self.lookup.segment
        return segment.level_at(at_ns) if segment else 0.0


class ComposedPart:
    """Where a player puts its frames: its slots of the composed frame."""

    step = 1
    next_ns = None

    def __init__(self, group: AreaGroup, ended: bool) -> None:
        self._group, self.ended = group, ended
        packets = group.packets
        self.lead_ns, self.apart_ns, self.keep_alive = packets.lead_ns, packets.apart_ns, packets.keep_alive
        self.copies: list[tuple[slice, slice]] = []
        self._new = False
        self._mixed: Bytes | None = None

    def pace(self, fps: Fraction) -> int:
        """All universes get the frames that the slowest may get."""
        self.step = every_nth(fps, self._group.packets.slowest_hz)
        return self.step

    def fill(self, mixed: Bytes) -> None:
        self._mixed = mixed

    def send(self, frame: int | None = None, begins: bool = True) -> None:
        """Put the frame into the composed one. A moving frame is always new, another only if its slots are."""
        assert self._mixed is not None
        composed, mixed = self._group.composed, self._mixed
        new = frame is not None and bool(self.copies)
        for rigs, mine in self.copies:
            new = new or not np.array_equal(composed[rigs], mixed[mine])
            composed[rigs] = mixed[mine]
        self._new, self.ended = new or self.ended, False
        if self._new:
            self._group.renew(self, frame is not None)

    def flush(self) -> None:
        """Black leaves at once."""
        if self._new:
            self._group.hurry()

    def go_on(self, passed_ns: int) -> None:
        """A part of a composed frame has no parts."""

    def terminate(self) -> None:
        self.ended = True

    def lit(self) -> bool:
        return any(self._group.composed[rigs].any() for rigs, _ in self.copies)


class AreaPlayer(SendGroup):
    """Plays one picture for the areas that show it, each at a level of its own. The first one's segment leads."""

    def __init__(self, group: AreaGroup, before: SendGroup) -> None:
        parts, part = PartMixer(group.mixer, ()), ComposedPart(group, before.packets.ended)
        super().__init__(part, parts, before.ahead, before.trouble, group.shift)
        self.take_over(before)
        self.group, self.parts, self.part = group, parts, part
        self.members: tuple[PlayedArea, ...] = ()
        self.next_ns = 0
        self._looked = self._joined = False
        self._steady: tuple[int, ...] = ()
        """The brightness of each area, while none changes."""

    def give(self, members: tuple[PlayedArea, ...]) -> None:
        """Play for these areas from now on."""
        runs = [area.runs for area in members]
        self.next_ns, self._looked, self._steady = 0, True, ()
        if runs != [area.runs for area in self.members]:
            self._joined = True
            self.mixer = self.parts = PartMixer(self.group.mixer, runs)
            self.part.copies = self.parts.copies
            self.place_layers()
        self.members = members
        for area in members:
            area.player = self

    @property
    def segment(self) -> Segment | None:
        return self.members[0].lookup.segment

    @property
    def holds(self) -> bool:
        """Whether the disk is late for the frames."""
        return self._held_ns is not None

    @property
    def fps(self) -> Fraction:
        """How often frames leave, if they move; else 0."""
        playing = self.segment.seen if self.segment else None
        return (
            Fraction(0) if playing is None or playing.still is not None else playing.fps / self.part.pace(playing.fps)
        )

    def shows(self, segment: Segment | None) -> bool:
        """Whether this is what it shows already. None is black."""
        return self._image == (segment.image if segment else BLACK_IMAGE) and not self.holds

    def play(self, now: Instant, ending: Ending, frames: Frames, lateness: Lateness) -> int:
        """Put what is due into the composed frame. Returns the monotonic instant of the next look."""
        segment = self.segment
        (looked, joined), self._looked, self._joined = (self._looked, self._joined), False, False
        if segment is None or self.is_damaged(segment):
            if joined and self.part.lit():
                self._image = None  # black is new for an area that has joined
            for area in self.members:
                area.level = 0.0
            self._steady, self.group.shown = (), None
            ends = ending.of(self.members[0].lookup)
            return self.black(now, release=ends is True, begin=ends is False)
        if joined and not self.layers:
            self.part.fill(self.mixer.blank())
            self.part.send()
        elif joined or (looked and self.layers and any(one.level != one.level_at(now.at_ns) for one in self.members)):
            self._again(now, another=self._image != segment.image)
        return self.light(segment, now, frames, lateness)

    def _again(self, now: Instant, another: bool) -> None:
        """Give the areas what is shown at their levels, before the next frame is due."""
        first, *others = self.layers
        levels = self._levels(now, another)
        self.part.fill(self.parts.mix_parts(first, others[0] if others else None, self.shown.share, levels))
        self.part.send()

    def _send(
        self,
        first: Layer,
        other: Layer | None,
        level: float,
        share: float,
        now: Instant,
        frame: int | None = None,
        begins: bool = True,
    ) -> None:
        self.layers = crossed(first, other, share, brightness(level))
        levels = self._levels(now, self.holds and self._is_another(first))
        self._put(self.parts.mix_parts(first, other, share, levels), now.monotonic_ns, frame, begins)

    def _levels(self, now: Instant, another: bool) -> tuple[int, ...]:
        """The brightness of each area now. While the disk is late another picture never becomes brighter."""
        if self._steady:
            return self._steady
        for area in self.members:
            level = area.level_at(now.at_ns)
            area.level = min(level, area.level) if another else level
        self.group.shown = None
        levels = tuple(brightness(area.level) for area in self.members)
        moves = self.segment is None or self.segment.moves
        self._steady = () if another or moves else levels
        return levels

    def _is_another(self, layer: Layer) -> bool:
        playing = self.segment.seen if self.segment else None
        return layer.place is None or playing is None or str(layer.place.info.path) != playing.path

    def go_on(self, monotonic_ns: int) -> int | None:
        return self.group.go_on(monotonic_ns)


class AreaGroup:
    """The areas of a send group, their players, and the frame composed of them. The rest of the rig comes first.

    The fastest moving picture is the clock. What is due between its frames leaves then only if none of them has to wait
    for it (E1.31 6.6.1), else with the next.
    """

    def __init__(self, packets: PacketGroup, mixer: FrameMixer, before: SendGroup) -> None:
        self.packets, self.mixer, self._shift = packets, mixer, before.shift
        self.composed: Bytes = np.zeros(self.mixer.size, np.uint8)
        if before.layers:
            np.copyto(self.composed, self.mixer.uncut(*before.layers))
        self.rest = AreaPlayer(self, before)
        self.players: tuple[AreaPlayer, ...] = (self.rest,)
        self._areas: tuple[PlayedArea, ...] = ()
        self._known: Known | None = None
        self._from_ns = self._until_ns = self._apart_ns = 0
        self._leader: AreaPlayer | None = None
        self._coming: list[Want] | None = None
        """The frames of what begins soon. Looked for anew once a second at least."""
        self.shown: tuple[tuple[str | None, float], ...] | None = None
        self._new = self._moved = self._urgent = self._led = self._by_leader = False
        self._unchanged, self._sent_ns, self._next_ns, self._frame_ns = 1, before.sent_ns, before.sent_ns, 0

    def shift(self, segment: Segment, turn: int, monotonic_ns: int) -> int:
        """The sound's shift, for the areas that have a sound."""
        return self._shift(segment, turn, monotonic_ns) if segment.sound_path else 0

    def play(
        self,
        known: Known,
        monotonic_ns: int,
        wall_ns: int,
        ending: Ending,
        frames: Frames,
        lateness: Lateness,
    ) -> int:
        """Play all areas, and send what is new. Returns the monotonic instant of the next look."""
        if not (
            self.knows(known)
            and self._from_ns <= monotonic_ns < self._until_ns
            and abs(wall_ns - monotonic_ns - self._apart_ns) < DRIFT_NS
        ):
            self._look(known, monotonic_ns, wall_ns)
        now = Instant(monotonic_ns, monotonic_ns + known[0].offset_ns + self.packets.lead_ns, self._until_ns)
        for player in self.players:
            if player.next_ns <= monotonic_ns or player.holds:
                player.next_ns = player.play(now, ending, frames, lateness)
        return min(self._leave(monotonic_ns), self._until_ns, *(player.next_ns for player in self.players))

    def knows(self, known: Known) -> bool:
        """Whether it plays by these."""
        return self._known is not None and all(map(is_, known, self._known))

    def _look(self, known: Known, monotonic_ns: int, wall_ns: int) -> None:
        """Find what each area shows now, and give the areas that show the same to one player."""

        def lookup(part: AreaSlots) -> Lookup:
            return look_up(part.score, part.windows, self.packets.lead_ns, monotonic_ns, wall_ns, part.held)

        if not self.knows(known):
            rest, *others = divide(self.mixer, *known)
            first = PlayedArea(rest, lookup(rest), self.rest, self.rest.shown.level)
            self._areas = (first, *(self._area(part, lookup(part)) for part in others))
            self._known = known
        else:
            for area in self._areas:
                area.lookup = lookup(area.part)
        self._from_ns, self._until_ns = monotonic_ns, min(area.lookup.until_ns for area in self._areas)
        self._apart_ns = wall_ns - monotonic_ns
        self.players, self._coming = self._players(), None
        self._leader = max((one for one in self.players if one.fps), key=attrgetter("fps"), default=None)

    def _area(self, part: AreaSlots, lookup: Lookup) -> PlayedArea:
        """An area that goes on from the one that had its first slot."""
        first = part.runs[0][0]
        for before in self._areas:
            if any(begin <= first < end for begin, end in before.part.runs):
                return PlayedArea(part, lookup, before.player, before.level)
        return PlayedArea(part, lookup, self.rest, self.rest.shown.level)

    def _players(self) -> tuple[AreaPlayer, ...]:
        """The players, each with its areas. An area joins another's player once that shows what the area is to show."""
        groups: dict[tuple[Hashable, AreaPlayer], list[PlayedArea]] = {}
        showing: dict[Hashable, tuple[Hashable, AreaPlayer]] = {}
        for area in self._areas:
            segment = area.lookup.segment
            what = (segment.image, segment.mix, segment.moves) if segment else area.lookup.between_performances
            into = showing.get(what, (what, area.player))
            if area.player.shows(segment):
                showing.setdefault(what, into)
            groups.setdefault(into, []).append(area)
        found: list[AreaPlayer] = []
        for (_, before), members in groups.items():
            player = AreaPlayer(self, before) if before in found else before
            player.give(tuple(members))
            found.append(player)
        return tuple(found)

    def renew(self, part: ComposedPart, moved: bool) -> None:
        """Note that a part of the frame is new."""
        self._new, self._moved = True, self._moved or moved
        self._led = self._led or (moved and self._leader is not None and part is self._leader.part)

    def hurry(self) -> None:
        """What is new leaves now."""
        self._urgent = True

    def _leave(self, now_ns: int) -> int:
        """Send the frame if it is new, or as keep-alive. Returns when to look again."""
        keep_alive, apart_ns = self.packets.keep_alive, self.packets.apart_ns
        if not self._new:
            if self.packets.ended:
                return now_ns + SECOND_NS
            if now_ns < self._next_ns:
                self._end()
                return self._next_ns
        if not self._urgent and not (self._led and self._by_leader):
            leader = None if self._led else self._leader
            if now_ns < self._sent_ns + apart_ns:
                return self._sent_ns + apart_ns
            if leader and now_ns < leader.next_ns < now_ns + apart_ns:
                return leader.next_ns
        self.packets.fill(self.mixer.finish(self.composed, now_ns))
        self.packets.send()
        if self._urgent:
            self.packets.flush()
        self._unchanged = 1 if self._new else self._unchanged + 1
        steady = self._unchanged < keep_alive.packets
        wait_ns = STALLED_NS if self._moved else STEADY_NS if steady else keep_alive.every_ns
        self._sent_ns = self._frame_ns = now_ns
        self._next_ns = now_ns + wait_ns
        self._by_leader = self._led
        self._new = self._moved = self._urgent = self._led = False
        self._end()
        return self._next_ns

    def _end(self) -> None:
        """End the streams once the streams of all players have ended."""
        if self._unchanged >= self.packets.keep_alive.packets and all(player.part.ended for player in self.players):
            self.packets.terminate()

    def go_on(self, monotonic_ns: int) -> int | None:
        """Send the parts of a spread frame that are due. Returns when the next is due; None if none is left."""
        if self.packets.next_ns is None:
            return None
        next_ns = self.packets.go_on(monotonic_ns - self._frame_ns)
        return None if next_ns is None else self._frame_ns + next_ns

    def read_ahead(self, at_ns: int, coming_ns: int) -> list[Want]:
        """The frames to hold for all areas. Reports damaged frames that were read."""
        wanted: list[Want] = []
        for player in self.players:
            first, *others = player.members
            wanted += player.read_ahead(first.part.score, at_ns, coming_ns)
            if first.lookup.segment is None:  # they may differ in what they will show
                for score in {id(area.part.score): area.part.score for area in others}.values():
                    wanted += player.read_ahead(score, at_ns, coming_ns)
        if self._coming is None:
            scores = {id(area.part.score): area.part.score for area in self._areas}.values()
            self._coming = [want for score in scores for want in coming_wants(score, at_ns, coming_ns)]
        return wanted + self._coming

    def look_again(self) -> None:
        """Try damaged pieces again."""
        for player in self.players:
            player.look_again()
            player.next_ns = 0

    def black_by(self) -> Black | None:
        """Why the rest of the rig is black; None if it is lit, or if areas cover the whole rig."""
        return self._black_by(self._areas[0])

    def _black_by(self, area: PlayedArea) -> Black | None:
        segment = area.lookup.segment
        if segment is None:
            return area.lookup.black
        if not area.part.runs:
            return None
        if any(self.composed[begin:end].any() for begin, end in area.part.runs):
            return None if self.packets.lit() else Black.REFRESH if self._new else Black.LIMITER
        return area.player.black_by(segment) or (Black.PICTURE if brightness(area.level) else Black.LEVEL)

    def areas_shown(self) -> tuple[tuple[str | None, float], ...]:
        """The piece and the level of each area: what `figures` has, without what takes longer to find out."""
        if self.shown is None:
            self.shown = tuple((area.player.shown.piece, area.level) for area in self._areas)
        return self.shown

    def figures(self) -> list[dict[str, Any]]:
        """What the score's areas show. Of one that windows divide, the brightest part."""
        found: list[dict[str, Any]] = []
        for place in range(len(self._known[0].areas) if self._known else 0):
            mine = [area for area in self._areas if area.part.place == place]
            area = max(mine, key=lambda one: one.level, default=None)
            piece = area.player.shown.piece if area else None
            black = self._black_by(area) if area else Black.UNIVERSES
            found.append({"piece": piece, "level": area.level if area else 0.0, "black": black})
        return found
