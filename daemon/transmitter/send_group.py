"""Plays the score for the controllers that share a lead: which frame to send, and when to look again.

The time is an argument. Only `led_frame` turns time into a frame number. Only `FrameMixer.mix` makes a frame's bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import NamedTuple, Protocol

from gloaming.daemon.score.frame_clock import due_ns, frame_at
from gloaming.daemon.score.protocol import Black
from gloaming.daemon.score.score import Mix, Picture, Score, Segment
from gloaming.daemon.transmitter.clock import Lateness
from gloaming.daemon.transmitter.frame_mixer import FULL, Layer, Mixer, Place, crossed
from gloaming.daemon.transmitter.readahead import Bytes, DamagedFrames, FrameCache, ReadAhead, Want
from gloaming.shows.protocols.packets import KeepAlive
from gloaming.shows.time_units import SECOND_NS

STEADY_NS = SECOND_NS // 40
"""The interval between packets while a level changes and no frame is due."""
RETRY_NS = 1_000_000
STALLED_NS = 250_000_000
"""A frame that the disk delays by more than this is reported. Frames further apart need keep-alive packets."""

STEPPED_NS = 100_000_000
"""The largest step of the score's time against the monotonic clock for which a picture goes on."""

Image = tuple[str | None, int, int | None, int]
"""What is shown, apart from when and how bright: `Segment.image`."""
BLACK_IMAGE: Image = (None, 0, None, 0)

Trouble = Callable[[str, str, str, Segment, int | None], None]
Shift = Callable[[Segment, int, int], int]
"""Takes a segment, the turn of its piece and a monotonic instant. By how much the sound leads the score, in ns."""


class Shown(NamedTuple):
    """What is on the wire."""

    piece: str | None = None
    frame: int | None = None
    level: float = 0.0
    fps: float = 0.0
    share: float = 0.0


class Instant(NamedTuple):
    """An instant on the monotonic clock, the same in the score's time plus the lead, and the latest next look."""

    monotonic_ns: int
    at_ns: int
    until_ns: int

    @property
    def offset_ns(self) -> int:
        return self.at_ns - self.monotonic_ns


@dataclass
class Frames:
    """Counts of frames, over all send groups."""

    due: int = 0
    sent: int = 0
    late: int = 0
    dropped: int = 0
    unread: int = 0


class FrameTarget(Protocol):
    """Where a send group puts its frames: a `PacketGroup`, or a part of a composed frame."""

    lead_ns: int
    apart_ns: int
    keep_alive: KeepAlive
    step: int
    ended: bool

    @property
    def next_ns(self) -> int | None: ...

    def pace(self, fps: Fraction) -> int: ...
    def fill(self, mixed: Bytes) -> None: ...
    def send(self, frame: int | None = None, begins: bool = True) -> None: ...
    def go_on(self, passed_ns: int) -> int | None: ...
    def flush(self) -> None: ...
    def terminate(self) -> None: ...
    def lit(self) -> bool: ...


