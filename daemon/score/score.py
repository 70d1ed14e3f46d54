"""The score: what the transmitter is to play and when, as frozen values and as JSON.

Instants are integer nanoseconds since the Unix epoch, UTC (`_ns`). `from_json` takes what `to_json` gives. It raises
LookupError, TypeError, AttributeError or ValueError for anything else.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any, Self

from gloaming.daemon.score.checks import amount, instant, optional_text, rate, read_spans, share, text, whole
from gloaming.daemon.score.frame_clock import due_ns, frame_at
from gloaming.daemon.score.protocol import Op
from gloaming.shows.rig.zones import Spans
from gloaming.shows.time_units import FRAMES_MAX


@dataclass(frozen=True, slots=True)
class Picture:
    """Moving frames of a frame file: frame `n` is due at `zero_ns + n / fps`; the first follows the last.

    With `still` that one frame stays (a paused piece). With `ended` the frames are over and the sound goes on: the
    picture is black, and the frame numbers count on, so that they give the place in the sound.
    """

    piece: str
    path: str
    frames: int
    fps: Fraction
    zero_ns: int
    still: int | None = None
    ended: bool = False

    def frame_at(self, at_ns: int) -> int:
        """The number of the frame that is shown at `at_ns`, exact in integers."""
        if self.still is not None:
            return self.still
        number = frame_at(at_ns, self.zero_ns, self.fps)
        return number if self.ended else number % self.frames

    def turn_at(self, at_ns: int) -> int:
        """How many times the piece has played to its end by an instant."""
        return frame_at(at_ns, self.zero_ns, self.fps) // self.frames

    def due_ns(self, frame: int, at_ns: int) -> int:
        """When a frame is due, in the turn of the piece that plays at `at_ns`."""
        return due_ns(self.turn_at(at_ns) * self.frames + frame, self.zero_ns, self.fps)

    def later(self, by_ns: int) -> Picture:
        """The same picture, `by_ns` later."""
        return replace(self, zero_ns=self.zero_ns + by_ns)

    def to_json(self) -> dict[str, Any]:
        return {
            "piece": self.piece,
            "path": self.path,
            "frames": self.frames,
            "fps": [self.fps.numerator, self.fps.denominator],
            "zero_ns": self.zero_ns,
            "still": self.still,
            "ended": self.ended,
        }

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        return cls(
            piece=text(json["piece"]),
            path=text(json["path"]),
            frames=whole(json["frames"], 1, FRAMES_MAX),
            fps=rate(json["fps"]),
            zero_ns=instant(json["zero_ns"]),
            still=None if json["still"] is None else whole(json["still"], 0, FRAMES_MAX),
            ended=bool(json["ended"]),
        )


@dataclass(frozen=True, slots=True)
class Mix:
    """A picture that fades out under the one that is shown: all of the level at `from_ns`, nothing at `until_ns`."""

    picture: Picture
    from_ns: int
    until_ns: int

    def share_at(self, at_ns: int) -> float:
        """Its share 0..1 of the level at an instant."""
        return (self.until_ns - at_ns) / (self.until_ns - self.from_ns)

    def to_json(self) -> dict[str, Any]:
        return {"picture": self.picture.to_json(), "from_ns": self.from_ns, "until_ns": self.until_ns}

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        picture = Picture.from_json(json["picture"])
        if picture.ended:
            raise ValueError("a picture whose frames are over cannot fade out")
        return cls(picture, instant(json["from_ns"]), instant(json["until_ns"]))


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of time `[from_ns, until_ns)` that shows one thing, at a level that changes in a straight line.

    Without a `picture` every slot has the level `look` (0..255); 0 is black. `level_from` and `level_until` are the
    brightness 0..1 at both ends. `sound_from` and `sound_until` are the volume 0..1 at both ends. `show` is None
    between performances. `sound_path` is the sound file of the picture, played at `gain`.
    """

    from_ns: int
    until_ns: int
    show: str | None = None
    picture: Picture | None = None
    look: int = 0
    level_from: float = 0.0
    level_until: float = 0.0
    sound_path: str | None = None
    gain: float = 1.0
    sound_from: float = 0.0
    sound_until: float = 0.0
    mix: Mix | None = None

    @property
    def piece(self) -> str | None:
        return self.picture.piece if self.picture else None

    @property
    def seen(self) -> Picture | None:
        """The picture whose frames are shown; None without a picture, or when its frames are over."""
        return None if self.picture is None or self.picture.ended else self.picture

    @property
    def image(self) -> tuple[str | None, int, int | None, int]:
        """What is shown, apart from when and how bright."""
        picture = self.picture
        if picture is None:
            return None, 0, None, self.look
        return None if picture.ended else picture.path, picture.zero_ns, picture.still, self.look

    @property
    def dark(self) -> bool:
        """Whether the segment shows no light."""
        black = self.seen is None and self.look == 0 and self.mix is None
        return black or self.level_from == self.level_until == 0

    @property
    def moves(self) -> bool:
        """Whether the light changes between frames: a level or a cross-fade is under way."""
        return self.level_from != self.level_until or self.mix is not None

    def level_at(self, at_ns: int) -> float:
        """The brightness 0..1 at an instant within the segment."""
        return self._between(self.level_from, self.level_until, at_ns)

    def sound_at(self, at_ns: int) -> float:
        """The volume 0..1 at an instant within the segment."""
        return self._between(self.sound_from, self.sound_until, at_ns)

    def share_at(self, at_ns: int) -> float:
        """The share 0..1 of the level that the picture that fades out has."""
        return self.mix.share_at(at_ns) if self.mix else 0.0

    def below(self, ceiling: float) -> Self:
        """The same segment, no brighter than a ceiling."""
        return replace(self, level_from=min(self.level_from, ceiling), level_until=min(self.level_until, ceiling))

    def _between(self, begin: float, end: float, at_ns: int) -> float:
        return begin + (end - begin) * (at_ns - self.from_ns) / (self.until_ns - self.from_ns)

    def to_json(self) -> dict[str, Any]:
        return {
            "from_ns": self.from_ns,
            "until_ns": self.until_ns,
            "show": self.show,
            "picture": self.picture and self.picture.to_json(),
            "look": self.look,
            "level": [self.level_from, self.level_until],
            "sound_path": self.sound_path,
            "gain": self.gain,
            "sound_level": [self.sound_from, self.sound_until],
            "mix": self.mix and self.mix.to_json(),
        }

    @staticmethod
    def from_json(json: dict[str, Any]) -> Segment:
        (level_from, level_until), (sound_from, sound_until) = json["level"], json["sound_level"]
        found = Segment(
            from_ns=instant(json["from_ns"]),
            until_ns=instant(json["until_ns"]),
            show=optional_text(json["show"]),
            picture=None if json["picture"] is None else Picture.from_json(json["picture"]),
            look=whole(json["look"], 0, 255),
            level_from=share(level_from),
            level_until=share(level_until),
            sound_path=optional_text(json["sound_path"]),
            gain=amount(json["gain"]),
            sound_from=share(sound_from),
            sound_until=share(sound_until),
            mix=None if json["mix"] is None else Mix.from_json(json["mix"]),
        )
        if found.until_ns <= found.from_ns:
            raise ValueError("a segment ends before it begins")
        if found.mix and not found.mix.from_ns <= found.from_ns < found.until_ns <= found.mix.until_ns:
            raise ValueError("a segment goes beyond the cross-fade in it")
        return found


