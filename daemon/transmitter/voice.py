"""Plays the score for the controllers that share a lead: which frame goes out, and when to look again.

Told the time, reads no clock. Time becomes a frame number in `led_frame` alone; a frame's bytes are finished in
`Canvas.paint` alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple

from gloaming.daemon.transmitter.canvas import FULL, Picture, Place
from gloaming.daemon.transmitter.clock import SECOND_NS, Lateness, due_ns, every, frame_at
from gloaming.daemon.transmitter.messages import Mix, Segment
from gloaming.daemon.transmitter.output import Group
from gloaming.daemon.transmitter.readahead import Bytes, Held, Hurt, ReadAhead, Want
from gloaming.shows.framefile import max_refresh_hz

STEADY_NS = SECOND_NS // 40
"""Between packets while a still picture fades."""
THIN_NS = 900_000_000
"""Between packets of unchanged data after the first three (E1.31 6.6.2: 800 to 1000 ms)."""
THIN_AFTER = 3
RETRY_NS = 1_000_000
STALLED_NS = 250_000_000
"""A frame that is so late to come from the disk is told as trouble."""

STEPPED_NS = 100_000_000
"""By so much the score's time may move against the monotonic clock, and a picture goes on as it is."""

Trouble = Callable[[str, str, str, Segment, int | None], None]
Shift = Callable[[Segment, int, int], int]
"""Of a segment, the turn of its piece and a monotonic instant: by how much its sound leads the score."""


class Shown(NamedTuple):
    """What is on the wire."""

    piece: str | None = None
    frame: int | None = None
    level: float = 0.0
    fps: float = 0.0
    share: float = 0.0


class Instant(NamedTuple):
    """One instant as a voice sees it, its lead included: on the monotonic clock and as the score counts; and when to
    look again at the latest."""

    monotonic_ns: int
    at_ns: int
    until_ns: int

    @property
    def offset_ns(self) -> int:
        return self.at_ns - self.monotonic_ns


@dataclass
class Frames:
    """Frames counted, over all voices."""

    due: int = 0
    sent: int = 0
    late: int = 0
    dropped: int = 0
    unread: int = 0


