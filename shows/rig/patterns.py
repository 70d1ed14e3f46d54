"""Test patterns for a rig, as pure functions: which slots are lit in which frame.

Lit slots are at full. The player sets the brightness.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from hashlib import sha256

import numpy as np

from gloaming.shows.framefile.layout import bytes_of
from gloaming.shows.framefile.reader import Frames, Universe
from gloaming.shows.framefile.source import universes_of
from gloaming.shows.rig.model import PixelString, Rig
from gloaming.shows.rig.wire import places_on_wire, unscaled

SLOW, SMOOTH = Fraction(2), Fraction(40)
"""Frames a second. A still pattern is sent often enough for a receiver (E1.31 6.7.1: 2.5 s)."""
HOLD = 4
"""How many frames, at the slow rate, each colour stays: two seconds."""
RAMP_FRAMES = 320
BLOCK_BYTES = 4_000_000
COLOURS = {"red": "R", "green": "G", "blue": "B", "white": "RGB", "all": "RGBW", "w": "W"}
"""The channels that each colour lights. "w" is the white channel of RGBW alone."""
KINDS = {
    "colour": "one colour on every pixel",
    "colours": "red, green, blue and white in turn, two seconds each",
    "pixel": "one pixel of every string, by its number",
    "walk": "one pixel after another on every string: two a second, or faster to finish the longest string in time",
    "ends": "the first pixel of every string green, the last one red",
    "strings": "every string in its own colour",
    "universes": "one universe after another, one second each",
    "universe": "one universe",
    "ramp": "from dark to full and back, in eight seconds",
}
NUMBERED = {"pixel", "universe"}
COLOURED = {"colour", "pixel", "walk", "ramp"}
_HUES = ("R", "G", "B", "RG", "GB", "RB", "RGB")


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern on the whole rig, on one controller or on some strings.

    `number` is the number of the pixel or of the universe. A walk passes `a_second` pixels in a second.
    """

    kind: str
    controller: str | None = None
    only: tuple[str, ...] = ()
    colour: str = "white"
    number: int | None = None
    a_second: int = int(SLOW)

    @property
    def text(self) -> str:
        """The pattern in words: "pixel 37, white, of string ridge"."""
        what = f"{self.kind} {self.number}" if self.number is not None else self.kind
        colour = f", {self.colour}" if self.kind in COLOURED else ""
        several = "strings" if len(self.only) > 1 else "string"
        where = f"{several} {', '.join(self.only)}" if self.only else ""
        where = where or (f"controller {self.controller}" if self.controller else "the whole rig")
        pace = f", {self.a_second} pixels a second" if self.a_second != SLOW else ""
        return f"{what}{colour} of {where}{pace}"

    def strings(self, rig: Rig) -> tuple[PixelString, ...]:
        """The strings that show the pattern."""
        return tuple(
            one
            for one in rig.string
            if (not self.only or one.name in self.only) and self.controller in (None, one.controller)
        )

    def universes(self, rig: Rig) -> tuple[int, ...]:
        """The universes that show the pattern."""
        if self.only:
            return tuple(sorted({universe for one in self.strings(rig) for universe, _, _ in one.spans()}))
        return tuple(n for n in sorted(rig.controller_of) if self.controller in (None, rig.controller_of[n].name))


def frame_rate(pattern: Pattern) -> Fraction:
    """The frame rate of a pattern, in frames a second."""
    return {"ramp": SMOOTH, "walk": Fraction(pattern.a_second)}.get(pattern.kind, SLOW)


def paced(pattern: Pattern, rig: Rig, length_s: float) -> Pattern:
    """A walk that finishes its longest string in `length_s`, if the frame rate allows it. Others stay as they are."""
    if pattern.kind != "walk":
        return pattern
    needed = math.ceil(frame_count(pattern, rig) / length_s)
    return replace(pattern, a_second=min(max(int(SLOW), needed), int(SMOOTH)))


def walked(pattern: Pattern, rig: Rig, frames: int) -> int:
    """The number of the pixel that a walk has reached after so many frames, on the string with the most pixels."""
    longest = max(pattern.strings(rig), key=lambda one: one.hung)
    return int(np.flatnonzero(places_on_wire(longest) >= 0)[min(frames, longest.hung) - 1]) + 1


