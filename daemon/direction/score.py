"""The score and its segments: plain frozen values that say what must be on the wire, when, and why.

All instants are integer nanoseconds since the Unix epoch, UTC (`_ns`). This module knows no site and no clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction

from gloaming.shows.time_units import SECOND_NS


class State(StrEnum):
    """The states a person sees."""

    PLAYING = "playing"
    PAUSED = "paused"
    WAITING = "waiting"
    DARK = "dark"
    RIG_CHECK = "rig-check"
    NO_CLOCK = "no-clock"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Reason:
    """A rule that had its say: where it stands ("site.toml:12 neighbours.dark") and what it said."""

    rule: str
    text: str


@dataclass(frozen=True, slots=True)
class Picture:
    """Moving frames from a frame file: frame `n` is due at `zero_ns + n / fps`; past the end it begins again.

    `still` holds that one frame throughout instead (a paused piece). `ended`: its frames are over and its sound goes
    on. That is black, and the numbers run on past the last frame, for the place in the sound.
    """

    piece: str
    path: str
    frames: int
    fps: Fraction
    zero_ns: int
    still: int | None = None
    ended: bool = False

    def frame_at(self, at_ns: int) -> int:
        """The number of the frame due at `at_ns`, exact in integers."""
        if self.still is not None:
            return self.still
        number = (at_ns - self.zero_ns) * self.fps.numerator // (self.fps.denominator * SECOND_NS)
        return number if self.ended else number % self.frames

    def turn_at(self, at_ns: int) -> int:
        """How many times the frames have come round by an instant."""
        return (at_ns - self.zero_ns) * self.fps.numerator // (self.fps.denominator * SECOND_NS) // self.frames

    def due_ns(self, frame: int, at_ns: int) -> int:
        """When a frame is due, in the turn of the piece that is under way at `at_ns`."""
        number = self.turn_at(at_ns) * self.frames + frame
        return self.zero_ns - (-number * self.fps.denominator * SECOND_NS // self.fps.numerator)

    def later(self, by_ns: int) -> Picture:
        """The same, so much later."""
        return replace(self, zero_ns=self.zero_ns + by_ns)


@dataclass(frozen=True, slots=True)
class Mix:
    """What was shown before and fades away under what is shown now, from all of the level at `from_ns` to nothing."""

    picture: Picture
    from_ns: int
    until_ns: int

    def share_at(self, at_ns: int) -> float:
        """Its share 0..1 of the level at an instant."""
        return (self.until_ns - at_ns) / (self.until_ns - self.from_ns)


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of time `[from_ns, until_ns)` in which one thing is shown, at a level that runs in a straight line.

    `picture` None is black, or with `look` (0..255) that one level on every channel. `level_from` and
    `level_until` are the brightness 0..1 at both ends, `sound_from` and `sound_until` what sound is allowed there.
    """

    from_ns: int
    until_ns: int
    state: State
    reasons: tuple[Reason, ...]
    show: str | None = None
    picture: Picture | None = None
    look: int = 0
    level_from: float = 0.0
    level_until: float = 0.0
    sound: bool = False
    sound_from: float = 0.0
    sound_until: float = 0.0
    mix: Mix | None = None

    def level_at(self, at_ns: int) -> float:
        """The brightness 0..1 at an instant within the segment."""
        share = (at_ns - self.from_ns) / (self.until_ns - self.from_ns)
        return self.level_from + (self.level_until - self.level_from) * share

    def sound_at(self, at_ns: int) -> float:
        """What sound is allowed, 0..1, at an instant within the segment."""
        share = (at_ns - self.from_ns) / (self.until_ns - self.from_ns)
        return self.sound_from + (self.sound_until - self.sound_from) * share


@dataclass(frozen=True, slots=True)
class Score:
    """Segments that follow each other without a gap from `from_ns` to `until_ns`."""

    from_ns: int
    until_ns: int
    segments: tuple[Segment, ...]