class Voice:
    """The place that one group of controllers has come to in the score. Instants are the score's, later by the lead."""

    def __init__(self, group: Group, ahead: ReadAhead, trouble: Trouble, shift: Shift) -> None:
        self.group, self.ahead, self.trouble, self.shift = group, ahead, trouble, shift
        self.canvas = group.output.canvas
        self.shown = Shown()
        self.hurt: tuple[str, int] | None = None
        self.foreseen: tuple[str, int] | None = None
        self._picture: tuple[str | None, int, int | None, int] | None = None
        self._coming: tuple[str | None, int, int | None, int] | None = None
        self._since_ns = 0
        self._held_ns: int | None = None
        self._offset_ns = 0
        self._pictures: tuple[Picture, ...] = ()
        self._frame = -1
        self._shift_ns = 0
        self._fps, self._step, self._half_ns = Fraction(0), 1, 0
        self._unchanged = 0
        self._sent_ns, self._next_ns, self._frame_ns = -SECOND_NS, 0, 0
        slots = max((block.slots for block in group.blocks), default=512)
        self._limit_hz = max_refresh_hz(slots)

    def go_on(self, monotonic_ns: int) -> int | None:
        """Send the parts of a frame that are spread and due; the instant of the next, None where none is left."""
        if self.group.next_ns is None:
            return None
        next_ns = self.group.go_on(monotonic_ns - self._frame_ns)
        return None if next_ns is None else self._frame_ns + next_ns

    def is_hurt(self, segment: Segment) -> bool:
        return self.hurt == (segment.path or "", segment.zero_ns)

    def light(self, segment: Segment, now: Instant, frames: Frames, lateness: Lateness) -> int:
        """Play a segment with light in it; returns the monotonic instant of the next look."""
        if abs(now.offset_ns - self._offset_ns) > STEPPED_NS:  # taken up anew: frames that were sent are to come again
            self._picture = self._coming = None
        self._offset_ns = now.offset_ns
        if self._coming != segment.picture:
            self._coming, self._since_ns = segment.picture, now.monotonic_ns
        if self._picture != segment.picture or self._held_ns is not None:
            hold_ns = self._sent_ns + int(SECOND_NS / self._limit_hz)  # E1.31 6.6.1: the rate of E1.11 at the most
            if now.monotonic_ns < hold_ns:
                return min(now.until_ns, hold_ns)
        if segment.path is None or segment.still is not None:
            return self._still(segment, now)
        return self._moving(segment, segment.path, now, frames, lateness)

    def _moving(self, segment: Segment, path: str, now: Instant, frames: Frames, lateness: Lateness) -> int:
        """Frames of a file: each goes out once, when it is due; of frames missed, only the newest."""
        if segment.fps is not self._fps:
            self._fps, self._step = segment.fps, every(segment.fps, self._limit_hz)
            self._half_ns = int(SECOND_NS * self._step / segment.fps / 2)
        step = self._step
        number = frame_at(now.at_ns, segment.zero_ns, segment.fps)
        turn = number // segment.frames
        first, last = turn * segment.frames, (turn + 1) * segment.frames - 1
        shift_ns = self.shift(segment, turn, now.monotonic_ns)
        now_frame = (led_frame(segment, now.at_ns, shift_ns) if shift_ns else number) // step * step
        begins = self._picture != segment.picture

        def due(frame: int) -> int:
            """When a frame is due, by the sound within its turn; a turn begins by the score."""
            led_ns = shift_ns if first < frame <= last else 0
            return due_ns(frame, segment.zero_ns, segment.fps) - now.offset_ns - led_ns

        next_ns = min(now.until_ns, due(now_frame + step))
        if not begins and now_frame <= self._frame:
            return min(now.until_ns, due(self._frame + step))
        frame = self.ahead.get(path, now_frame % segment.frames)
        if isinstance(frame, Hurt):
            return self._give_up(segment, path, frame, now_frame % segment.frames, now)
        if frame is None:
            return min(next_ns, self._hold(segment, path, now))
        if not begins:
            came = max(self._frame, first - step) if self._shift_ns < 0 else self._frame  # a late sound's end is cut
            missed = max(0, (now_frame - came) // step - 1)
        elif self._stalled(now):
            since = led_frame(segment, self._since_ns + now.offset_ns, shift_ns) // step * step
            missed = max(0, (now_frame - since) // step)
        else:  # a piece that has to be opened first begins when it is open
            missed = 0
        was_due_ns = max(due(now_frame), self._since_ns if begins else 0)
        if begins and self._held_ns is not None and not missed:
            was_due_ns = now.monotonic_ns
        level, share = segment.level_at(now.at_ns), segment.share_at(now.at_ns)
        self._frame_ns = was_due_ns
        held_ns, self._held_ns = self._held_ns, None
        self._send(segment, frame, level, share, now)
        late_ns = now.monotonic_ns - was_due_ns
        frames.due += 1 + missed
        frames.sent += 1
        frames.dropped += missed
        frames.unread += 0 if held_ns is None else missed
        frames.late += late_ns > self._half_ns
        lateness.add(late_ns)
        self._picture, self._frame, self._unchanged, self._shift_ns = segment.picture, now_frame, 0, shift_ns
        self.shown = Shown(segment.piece, now_frame % segment.frames, level, float(segment.fps), share)
        return next_ns

    def _still(self, segment: Segment, now: Instant) -> int:
        """A look, or one frame held: steadily while it fades, then thinned out."""
        level, share = segment.level_at(now.at_ns), segment.share_at(now.at_ns)
        same = self._picture == segment.picture and (self.shown.level, self.shown.share) == (level, share)
        if same and now.monotonic_ns < self._next_ns:
            return min(now.until_ns, self._next_ns)
        frame: Held | None = None
        if segment.path is not None:
            found = self.ahead.get(segment.path, segment.still or 0)
            if isinstance(found, Hurt):
                return self._give_up(segment, segment.path, found, segment.still, now)
            if found is None:
                return min(now.until_ns, self._hold(segment, segment.path, now))
            frame, self._held_ns = found, None
        self._frame_ns = now.monotonic_ns
        self._send(segment, frame, level, share, now)
        self._picture, self._frame = segment.picture, -1
        self.shown = Shown(segment.piece, segment.still, level, 40.0, share)
        return self._rest(now, same and segment.mix is None)

    def _send(self, segment: Segment, frame: Held | None, level: float, share: float, now: Instant) -> None:
        brightness = min(FULL, max(0, int(level * FULL)))
        other = self._other(segment.mix, now.at_ns, int(brightness * share)) if segment.mix else None
        if other:
            self._pictures = (self._picture_of(frame, brightness - other.brightness, segment.look), other)
        else:
            self._pictures = (self._picture_of(frame, brightness, segment.look),)
        self._put(self.canvas.paint(*self._pictures, at_ns=now.monotonic_ns), now.monotonic_ns)

    def _put(self, canvas: Bytes, monotonic_ns: int) -> None:
        self.group.fill(canvas)
        self.group.send()
        self._sent_ns = monotonic_ns

    def _other(self, mix: Mix, at_ns: int, brightness: int) -> Picture | None:
        """The other picture of a cross-fade; None where it cannot be had, so that the first is seen alone."""
        if mix.path is None:
            return Picture(brightness, look=mix.look)
        frame = self.ahead.get(mix.path, mix_frame(mix, at_ns))
        return None if frame is None or isinstance(frame, Hurt) else self._picture_of(frame, brightness)

    def _picture_of(self, frame: Held | None, brightness: int, look: int = 0) -> Picture:
        place: Place | None = self.canvas.place(frame.info) if frame else None
        return Picture(brightness, place, frame.frame if frame else None, look)

    def _give_up(self, segment: Segment, path: str, hurt: Hurt, number: int | None, now: Instant) -> int:
        self.hurt = (path, segment.zero_ns)
        self.trouble("frames", path, hurt.text, segment, number)
        return self.black(now, release=False)

    def foresee(self, segment: Segment | None, at_ns: int) -> None:
        """Tell of frames that are hurt as soon as they are read, so that what comes instead is there in time."""
        if segment is None or segment.path is None or segment.still is not None or segment.dark:
            return
        number, place = frame_at(at_ns, segment.zero_ns, segment.fps), (segment.path, segment.zero_ns)
        found = self.ahead.hurt_after(segment.path, number % segment.frames) if self.foreseen != place else None
        if found is None or found[0] >= segment.frames:
            return
        due = number - number % segment.frames + found[0]
        if due_ns(due, segment.zero_ns, segment.fps) < segment.until_ns:
            self.foreseen = place
            self.trouble("frames", segment.path, found[1], segment, found[0])

    def _stalled(self, now: Instant) -> bool:
        return self._held_ns is not None and now.monotonic_ns - self._held_ns > STALLED_NS

    def _hold(self, segment: Segment, path: str, now: Instant) -> int:
        """The frame has not come from the disk: what is on the wire stays, as bright as the score has it now, and is
        kept alive (6.6.2). Of another piece, or a look, it never becomes brighter."""
        at_ns = now.monotonic_ns
        if self._held_ns is None:
            self._held_ns = at_ns
            if not self._unchanged:  # frames were moving, or nothing was sent yet
                self._unchanged, self._next_ns = 1, at_ns + (STALLED_NS if self._pictures else THIN_NS)
        if self._stalled(now):
            text = "its frames do not come from the disk in time; the last one stays on the wire"
            self.trouble("disk", path, text, segment, None)
        level, before = segment.level_at(now.at_ns), self.shown.level
        place = self._pictures[0].place if self._pictures else None
        if place is None or str(place.info.path) != path:
            level = min(level, before)
        next_ns = self._next_ns if level == before else self._sent_ns + STEADY_NS
        if at_ns >= next_ns:
            self._frame_ns = at_ns
            if level == before:
                self._sent_ns = at_ns
                self.group.send()
            else:
                self._repaint(level, at_ns)
            self._rest(now, level == before)
            next_ns = self._next_ns
        return max(at_ns + RETRY_NS, min(at_ns + STALLED_NS, next_ns))

    def _repaint(self, level: float, monotonic_ns: int) -> None:
        """What was painted last, at another level."""
        brightness = min(FULL, max(0, int(level * FULL)))
        first, *others = self._pictures
        pictures = [one._replace(brightness=int(brightness * self.shown.share)) for one in others]
        rest = brightness - sum(one.brightness for one in pictures)
        self._pictures = (first._replace(brightness=rest), *pictures)
        self.shown = self.shown._replace(level=level)
        self._put(self.canvas.paint(*self._pictures, at_ns=monotonic_ns), monotonic_ns)

    def black(self, now: Instant, release: bool, begin: bool = False) -> int:
        """Black: at once when it was not, then thinned out; or, with `release`, the streams end. Those that have ended
        stay so unless they are to `begin`."""
        black = (None, 0, None, 0)
        same = self._picture == black
        resting = same and self.group.at_rest
        if resting and begin:
            same = resting = False
        if same and (now.monotonic_ns < self._next_ns or resting):
            return max(now.monotonic_ns + RETRY_NS, now.until_ns if resting else min(now.until_ns, self._next_ns))
        self._frame_ns = now.monotonic_ns
        self._put(self.canvas.blank(), now.monotonic_ns)
        self.group.flush()
        self._picture, self._coming, self._frame, self._held_ns = black, None, -1, None
        self.shown, self._pictures = Shown(), ()
        wait_ns = self._rest(now, same)
        if release and self._unchanged >= THIN_AFTER:
            self.group.terminate()
        return wait_ns

    def _rest(self, now: Instant, same: bool) -> int:
        self._unchanged = self._unchanged + 1 if same else 1
        self._next_ns = now.monotonic_ns + (STEADY_NS if self._unchanged < THIN_AFTER else THIN_NS)
        return min(now.until_ns, self._next_ns)

    def wants(self, segment: Segment | None, coming: Segment | None, at_ns: int) -> list[Want]:
        """The frames to have at hand: what is played and what follows it, and the beginning of what comes next."""
        wanted = []
        if segment and segment.path and not segment.dark and not self.is_hurt(segment):
            number = segment.still
            if number is None:
                led_ns = self._shift_ns if self._picture == segment.picture else 0
                number = led_frame(segment, at_ns, led_ns) % segment.frames
            wanted.append(Want(segment.path, number, segment.still is None))
        if segment and segment.mix and segment.mix.path:
            wanted.append(Want(segment.mix.path, mix_frame(segment.mix, at_ns), segment.mix.still is None))
        if coming and coming.path:
            first = coming.still
            if first is None:
                first = frame_at(coming.from_ns, coming.zero_ns, coming.fps) % coming.frames
            wanted.append(Want(coming.path, first))
            if coming.mix and coming.mix.path:
                wanted.append(Want(coming.mix.path, mix_frame(coming.mix, coming.from_ns)))
        return wanted


def led_frame(segment: Segment, at_ns: int, shift_ns: int) -> int:
    """The frame of an instant as its sound leads it: earlier or later, but within its turn of the piece."""
    turn = frame_at(at_ns, segment.zero_ns, segment.fps) // segment.frames
    frame = frame_at(at_ns + shift_ns, segment.zero_ns, segment.fps)
    return min(max(frame, turn * segment.frames), (turn + 1) * segment.frames - 1)


def mix_frame(mix: Mix, at_ns: int) -> int:
    """The frame of a cross-fade's other picture at an instant."""
    return frame_at(at_ns, mix.zero_ns, mix.fps) % mix.frames if mix.still is None else mix.still
