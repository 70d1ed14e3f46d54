"""Changes the frame rate, and maps levels by a curve. The length stays.

No frames are blended: every new frame is one of the source.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction

import numpy as np

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile.reader import Frames
from gloaming.shows.framefile.source import FrameSource


def paced(length_s: Fraction, fps: Fraction) -> tuple[int, Fraction]:
    """How many frames fill a length at about a rate, and the exact rate.

    The exact rate is at most `fps`, and lower by less than one frame in the whole length.
    """
    frames = max(1, int(length_s * fps))
    return frames, (frames / length_s).limit_denominator(1_000_000)


def picks(starts_s: Sequence[Fraction], frames: int, fps: Fraction) -> Iterator[int]:
    """For each new frame, the picture that is on in the middle of its time. `starts_s` rise from 0."""
    at = 0
    for frame in range(frames):
        middle_s = (frame + Fraction(1, 2)) / fps
        while at + 1 < len(starts_s) and starts_s[at + 1] <= middle_s:
            at += 1
        yield at


def held(pictures: Iterable[tuple[int, Frames]], wanted: Iterable[int]) -> Iterator[Frames]:
    """For each number wanted, the picture with that number or the last one before it. Numbers rise."""
    coming = iter(pictures)
    current = next(coming, None)
    following = next(coming, None)
    for number in wanted:
        while following is not None and following[0] <= number:
            current, following = following, next(coming, None)
        if current is not None:
            yield current[1]


def resampled(source: FrameSource, source_fps: Fraction, fps: Fraction) -> tuple[FrameSource, Fraction]:
    """A source at about another rate, and the exact rate. The source has a number of frames."""
    if source_fps == fps:
        return source, fps
    assert source.frames is not None  # every source that has no rate of its own has a number of frames
    count, exact = paced(source.frames / source_fps, fps)
    singles = (block[number : number + 1] for block in source.blocks for number in range(len(block)))
    middles = (int((frame + Fraction(1, 2)) / exact * source_fps) for frame in range(count))
    return FrameSource(source.slots, count, exact, held(enumerate(singles), middles)), exact


def curve(text: str) -> np.ndarray | None:
    """A table of 256 levels for a curve as a person writes it: `srgb` (IEC 61966-2-1), or a power such as `2.2`.

    It maps a picture's values for a screen to levels in proportion to light. None for `1`, which changes nothing.
    """
    values = np.arange(256) / 255
    if text == "srgb":
        light = np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)
    else:
        try:
            power = float(text)
        except ValueError:
            power = 0.0
        if not 0.1 <= power <= 10:
            raise input_error("--gamma", f"{text!r} is not a curve", "write srgb, or a power such as 2.2")
        if power == 1:
            return None
        light = values**power
    table: np.ndarray = np.rint(light * 255).astype(np.uint8)
    return table


def undone(table: np.ndarray | None) -> np.ndarray | None:
    """The inverse table: from levels of light to values for a screen."""
    if table is None:
        return None
    back: np.ndarray = np.rint(np.interp(np.arange(256), table, np.arange(256))).astype(np.uint8)
    back[0] = 0
    return back


def shaded(source: FrameSource, table: np.ndarray | None) -> FrameSource:
    """A source whose levels are mapped by a table of 256. None changes nothing."""
    if table is None:
        return source
    return FrameSource(source.slots, source.frames, source.fps, (table[block] for block in source.blocks))
