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
from gloaming.shows.rig.model import Fixture, PixelString, Rig, port_name
from gloaming.shows.rig.pattern_names import COLOURS
from gloaming.shows.rig.wire import places_on_wire, sent_slots, unscaled
from gloaming.shows.rig.zones import Spans, parts_in

SLOW, SMOOTH = Fraction(2), Fraction(40)
"""Frames a second. A still pattern is sent often enough for a receiver (E1.31 6.7.1: 2.5 s)."""
HOLD = 4
"""How many frames, at the slow rate, each colour stays: two seconds."""
RAMP_FRAMES = 320
BLOCK_BYTES = 4_000_000
NUMBERED = {"pixel", "universe"}
OF_PIXELS = {"pixel", "walk", "ends"}
BY_UNIVERSE = {"universe", "universes"}
COLOURED = {"colour", "pixel", "walk", "ramp"}
TURNS = ("red", "green", "blue", "white", "w", "amber")
_HUES = ("R", "G", "B", "RG", "GB", "RB", "RGB")
_LETTERS = {"dimmer": "D", "red": "R", "green": "G", "blue": "B", "white": "W", "amber": "A"}
Shown = PixelString | Fixture


@dataclass(frozen=True, slots=True)
class Pattern:
    """A pattern on the whole rig, on one zone, one controller, one port, some strings or one fixture.

    `number` is the number of the pixel or of the universe. A walk passes `a_second` pixels in a second. `spans` are the
    slots of the zone.
    """

    kind: str
    controller: str | None = None
    only: tuple[str, ...] = ()
    colour: str = "white"
    number: int | None = None
    a_second: int = int(SLOW)
    port: str | None = None
    fixture: str | None = None
    zone: str | None = None
    spans: Spans = ()

    @property
    def file(self) -> Pattern:
        """The pattern whose frames are rendered. A single pixel is one frame of a file that has all of them."""
        return replace(self, number=None) if self.kind == "pixel" else self

    @property
    def still(self) -> int | None:
        """The frame of `file` that stays; None if its frames move."""
        return (self.number or 1) - 1 if self.kind == "pixel" else None

    @property
    def text(self) -> str:
        """The pattern in words: "pixel 37, white, of string ridge"."""
        what = f"{self.kind} {self.number}" if self.number is not None else self.kind
        colour = f", {self.colour}" if self.kind in COLOURED else ""
        several = "strings" if len(self.only) > 1 else "string"
        where = f"{several} {', '.join(self.only)}" if self.only else "the whole rig"
        for kind in ("controller", "port", "fixture", "zone"):
            if name := getattr(self, kind):
                where = f"{kind} {name}"
        pace = f", {self.a_second} pixels a second" if self.a_second != SLOW else ""
        return f"{what}{colour} of {where}{pace}"

    def shows(self, one: Shown) -> bool:
        """Whether a string or a fixture shows the pattern. A fixture has no pixels."""
        if isinstance(one, Fixture) and self.kind in OF_PIXELS:
            return False
        if self.zone:
            return bool(parts_in(self.spans, {one.name: tuple(one.spans())}))
        if isinstance(one, Fixture):
            return one.name == self.fixture if self.is_part else self.controller in (None, one.controller)
        if self.port:
            return one.port is not None and port_name(one.controller, one.port) == self.port
        return one.name in self.only if self.is_part else self.controller in (None, one.controller)

    def strings(self, rig: Rig) -> tuple[PixelString, ...]:
        """The strings that show the pattern."""
        return tuple(one for one in rig.string if self.shows(one))

    def shown(self, rig: Rig) -> tuple[Shown, ...]:
        """The strings and fixtures that show the pattern."""
        return (*self.strings(rig), *(one for one in rig.fixture if self.shows(one)))

    @property
    def is_part(self) -> bool:
        """Whether only some slots of its universes show the pattern."""
        return bool(self.only or self.port or self.fixture or self.zone)

    def universes(self, rig: Rig) -> tuple[int, ...]:
        """The universes that show the pattern. Those that are not sent do not."""
        if self.is_part:
            return tuple(sorted({universe for one in self.shown(rig) for universe, _, _ in one.spans()}))
        return tuple(n for n in sent_slots(rig, ()) if self.controller in (None, rig.controller_of[n].name))


def letters_of(one: Shown) -> str:
    """The colours of a pixel or of a fixture, in the order of its slots. D is a dimmer, - is no light."""
    return one.order if isinstance(one, PixelString) else "".join(_LETTERS.get(name, "-") for name in one.channels)


def lit_by(colour: str, one: Shown) -> bool:
    """Whether a colour lights anything of a string or a fixture."""
    return bool(_channels(COLOURS[colour], letters_of(one))[0])


