"""Sources of frames, and writing them to frame files: rate, universes, blocks.

A source returns frames block by block, so nothing is held in memory whole.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile.layout import CHUNK_BYTES_MAX, fps_problem
from gloaming.shows.framefile.reader import Frames, FrameWriter, Universe, max_refresh_hz
from gloaming.shows.protocols.e131 import SLOTS_MAX, UNIVERSE_MAX
from gloaming.shows.rig.values import read_universes

SLOTS = 510  # 170 pixels of three colours: common practice, no source

Progress = Callable[[int, int | None], None]
"""Gets the frames done, and the frames in all if known."""


@dataclass(frozen=True, slots=True)
class FrameSource:
    """Frames to come. `blocks` are arrays `(n, slots) uint8`. `frames` and `fps` are None if not yet known."""

    slots: int
    frames: int | None
    fps: Fraction | None
    blocks: Iterable[Frames]


def parse_fps(text: str, key: str = "--fps") -> Fraction:
    """A frame rate as a person writes it: `25`, `29.97`, `30000/1001`."""
    try:
        if not re.fullmatch(r"[0-9]{1,9}([.][0-9]{1,9}|/[0-9]{1,9})?", text, re.ASCII):
            raise ValueError
        fps = Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise input_error(key, f"{text!r} is not a frame rate", "write 25, 29.97 or 30000/1001") from None
    if problem := fps_problem(fps):
        raise input_error(key, problem)
    return fps


def parse_universes(text: str, key: str = "--universes") -> tuple[int, ...]:
    """Universe numbers as a person writes them: `1`, `1-13`, `1-4,8`; each 1..63999 (E1.31), none twice."""
    try:
        return read_universes(text)
    except ValueError as error:
        raise input_error(key, str(error)) from None


def lay_out(text: str, frame_bytes: int, slots: int = SLOTS, key: str = "--universes") -> tuple[Universe, ...]:
    """The universes that carry a frame of `frame_bytes`: `slots` in each, the rest in the last.

    A single number in `text` is the first of as many as needed. A range or a list must fit exactly.
    """
    if not 1 <= slots <= SLOTS_MAX:
        raise input_error("--slots", f"{slots} slots do not fit in a universe", f"E1.11 has 1 to {SLOTS_MAX}")
    numbers = parse_universes(text, key)
    needed = -(-frame_bytes // slots)
    if len(numbers) == 1:
        numbers = tuple(range(numbers[0], numbers[0] + needed))
        if numbers[-1] > UNIVERSE_MAX:
            problem = f"{needed} universes from {numbers[0]} on would end at {numbers[-1]}"
            raise input_error(key, problem, f"E1.31 has universes 1 to {UNIVERSE_MAX}")
    if len(numbers) != needed:
        problem = f"{text!r} is {len(numbers)} universes, but {frame_bytes} slots fill {needed} universes of {slots}"
        raise input_error(key, problem)
    offsets = range(0, frame_bytes, slots)
    return tuple(
        Universe(number, min(slots, frame_bytes - offset), offset)
        for number, offset in zip(numbers, offsets, strict=True)
    )


def universes_of(slots: Mapping[int, int]) -> tuple[Universe, ...]:
    """Universes one after another in a frame. `slots` maps numbers to slots."""
    universes, offset = [], 0
    for number, length in slots.items():
        universes.append(Universe(number, length, offset))
        offset += length
    return tuple(universes)


def refresh_warning(fps: Fraction, universes: Iterable[Universe]) -> str | None:
    """A warning for a rate that no DMX512 line can carry, or None (E1.31 6.6.1 and E1.11)."""
    most = max(universe.slots for universe in universes)
    if fps <= max_refresh_hz(most):
        return None
    return (
        f"{float(fps):g} frames a second is more than the {max_refresh_hz(most):.1f} a second that E1.11 allows for"
        f" {most} slots, and E1.31 6.6.1 forbids a source to send faster"
    )


def blocks_of(array: Frames) -> Iterator[Frames]:
    """An array in blocks of a few MiB, each a copy in memory."""
    step = max(1, CHUNK_BYTES_MAX // array.shape[1])
    for first in range(0, len(array), step):
        yield np.ascontiguousarray(array[first : first + step])


def write_source(
    source: FrameSource,
    out: Path,
    fps: Fraction,
    universes: Iterable[Universe],
    progress: Progress | None = None,
    rig: str = "",
) -> int:
    """Write a source to the frame file `out`. Returns the number of frames. `rig` is as of `FrameWriter`."""
    done = 0
    with FrameWriter(out, fps, tuple(universes), crash_safe=False, rig=rig) as writer:
        for block in source.blocks:
            writer.write(block)
            done += len(block)
            if progress:
                progress(done, source.frames)
    return done