@dataclass(frozen=True, slots=True)
class ScoreArea:
    """Slots that do not show the score's segments but segments of their own."""

    spans: Spans
    segments: tuple[Segment, ...]

    def to_json(self) -> dict[str, Any]:
        return {"spans": self.spans, "segments": [segment.to_json() for segment in self.segments]}

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        return cls(read_spans(json["spans"]), _segments(json["segments"]))


def _segments(json: Any) -> tuple[Segment, ...]:
    segments = tuple(Segment.from_json(one) for one in json)
    if any(after.from_ns < before.until_ns for before, after in pairwise(segments)):
        raise ValueError("a segment begins before the previous one ends")
    return segments


@dataclass(frozen=True, slots=True)
class Score:
    """Segments in order, and the offsets of the clocks. Slots of the `areas` have segments of their own.

    The time of the segments is the monotonic clock plus `offset_ns`, and the machine's wall clock plus
    `wall_offset_ns`. Sound comes from `device` (None: the machine's default), `delay_ns` later. `files` changes
    whenever the planner reads the lengths of the frame files again.
    """

    id: int
    offset_ns: int
    wall_offset_ns: int
    segments: tuple[Segment, ...]
    device: str | None = None
    delay_ns: int = 0
    files: int | None = None
    areas: tuple[ScoreArea, ...] = ()

    def at(self, at_ns: int) -> Segment | None:
        """The segment of an instant, None outside the score."""
        place = self._after(at_ns) - 1
        segment = self.segments[place] if place >= 0 else None
        return segment if segment and at_ns < segment.until_ns else None

    def next_begin(self, at_ns: int) -> int | None:
        """When the next segment after an instant begins."""
        place = self._after(at_ns)
        return self.segments[place].from_ns if place < len(self.segments) else None

    def after(self, at_ns: int) -> Segment | None:
        """The first of the next four segments that shows frames of a file."""
        place = self._after(at_ns)
        return next((one for one in self.segments[place : place + 4] if one.seen and not one.dark), None)

    def _after(self, at_ns: int) -> int:
        """The index of the first segment that begins after an instant."""
        return bisect_right(self.segments, at_ns, key=lambda segment: segment.from_ns)

    def to_json(self) -> dict[str, Any]:
        return {
            "op": Op.SCORE,
            "id": self.id,
            "offset_ns": self.offset_ns,
            "wall_offset_ns": self.wall_offset_ns,
            "segments": [segment.to_json() for segment in self.segments],
            "device": self.device,
            "delay_ns": self.delay_ns,
            "files": self.files,
            "areas": [area.to_json() for area in self.areas],
        }

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        return cls(
            id=int(json["id"]),
            offset_ns=instant(json["offset_ns"]),
            wall_offset_ns=instant(json["wall_offset_ns"]),
            segments=_segments(json["segments"]),
            device=optional_text(json["device"]),
            delay_ns=instant(json["delay_ns"]),
            files=None if json["files"] is None else int(json["files"]),
            areas=tuple(ScoreArea.from_json(one) for one in json["areas"]),
        )