def frame_count(pattern: Pattern, rig: Rig) -> int:
    """How many frames a pattern has before it repeats."""
    strings = pattern.strings(rig)
    return {
        "colours": HOLD * len(_turns(strings)),
        "walk": max((one.hung for one in strings), default=1),
        "universes": 2 * max(1, len(pattern.universes(rig))),
        "ramp": RAMP_FRAMES,
    }.get(pattern.kind, 1)


def digest(pattern: Pattern, rig: Rig, slots: Mapping[int, int]) -> str:
    """A text that is equal for patterns with equal frames. `slots` are those of each universe that are sent."""
    strings = [(one.name, one.controller, tuple(one.spans()), one.order, one.missing) for one in rig.string]
    return sha256(repr((2, pattern, tuple(slots.items()), strings)).encode()).hexdigest()[:16]


def blocks(pattern: Pattern, rig: Rig, slots: Mapping[int, int]) -> Iterator[Frames]:
    """All frames of universes with so many `slots`, in blocks `(frames, frame_bytes) uint8`."""
    universes = universes_of(slots)
    size = sum(one.slots for one in universes)
    count = frame_count(pattern, rig)
    step = max(1, BLOCK_BYTES // size)
    for first in range(0, count, step):
        frames = np.zeros((min(step, count - first), size), np.uint8)
        _draw(pattern, rig, first, frames, {one.number: one for one in universes})
        yield frames


def _draw(pattern: Pattern, rig: Rig, first: int, frames: Frames, universes: dict[int, Universe]) -> None:
    if pattern.kind in ("universes", "universe"):
        _by_universe(pattern, rig, first, frames, universes)
        return
    strings = pattern.strings(rig)
    own = {string.name: number for number, string in enumerate(rig.string)}
    for string in strings:
        places = _places(string, universes)
        hung = places[places_on_wire(string) >= 0]
        match pattern.kind:
            case "colour":
                _light(frames, places, string, pattern.colour)
            case "colours":
                for turn, colour in enumerate(_turns(strings)):
                    rows = slice(max(0, turn * HOLD - first), max(0, (turn + 1) * HOLD - first))
                    _light(frames[rows], places, string, colour)
            case "pixel":
                at = (pattern.number or 1) - 1
                _light(frames, places[at : at + 1], string, pattern.colour)
            case "walk":
                for row in range(len(frames)):
                    at = first + row
                    _light(frames[row : row + 1], hung[at : at + 1], string, pattern.colour)
            case "ends":
                _light(frames, hung[:1], string, "green")
                _light(frames, hung[-1:], string, "red")
            case "strings":
                _light_channels(frames, places, string, _HUES[own[string.name] % len(_HUES)])
            case "ramp":
                share = np.arange(first, first + len(frames)) * 2 / RAMP_FRAMES
                level = np.round(255 * (1 - np.abs(share - 1))).astype(np.uint8)
                _light(frames, places, string, pattern.colour, level[:, None, None])
            case _:
                raise ValueError(f"there is no pattern {pattern.kind!r}")


def _by_universe(pattern: Pattern, rig: Rig, first: int, frames: Frames, universes: dict[int, Universe]) -> None:
    numbers = pattern.universes(rig)
    spans = [span for one in pattern.strings(rig) for span in one.spans()] if pattern.only else None
    for row in range(len(frames)):
        number = pattern.number if pattern.kind == "universe" else numbers[(first + row) // 2]
        one = universes[number or 0]
        for at, begin, end in [(one.number, 1, one.slots)] if spans is None else spans:
            if at == one.number:
                frames[row, one.offset + begin - 1 : one.offset + end] = 255
    frames[:, bytes_of(unscaled(rig), universes)] = 0


def _turns(strings: tuple[PixelString, ...]) -> tuple[str, ...]:
    white = any("W" in one.order for one in strings)
    return ("red", "green", "blue", "white", "w") if white else ("red", "green", "blue", "white")


def _places(string: PixelString, universes: dict[int, Universe]) -> np.ndarray:
    """The byte of a frame for each channel of each pixel, `(pixels, channels)`."""
    return bytes_of(string.spans(), universes).reshape(string.pixels, len(string.order))


def _light(frames: Frames, places: np.ndarray, string: PixelString, colour: str, level: int | Frames = 255) -> None:
    _light_channels(frames, places, string, COLOURS[colour], level)


def _light_channels(
    frames: Frames, places: np.ndarray, string: PixelString, channels: str, level: int | Frames = 255
) -> None:
    at = [string.order.index(channel) for channel in channels if channel in string.order]
    if at and len(frames):
        frames[:, places[:, at]] = level