def _channels(wanted: str, letters: str) -> tuple[list[int], list[int]]:
    """The channels that are lit for the `wanted` letters, and the dimmers that these need.

    Without red, green and blue the white channel stands for all three of them. Without any colour the dimmer does.
    """
    if set("RGB") <= set(wanted) and not set("RGB") <= set(letters):
        wanted += "W" if set("RGBWA") & set(letters) else "D"
    lit = [at for at, letter in enumerate(letters) if letter in wanted]
    return lit, [at for at, letter in enumerate(letters) if letter == "D" and lit and at not in lit]


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
    return {
        "colours": HOLD * len(_turns(pattern, rig)),
        "walk": max((one.hung for one in pattern.strings(rig)), default=1),
        "pixel": max((one.pixels for one in pattern.strings(rig)), default=1),
        "universes": 2 * max(1, len(pattern.universes(rig))),
        "ramp": RAMP_FRAMES,
    }.get(pattern.kind, 1)


def digest(pattern: Pattern, rig: Rig, slots: Mapping[int, int]) -> str:
    """A text that is equal for patterns with equal frames. `slots` are those of each universe that are sent."""
    strings = [(pattern.shows(one), tuple(one.spans()), one.order, one.missing) for one in rig.string]
    fixtures = [(pattern.shows(one), tuple(one.spans()), one.channels) for one in rig.fixture]
    universes = pattern.universes(rig)
    return sha256(repr((4, pattern.file, tuple(slots.items()), universes, strings, fixtures)).encode()).hexdigest()[:16]


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
    if pattern.kind in BY_UNIVERSE:
        _by_universe(pattern, rig, first, frames, universes)
        return
    turns = _turns(pattern, rig)
    everything: tuple[Shown, ...] = (*rig.string, *rig.fixture)
    for own, one in enumerate(everything):
        if not pattern.shows(one):
            continue
        pixels = bytes_of(one.spans(), universes).reshape(-1, len(letters_of(one)))
        hung = pixels[places_on_wire(one) >= 0] if isinstance(one, PixelString) else pixels
        colour = COLOURS[pattern.colour]
        match pattern.kind:
            case "colour":
                _light(frames, pixels, one, colour)
            case "colours":
                for turn, name in enumerate(turns):
                    rows = slice(max(0, turn * HOLD - first), max(0, (turn + 1) * HOLD - first))
                    _light(frames[rows], pixels, one, COLOURS[name])
            case "pixel" | "walk":
                passed = pixels if pattern.kind == "pixel" else hung
                for row in range(len(frames)):
                    at = first + row
                    _light(frames[row : row + 1], passed[at : at + 1], one, colour)
            case "ends":
                _light(frames, hung[:1], one, _or_white("G", one))
                _light(frames, hung[-1:], one, _or_white("R", one))
            case "strings":
                _light(frames, pixels, one, _or_white(_HUES[own % len(_HUES)], one))
            case "ramp":
                share = np.arange(first, first + len(frames)) * 2 / RAMP_FRAMES
                level = np.round(255 * (1 - np.abs(share - 1))).astype(np.uint8)
                _light(frames, pixels, one, colour, level[:, None, None])
            case _:
                raise ValueError(f"there is no pattern {pattern.kind!r}")


def _by_universe(pattern: Pattern, rig: Rig, first: int, frames: Frames, universes: dict[int, Universe]) -> None:
    numbers = pattern.universes(rig)
    spans = [span for one in pattern.shown(rig) for span in one.spans()] if pattern.is_part else None
    for row in range(len(frames)):
        number = pattern.number if pattern.kind == "universe" else numbers[(first + row) // 2]
        one = universes[number or 0]
        for at, begin, end in [(one.number, 1, one.slots)] if spans is None else spans:
            if at == one.number:
                frames[row, one.offset + begin - 1 : one.offset + end] = 255
    frames[:, bytes_of(unscaled(rig), universes)] = 0


def _turns(pattern: Pattern, rig: Rig) -> tuple[str, ...]:
    shown = pattern.shown(rig)
    return tuple(name for name in TURNS if any(lit_by(name, one) for one in shown))


def _or_white(wanted: str, one: Shown) -> str:
    return wanted if set(wanted) <= set(letters_of(one)) else COLOURS["white"]


def _light(frames: Frames, pixels: np.ndarray, one: Shown, wanted: str, level: int | Frames = 255) -> None:
    """Light some letters of pixels `(pixels, channels)`, bytes of a frame. A dimmer that they need is at full."""
    lit, dimmers = _channels(wanted, letters_of(one))
    if lit and len(frames):
        frames[:, pixels[:, dimmers]] = 255
        frames[:, pixels[:, lit]] = level
