"""Flashes against an independent implementation: the filter `photosensitivity` of FFmpeg (libavfilter, as PyAV has it).

Its measure is its own, not WCAG's: it adds up how much the picture changes over the last second, a flash counting as
much as its cut to white does (measured here, first of all). So at whole rates the two can be held against each other:
what comes to four such flashes within a second is what WCAG forbids.
"""

from __future__ import annotations

from fractions import Fraction

import av
import av.filter
import numpy as np
import numpy.typing as npt
import pytest

from gloaming.shows.analysis.pieces import GENERAL
from tests.shows.analysis.test_flashes import PIXELS, judged, rules

Levels = npt.NDArray[np.uint8]
SIDE_PX = 64


def badness(levels: Levels, fps: int) -> float:
    """The most that the filter finds in a sequence of plain grey pictures."""
    graph = av.filter.Graph()
    source = graph.add_buffer(width=SIDE_PX, height=SIDE_PX, format="rgb24", time_base=Fraction(1, fps))
    judge = graph.add("photosensitivity", f"frames={fps}:bypass=1")
    sink = graph.add("buffersink")
    source.link_to(judge)
    judge.link_to(sink)
    graph.configure()
    most = 0.0
    for number, level in enumerate(levels):
        picture = av.VideoFrame.from_ndarray(np.full((SIDE_PX, SIDE_PX, 3), level, np.uint8), format="rgb24")
        picture.pts, picture.time_base = number, Fraction(1, fps)
        graph.push(picture)
        metadata = graph.pull().metadata
        most = max(most, float(metadata["lavfi.photosensitivity.badness"]))
    return most


def square(per_s: int, fps: int) -> Levels:
    at = np.arange(5 * fps) / fps
    return np.where((at * per_s) % 1 < 0.5, 255, 0).astype(np.uint8)


@pytest.mark.parametrize("fps", [20, 25, 40])
@pytest.mark.parametrize("per_s", [1, 2, 3, 4, 5, 8])
def test_whole_rates_are_judged_alike(per_s: int, fps: int) -> None:
    flash = badness(np.array([0, 0, 255, 255], np.uint8), fps)
    levels = square(per_s, fps)
    ours = GENERAL in rules(judged(np.repeat(levels[:, None], PIXELS * 3, axis=1), fps))
    assert ours == (badness(levels, fps) >= 4 * flash) == (per_s > 3)
