"""Plays a score: decides at each tick which frame goes out and when the next tick is. Told the time, reads no clock."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from gloaming.daemon.transmitter.clock import SECOND_NS, Lateness, due_ns, every, frame_at
from gloaming.daemon.transmitter.messages import Dark, Score, Segment
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.readahead import Hurt, ReadAhead
from gloaming.shows.framefile import max_refresh_hz

STEADY_NS = SECOND_NS // 40
"""Between packets while a still picture fades."""
THIN_NS = 900_000_000
"""Between packets of unchanged data after the first three (E1.31 6.6.2: 800 to 1000 ms)."""
THIN_AFTER = 3
RETRY_NS = 1_000_000
GRACE_NS = 300_000_000
"""How long a fresh transmitter waits for its first score before it sends black."""

Trouble = Callable[[str, str, str, Segment, int | None], None]
Shift = Callable[[Segment, int, int], int]
"""Of a segment, the turn of its piece and a monotonic instant: by how much its sound leads the score."""


@dataclass(frozen=True, slots=True)
class Shown:
    """What is on the wire."""

    piece: str | None = None
    frame: int | None = None
    level: float = 0.0
    fps: float = 0.0


class Player:
    """Holds the score and the dark windows, and the place it has come to. `tick` is called when its time has come."""

    def __init__(
        self, ahead: ReadAhead, trouble: Trouble, now_ns: int, shift: Shift = lambda segment, turn, at_ns: 0
    ) -> None:
        self.ahead, self.trouble, self.shift = ahead, trouble, shift
        self.output: Output | None = None
        self.score: Score | None = None
        self.dark: Dark | None = None
        self.shown = Shown()
        self.lateness = Lateness()
        self.frames_due = self.frames_sent = self.frames_late = self.frames_dropped = 0
        self._began_ns = now_ns
        self._picture: tuple[str | None, int, int | None, int] | None = None
        self._frame = -1
        self._shift_ns = 0
        self._unchanged = 0
        self._next_ns = 0
        self._hurt: tuple[str, int] | None = None
        self._at_rest = False

    def tick(self, monotonic_ns: int, wall_ns: int) -> int:
        """Send what is due at an instant of both clocks; returns the monotonic instant of the next tick."""
        if self.output is None:
            return monotonic_ns + SECOND_NS
        if self.score is None or self.dark is None:
            if monotonic_ns < self._began_ns + GRACE_NS:
                return self._began_ns + GRACE_NS
            return self._black(monotonic_ns, monotonic_ns + SECOND_NS)
        offset_ns = self.score.offset_ns
        at_ns = monotonic_ns + offset_ns
        wall_at_ns = wall_ns + self.score.wall_offset_ns
        edge_ns = monotonic_ns + min(self.dark.next_edge(at_ns) - at_ns, self.dark.next_edge(wall_at_ns) - wall_at_ns)
        segment = self.score.at(at_ns)
        if segment is None:
            begins = [begin for begin in self.score.begins if begin > at_ns]
            return self._black(monotonic_ns, min(edge_ns, begins[0] - offset_ns if begins else edge_ns))
        until_ns = min(edge_ns, segment.until_ns - offset_ns)
        self._look_ahead(segment, at_ns)
        if segment.dark or self.dark.at(at_ns) or self.dark.at(wall_at_ns) or self._is_hurt(segment):
            return self._black(monotonic_ns, until_ns)
        self._at_rest = False
        if segment.path is None or segment.still is not None:
            return self._still(segment, monotonic_ns, at_ns, until_ns)
        return self._moving(segment, segment.path, monotonic_ns, at_ns, until_ns, offset_ns)

    def go_black(self) -> None:
        """Black at once, before the end."""
        if self.output:
            self.output.show_look(0, 0.0)
            self.output.send()

    def _is_hurt(self, segment: Segment) -> bool:
        return self._hurt == (segment.path or "", segment.zero_ns)

    def _moving(self, segment: Segment, path: str, monotonic_ns: int, at_ns: int, until_ns: int, offset_ns: int) -> int:
        """Frames of a file: each goes out once, when it is due; of frames missed, only the newest."""
        output = self.output
        assert output is not None
        if (info := self.ahead.info(path)) and not output.placed(path):
            output.place(info)
        slots = max((universe.slots for universe in info.universes), default=512) if info else 512
        step = every(segment.fps, max_refresh_hz(slots))
        turn = frame_at(at_ns, segment.zero_ns, segment.fps) // segment.frames
        first, last = turn * segment.frames, (turn + 1) * segment.frames - 1
        shift_ns = self.shift(segment, turn, monotonic_ns)
        now_frame = _led(segment, at_ns, shift_ns) // step * step
        begins = self._picture != segment.picture

        def due(frame: int) -> int:
            """When a frame is due, by the sound within its turn; a turn begins by the score."""
            led_ns = shift_ns if first < frame <= last else 0
            return due_ns(frame, segment.zero_ns, segment.fps) - offset_ns - led_ns

        if not begins and now_frame <= self._frame:
            return min(until_ns, due(self._frame + step))
        frame = self.ahead.get(path, now_frame % segment.frames)
        if isinstance(frame, Hurt):
            self._hurt = (path, segment.zero_ns)
            self.trouble("frames", path, frame.text, segment, now_frame % segment.frames)
            return self._black(monotonic_ns, until_ns)
        if frame is None or not output.placed(path):
            return min(until_ns, monotonic_ns + RETRY_NS)
        came = max(self._frame, first - step) if self._shift_ns < 0 else self._frame  # a late sound's end is cut
        missed = 0 if begins else max(0, (now_frame - came) // step - 1)
        level = segment.level_at(at_ns)
        output.show(path, frame, level)
        output.send()
        was_due_ns = max(due(now_frame), segment.from_ns - offset_ns if begins else 0)
        self._sent(monotonic_ns - was_due_ns, missed, float(segment.fps) / step)
        self._picture, self._frame, self._unchanged, self._shift_ns = segment.picture, now_frame, 0, shift_ns
        self.shown = Shown(segment.piece, now_frame % segment.frames, level, float(segment.fps))
        return min(until_ns, due(now_frame + step))

    def _still(self, segment: Segment, monotonic_ns: int, at_ns: int, until_ns: int) -> int:
        """A look, or one frame held: steadily while it fades, then thinned out."""
        output = self.output
        assert output is not None
        level = segment.level_at(at_ns)
        same = self._picture == segment.picture and self.shown.level == level
        if same and monotonic_ns < self._next_ns:
            return min(until_ns, self._next_ns)
        if segment.path is None:
            output.show_look(segment.look, level)
        else:
            info = self.ahead.info(segment.path)
            if info and not output.placed(segment.path):
                output.place(info)
            frame = self.ahead.get(segment.path, segment.still or 0)
            if isinstance(frame, Hurt):
                self._hurt = (segment.path, segment.zero_ns)
                self.trouble("frames", segment.path, frame.text, segment, segment.still)
                return self._black(monotonic_ns, until_ns)
            if frame is None or info is None:
                return min(until_ns, monotonic_ns + RETRY_NS)
            output.show(segment.path, frame, level)
        output.send()
        self._picture, self._frame = segment.picture, -1
        self.shown = Shown(segment.piece, segment.still, level, 40.0)
        return self._rest(monotonic_ns, until_ns, same)

    def _black(self, monotonic_ns: int, until_ns: int) -> int:
        """Black: at once when it was not, then thinned out; or the streams end, where the setup says so."""
        output = self.output
        assert output is not None
        black = (None, 0, None, 0)
        same = self._picture == black
        if same and (monotonic_ns < self._next_ns or self._at_rest):
            return max(monotonic_ns + RETRY_NS, until_ns if self._at_rest else min(until_ns, self._next_ns))
        output.show_look(0, 0.0)
        output.send()
        self._picture, self._frame = black, -1
        self.shown = Shown()
        wait_ns = self._rest(monotonic_ns, until_ns, same)
        if output.setup.at_rest == "release" and self._unchanged >= THIN_AFTER:
            output.terminate()
            self._at_rest = True
        return wait_ns

    def _rest(self, monotonic_ns: int, until_ns: int, same: bool) -> int:
        self._unchanged = self._unchanged + 1 if same else 1
        self._next_ns = monotonic_ns + (STEADY_NS if self._unchanged < THIN_AFTER else THIN_NS)
        return min(until_ns, self._next_ns)

    def _sent(self, late_ns: int, missed: int, fps: float) -> None:
        self.frames_due += 1 + missed
        self.frames_sent += 1
        self.frames_dropped += missed
        self.frames_late += late_ns > SECOND_NS / fps / 2
        self.lateness.add(late_ns)

    def _look_ahead(self, segment: Segment, at_ns: int) -> None:
        """Keep the chunk that is played, the one after it, and the beginning of what comes next."""
        assert self.score is not None
        wanted: list[tuple[str, int]] = []
        if segment.path and not segment.dark and not self._is_hurt(segment):
            number = segment.still
            if number is None:
                led_ns = self._shift_ns if self._picture == segment.picture else 0
                number = _led(segment, at_ns, led_ns) % segment.frames
            end = self.ahead.chunk_end(segment.path, number)
            wanted.append((segment.path, number if end is None else end - 1))
            if end is not None and segment.still is None:
                wanted.append((segment.path, end % segment.frames))
        coming = self.score.after(at_ns)
        if coming and coming.path and coming.from_ns - at_ns < 3 * SECOND_NS:
            first = coming.still
            if first is None:
                first = frame_at(coming.from_ns, coming.zero_ns, coming.fps) % coming.frames
            if (coming.path, first) not in wanted:
                wanted.append((coming.path, first))
        if wanted:
            self.ahead.want(*wanted)


def _led(segment: Segment, at_ns: int, shift_ns: int) -> int:
    """The frame of an instant as its sound leads it: earlier or later, but within its turn of the piece."""
    turn = frame_at(at_ns, segment.zero_ns, segment.fps) // segment.frames
    frame = frame_at(at_ns + shift_ns, segment.zero_ns, segment.fps)
    return min(max(frame, turn * segment.frames), (turn + 1) * segment.frames - 1)
