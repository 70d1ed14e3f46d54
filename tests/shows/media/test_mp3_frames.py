"""Holes in MP3 files: they are found by the headers of the frames, for any damage."""

from __future__ import annotations

from functools import cache
from io import BytesIO

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.shows.media.mp3_frames import mend_holes

RATE = 44_100


@cache
def mp3(rate_hz: int = RATE, channels: int = 2) -> bytes:
    """Three seconds of noise."""
    file = BytesIO()
    noise = np.random.default_rng(1).normal(0, 0.1, (rate_hz * 3, channels))
    soundfile.write(file, noise, rate_hz, format="MP3")
    return file.getvalue()


@pytest.mark.parametrize(("rate_hz", "channels"), [(RATE, 2), (48_000, 1), (22_050, 2), (8_000, 1)])
def test_a_whole_file_has_no_holes_and_one_with_a_hole_is_as_long_as_it_was(rate_hz: int, channels: int) -> None:
    whole = mp3(rate_hz, channels)
    assert mend_holes(whole) is None
    place = len(whole) // 2
    mended = mend_holes(whole[:place] + bytes(800) + whole[place + 800 :])
    assert mended and len(mended.holes) == 1
    assert 1.2 < mended.holes[0][0] < mended.holes[0][1] < 2.2
    samples, rate = soundfile.read(BytesIO(mended.content))
    assert len(samples) / rate == pytest.approx(3, abs=0.06)


damages = st.lists(
    st.tuples(st.integers(0, 60_000), st.integers(1, 9000), st.sampled_from(["zeros", "ones", "gone", "twice"])),
    max_size=6,
)


@settings(deadline=None)
@given(damages, st.integers(0, 60_000))
def test_the_holes_of_any_damage_are_possible_times(damages: list[tuple[int, int, str]], end: int) -> None:
    content = bytearray(mp3()[:end])
    for place, size, kind in damages:
        there = content[place : place + size]
        changed = {"zeros": bytes(len(there)), "ones": b"\xff" * len(there), "gone": b"", "twice": there * 2}
        content[place : place + size] = changed[kind]
    mended = mend_holes(bytes(content))
    for begin_s, end_s in mended.holes if mended else ():
        assert 0 <= begin_s < end_s