class SendGroup:
    """The position of one group of controllers in the score. Instants are the score's time plus the lead."""

    def __init__(self, packets: FrameTarget, mixer: Mixer, ahead: ReadAhead, trouble: Trouble, shift: Shift) -> None:
        self.packets, self.mixer, self.ahead, self.trouble, self.shift = packets, mixer, ahead, trouble, shift
        self.shown = Shown()
        self.damaged: tuple[str, int] | None = None
        self._damaged_by = Black.DAMAGED
        self.foreseen: tuple[str, int] | None = None
        self._image: Image | None = None
        self._coming: Image | None = None
        self._since_ns = 0
        self._held_ns: int | None = None
        self._offset_ns = 0
        self.layers: tuple[Layer, ...] = ()
        """What was sent last: a picture, or two; none if it was black."""
        self._frame = -1
        self._shift_ns = 0
        self._fps, self._half_ns, self._slow = Fraction(0), 0, False
        self._unchanged = 0
        self.sent_ns, self._next_ns, self._frame_ns = -SECOND_NS, 0, 0

    def take_over(self, before: SendGroup) -> None:
        """Go on where another send group is, with packets and a mixer of one's own."""
        for name in vars(self).keys() - {"packets", "mixer", "ahead", "trouble", "shift"}:
            setattr(self, name, getattr(before, name))
        self._fps = Fraction(0)  # the packets do not know the rate yet
        self.place_layers()

    def end_areas(self, rest: SendGroup) -> None:
        """Go on for the whole rig, where the rest of the rig was. What areas showed is sent anew."""
        self.take_over(rest)
        if not self.packets.ended:
            self._image = None

    def place_layers(self) -> None:
        """Find the place of what was sent last in the frame of a new mixer."""
        self.layers = tuple(one._replace(place=one.place and self._place_again(one.place)) for one in self.layers)

    def _place_again(self, place: Place) -> Place:
        found = self.mixer.place(place.info)
        return found if len(place.unscaled[0]) else found.light_alone()

    def go_on(self, monotonic_ns: int) -> int | None:
        """Send the parts of a spread frame that are due. Returns when the next is due; None if none is left."""
        if self.packets.next_ns is None:
            return None
        next_ns = self.packets.go_on(monotonic_ns - self._frame_ns)
        return None if next_ns is None else self._frame_ns + next_ns

    def is_damaged(self, segment: Segment) -> bool:
        return self.damaged == segment.image[:2]

    def light(self, segment: Segment, now: Instant, frames: Frames, lateness: Lateness) -> int:
        """Play a segment with light in it. Returns the monotonic instant of the next look."""
        if abs(now.offset_ns - self._offset_ns) > STEPPED_NS:  # start the picture anew: frames may repeat
            self._image = self._coming = None
        self._offset_ns = now.offset_ns
        if self._coming != segment.image:
            self._coming, self._since_ns = segment.image, now.monotonic_ns
        begins = self._image != segment.image or not self.layers
        if begins or self._held_ns is not None:
            hold_ns = self.sent_ns + self.packets.apart_ns  # E1.31 6.6.1: no faster than E1.11 allows
            if now.monotonic_ns < hold_ns:
                return min(now.until_ns, hold_ns)
        playing = segment.seen
        if playing is not None and playing.still is None:
            return self._moving(segment, playing, now, frames, lateness)
        if begins:
            return self._begin_still(segment, playing, now)
        return self._stay(segment, playing.still if playing else None, now, None)

    def _moving(self, segment: Segment, playing: Picture, now: Instant, frames: Frames, lateness: Lateness) -> int:
        """Play moving frames: each leaves once, when it is due. Of several missed frames only the newest leaves."""
        path, zero_ns, fps, count = playing.path, playing.zero_ns, playing.fps, playing.frames
        if fps is not self._fps:
            self._fps = fps
            self._half_ns = int(SECOND_NS * self.packets.pace(fps) / fps / 2)
            self._slow = 2 * self._half_ns >= STEADY_NS + self.packets.apart_ns
        step = self.packets.step
        number = frame_at(now.at_ns, zero_ns, fps)
        turn = number // count
        first, last = turn * count, (turn + 1) * count - 1
        shift_ns = self.shift(segment, turn, now.monotonic_ns)
        now_frame = (led_frame(playing, now.at_ns, shift_ns) if shift_ns else number) // step * step
        begins = self._image != segment.image

        def due(frame: int) -> int:
            """When a frame is due. The sound shifts the frames within a turn; the score starts each turn."""
            led_ns = shift_ns if first < frame <= last else 0
            return due_ns(frame, zero_ns, fps) - now.offset_ns - led_ns

        next_ns = min(now.until_ns, due(now_frame + step))
        if not begins and now_frame <= self._frame:
            frame_ns = due(self._frame + step)
            slow = self._slow and self._held_ns is None
            return self._stay(segment, self._frame, now, frame_ns) if slow else min(now.until_ns, frame_ns)
        frame = self.ahead.get(path, now_frame % count)
        if isinstance(frame, DamagedFrames):
            return self._give_up(segment, playing, frame, now_frame % count, now)
        if frame is None:
            return min(next_ns, self._hold(segment, path, now))
        if not begins:
            came = (
                max(self._frame, first - step) if self._shift_ns < 0 else self._frame
            )  # the turn ends before a late sound does
            missed = max(0, (now_frame - came) // step - 1)
        elif self._stalled(now):
            since = led_frame(playing, self._since_ns + now.offset_ns, shift_ns) // step * step
            missed = max(0, (now_frame - since) // step)
        else:  # a piece begins when its file is open
            missed = 0
        was_due_ns = max(due(now_frame), self._since_ns if begins else 0)
        if begins and self._held_ns is not None and not missed:
            was_due_ns = now.monotonic_ns
        level, share = segment.level_at(now.at_ns), segment.share_at(now.at_ns)
        self._frame_ns = was_due_ns
        held_ns, self._held_ns = self._held_ns, None
        self._send(self._layer_of(frame), self._other(segment.mix, now.at_ns), level, share, now, now_frame, begins)
        late_ns = now.monotonic_ns - was_due_ns
        frames.due += 1 + missed
        frames.sent += 1
        frames.dropped += missed
        frames.unread += 0 if held_ns is None else missed
        frames.late += late_ns > self._half_ns
        lateness.add(late_ns)
        self._image, self._frame, self._unchanged, self._shift_ns = segment.image, now_frame, 0, shift_ns
        self.shown = Shown(playing.piece, now_frame % count, level, float(fps), share)
        return min(next_ns, self._resend_ns(segment.moves)) if self._slow else next_ns

    def _begin_still(self, segment: Segment, playing: Picture | None, now: Instant) -> int:
        """Begin a look, or a frame that stays."""
        first, still = Layer(FULL, look=segment.look), None
        if playing is not None:
            still = playing.still
            found = self.ahead.get(playing.path, still or 0)
            if isinstance(found, DamagedFrames):
                return self._give_up(segment, playing, found, still, now)
            if found is None:
                return min(now.until_ns, self._hold(segment, playing.path, now))
            first, self._held_ns = self._layer_of(found), None
        level, share = segment.level_at(now.at_ns), segment.share_at(now.at_ns)
        self._frame_ns = now.monotonic_ns
        self._send(first, self._other(segment.mix, now.at_ns), level, share, now)
        self._image, self._frame = segment.image, -1
        self.shown = Shown(segment.piece, still, level, 40.0, share)
        self._schedule(now, same=False)
        return min(now.until_ns, self._resend_ns(segment.moves))

    def _stay(self, segment: Segment, number: int | None, now: Instant, frame_ns: int | None) -> int:
        """Continue a look, or a frame until the next is due at `frame_ns`: send level changes and keep-alive packets.

        Sends nothing so shortly before a frame that the frame would have to wait (6.6.1).
        """
        if frame_ns is not None and now.monotonic_ns > frame_ns - self.packets.apart_ns:
            return min(now.until_ns, frame_ns)
        level, share = segment.level_at(now.at_ns), segment.share_at(now.at_ns)
        same = not segment.moves and (level, share) == (self.shown.level, self.shown.share)
        if self._is_time(now, same):
            first, playing = self.layers[0], segment.seen
            found = self.ahead.get(playing.path, (number or 0) % playing.frames) if playing else None
            if playing and isinstance(found, DamagedFrames):
                return self._give_up(segment, playing, found, number, now)
            if isinstance(found, FrameCache):  # the file may have been replaced
                first = self._layer_of(found)
            self._keep(first, self._other(segment.mix, now.at_ns), level, share, now, same)
        next_ns = self._resend_ns(segment.moves or (level, share) != (self.shown.level, self.shown.share))
        if frame_ns is not None and next_ns > frame_ns - self.packets.apart_ns:
            next_ns = frame_ns
        return min(now.until_ns, next_ns)

    def _is_time(self, now: Instant, same: bool) -> bool:
        """Whether to send the present frame again: a keep-alive is due, or the level has changed."""
        if not self._unchanged:  # frames were moving
            self._unchanged, self._next_ns = 1, self.sent_ns + STALLED_NS
        return now.monotonic_ns >= (self._next_ns if same else self.sent_ns + STEADY_NS)

    def _resend_ns(self, moves: bool) -> int:
        """When to send the present frame again, if no other comes first."""
        if moves:
            return self.sent_ns + STEADY_NS
        return self._next_ns if self._unchanged else self.sent_ns + STALLED_NS

    def _keep(self, first: Layer, other: Layer | None, level: float, share: float, now: Instant, same: bool) -> None:
        self._frame_ns = now.monotonic_ns
        self._send(first, other, level, share, now)
        self.shown = self.shown._replace(level=level, share=share)
        self._schedule(now, same)

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
        """Send one picture, or two, at a level. `frame` is the number of a moving frame."""
        self.layers = crossed(first, other, share, brightness(level))
        self._put(self.mixer.mix(*self.layers, at_ns=now.monotonic_ns), now.monotonic_ns, frame, begins)

    def _put(self, mixed: Bytes, monotonic_ns: int, frame: int | None = None, begins: bool = True) -> None:
        self.packets.fill(mixed)
        self.packets.send(frame, begins)
        self.sent_ns = monotonic_ns

    def _other(self, mix: Mix | None, at_ns: int) -> Layer | None:
        """The picture that fades out in a cross-fade; None without one, or if its frame cannot be read."""
        if mix is None:
            return None
        frame = self.ahead.get(mix.picture.path, mix.picture.frame_at(at_ns))
        return None if frame is None or isinstance(frame, DamagedFrames) else self._layer_of(frame)

    def _layer_of(self, frame: FrameCache) -> Layer:
        return Layer(FULL, self.mixer.place(frame.info), frame.frame)

    def _give_up(
        self, segment: Segment, playing: Picture, damaged: DamagedFrames, number: int | None, now: Instant
    ) -> int:
        self.damaged = (playing.path, playing.zero_ns)
        self._damaged_by = Black.FILE if damaged.whole else Black.DAMAGED
        self.trouble("frames", playing.path, damaged.text, segment, number)
        return self.black(now, release=False)

    def look_again(self) -> None:
        """Try damaged pieces again."""
        self.damaged = self.foreseen = None

    def read_ahead(self, score: Score, at_ns: int, coming_ns: int) -> list[Want]:
        """The frames to hold for a score, with those of what begins within `coming_ns`. Reports damaged ones."""
        segment = score.at(at_ns)
        self.foresee(segment, at_ns)
        return self.wants(segment, at_ns) + coming_wants(score, at_ns, coming_ns)

    def foresee(self, segment: Segment | None, at_ns: int) -> None:
        """Report damaged frames as soon as they are read, so that the planner can replace the piece in time."""
        playing = segment.seen if segment else None
        if segment is None or playing is None or playing.still is not None or segment.dark:
            return
        place = (playing.path, playing.zero_ns)
        found = self.ahead.damaged_after(playing.path, playing.frame_at(at_ns)) if self.foreseen != place else None
        if found is None or found[0] >= playing.frames:
            return
        if playing.due_ns(found[0], at_ns) < segment.until_ns:
            self.foreseen = place
            self.trouble("frames", playing.path, found[1], segment, found[0])

    def _stalled(self, now: Instant) -> bool:
        return self._held_ns is not None and now.monotonic_ns - self._held_ns > STALLED_NS

    def _hold(self, segment: Segment, path: str, now: Instant) -> int:
        """Keep the present frame while the disk is late, at the score's level, with keep-alive packets (6.6.2).

        A frame of another piece, or a look, never becomes brighter. Strobe and fog do not go on meanwhile.
        """
        at_ns = now.monotonic_ns
        if self._held_ns is None:
            self._held_ns = at_ns
            if not self._unchanged:  # frames were moving, or nothing was sent yet
                self._unchanged = 1
                self._next_ns = at_ns + (STALLED_NS if self.layers else self.packets.keep_alive.every_ns)
        if self._stalled(now):
            text = "the disk is too slow for its frames; the lights keep the last frame"
            self.trouble("disk", path, text, segment, None)
            self.layers = tuple(one._replace(place=one.place and one.place.light_alone()) for one in self.layers)
        first, *others = self.layers or (Layer(0),)
        level = segment.level_at(now.at_ns)
        if first.place is None or str(first.place.info.path) != path:
            level = min(level, self.shown.level)
        same = level == self.shown.level
        if self._is_time(now, same):
            self._keep(first, others[0] if others else None, level, self.shown.share, now, same)
        next_ns = self._next_ns if level == self.shown.level else self.sent_ns + STEADY_NS
        return max(at_ns + RETRY_NS, min(at_ns + STALLED_NS, next_ns))

    def black(self, now: Instant, release: bool, begin: bool = False) -> int:
        """Send black: at once if it is new, then keep-alive packets. With `release` the streams end.

        Ended streams stay ended unless `begin` starts them again.
        """
        same = self._image == BLACK_IMAGE
        ended = same and self.packets.ended
        if ended and begin:
            same = ended = False
        if same and (now.monotonic_ns < self._next_ns or ended):
            return max(now.monotonic_ns + RETRY_NS, now.until_ns if ended else min(now.until_ns, self._next_ns))
        self._frame_ns = now.monotonic_ns
        self._put(self.mixer.blank(), now.monotonic_ns)
        self.packets.flush()
        self._image, self._coming, self._frame, self._held_ns = BLACK_IMAGE, None, -1, None
        self.shown, self.layers = Shown(), ()
        wait_ns = self._schedule(now, same)
        if release and self._unchanged >= self.packets.keep_alive.packets:
            self.packets.terminate()
        return wait_ns

    def black_by(self, segment: Segment) -> Black | None:
        """Why the last packets are black while a segment with light plays; None if they are lit."""
        if self.is_damaged(segment):
            return self._damaged_by
        if self.packets.lit():
            return None
        if self._held_ns is not None:
            return Black.UNREAD
        if self._image != segment.image:
            return Black.STARTING if self.sent_ns < 0 else Black.REFRESH
        if not any(self.mixer.unlimited(one._replace(brightness=FULL)).any() for one in self.layers):
            elsewhere = any(one.frame is not None and one.frame.any() for one in self.layers)
            return Black.UNIVERSES if elsewhere else Black.PICTURE
        return Black.LIMITER if self.mixer.unlimited(*self.layers).any() else Black.LEVEL

    def _schedule(self, now: Instant, same: bool) -> int:
        """Count a packet as new or unchanged. Returns when the next is due."""
        self._unchanged = self._unchanged + 1 if same else 1
        keep_alive = self.packets.keep_alive
        steady = self._unchanged < keep_alive.packets
        self._next_ns = now.monotonic_ns + (STEADY_NS if steady else keep_alive.every_ns)
        return min(now.until_ns, self._next_ns)

    def wants(self, segment: Segment | None, at_ns: int) -> list[Want]:
        """The frames of the present pictures to hold."""
        wanted = []
        playing = segment.seen if segment else None
        if segment and playing and not segment.dark and not self.is_damaged(segment):
            number = playing.still
            if number is None:
                led_ns = self._shift_ns if self._image == segment.image else 0
                number = led_frame(playing, at_ns, led_ns) % playing.frames
            wanted.append(Want(playing.path, number, playing.still is None))
        if segment and segment.mix:
            going = segment.mix.picture
            wanted.append(Want(going.path, going.frame_at(at_ns), going.still is None))
        return wanted


def coming_wants(score: Score, at_ns: int, coming_ns: int) -> list[Want]:
    """The first frames of the pictures that begin within `coming_ns`."""
    coming = score.after(at_ns)
    if coming is None or coming.seen is None or coming.from_ns - at_ns >= coming_ns:
        return []
    pictures = (coming.seen, *((coming.mix.picture,) if coming.mix else ()))
    return [Want(one.path, one.frame_at(coming.from_ns)) for one in pictures]


def brightness(level: float) -> int:
    """A level 0..1 in 256ths."""
    return min(FULL, max(0, int(level * FULL)))


def led_frame(playing: Picture, at_ns: int, shift_ns: int) -> int:
    """The frame of an instant, shifted by `shift_ns` to follow the sound, within its turn of the piece."""
    turn = playing.turn_at(at_ns)
    frame = frame_at(at_ns + shift_ns, playing.zero_ns, playing.fps)
    return min(max(frame, turn * playing.frames), (turn + 1) * playing.frames - 1)
