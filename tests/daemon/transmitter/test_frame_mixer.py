"""Slots that no brightness scales, and pixels that were cut out."""

from __future__ import annotations

import random
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gloaming.daemon.score.setup import CutString
from gloaming.daemon.score.windows import Windows
from gloaming.daemon.transmitter.frame_mixer import FULL, FrameMixer, Layer
from gloaming.shows.framefile.reader import FrameFileInfo, Universe
from gloaming.shows.rig.zones import Spans
from tests.daemon.transmitter.player_harness import UTC_NS, A, FakeSender, PlayerHarness, film
from tests.daemon.transmitter.process_harness import SECOND_NS, segment, universe

STROBE: Spans = ((1, 4, 5),)
"""Slots 1 to 3 are light, 4 and 5 a strobe and fog."""


def layer(mixer: FrameMixer, brightness: int, *values: int, name: str = "tide") -> Layer:
    info = FrameFileInfo(Path(name), Fraction(40), 1, len(values), (Universe(1, len(values), 0),))
    return Layer(brightness, mixer.place(info), np.array(values, np.uint8))


@pytest.mark.parametrize("brightness", [1, 64, 255, 256])
def test_a_strobe_and_fog_are_sent_as_the_frame_has_them_at_any_brightness(brightness: int) -> None:
    mixer = FrameMixer({1: 5}, STROBE)
    mixed = mixer.mix(layer(mixer, brightness, 200, 100, 0, 41, 42))
    assert mixed.tolist() == [(200 * brightness + 127) >> 8, (100 * brightness + 127) >> 8, 0, 41, 42]


def test_they_are_0_at_level_0_and_in_a_look_and_where_the_file_has_no_such_slot() -> None:
    mixer = FrameMixer({1: 5}, STROBE)
    assert mixer.mix(layer(mixer, 0, 200, 100, 0, 41, 42)).tolist() == [0] * 5
    assert mixer.mix(Layer(FULL, look=90)).tolist() == [90, 90, 90, 0, 0]
    assert mixer.mix(layer(mixer, 128, 200, 100, 0, 41, name="short")).tolist() == [100, 50, 0, 41, 0]
    assert mixer.mix(layer(mixer, 256, 200, 100, 0, 41, name="short")).tolist() == [200, 100, 0, 41, 0]


@pytest.mark.parametrize(("first", "other", "strobe"), [(156, 100, [41, 42]), (128, 128, [41, 42]), (100, 156, [7, 8])])
def test_in_a_cross_fade_they_are_those_of_the_brighter_picture(first: int, other: int, strobe: list[int]) -> None:
    mixer = FrameMixer({1: 5}, STROBE)
    tide, bells = layer(mixer, first, 0, 0, 0, 41, 42), layer(mixer, other, 0, 0, 0, 7, 8, name="bells")
    assert mixer.mix(tide, bells).tolist() == [0, 0, 0, *strobe]


def test_a_rig_without_fixtures_and_cuts_is_sent_from_the_cache_without_a_copy() -> None:
    mixer = FrameMixer({1: 5})
    shown = layer(mixer, FULL, 1, 2, 3, 4, 5)
    assert shown.frame is not None
    assert np.shares_memory(mixer.mix(shown), shown.frame)
    fixtures = FrameMixer({1: 5}, STROBE)
    shown = layer(fixtures, FULL, 1, 2, 3, 4, 5)
    assert shown.frame is not None
    assert np.shares_memory(fixtures.mix(shown), shown.frame)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 256), st.randoms(use_true_random=False))
def test_pixels_that_were_cut_out_are_left_out_and_those_after_them_move_up(
    brightness: int, dice: random.Random
) -> None:
    """Against NumPy's `delete`, for a string over two universes with other slots before and after it."""
    width, pixels, before = dice.randint(1, 5), dice.randint(1, 12), dice.randint(0, 4)
    missing = tuple(dice.sample(range(1, pixels + 1), dice.randint(0, pixels)))
    size = before + width * pixels
    first = dice.randint(1, size)  # slots of universe 1
    slots = {1: first, 2: size - first + 3}
    spans = [(1, before + 1, first)] if first > before else []
    spans += [(2, max(0, before - first) + 1, size - first)] if size > first else []
    mixer = FrameMixer(slots, (), [CutString(tuple(spans), width, missing)])
    file = FrameFileInfo(Path("tide"), Fraction(40), 1, size + 3, (Universe(1, first, 0), Universe(2, slots[2], first)))
    frame = np.array([dice.randint(0, 255) for _ in range(size + 3)], np.uint8)
    sent = mixer.mix(Layer(brightness, mixer.place(file), frame)).copy()
    scaled = (frame.astype(int) * brightness + 127) >> 8
    string = scaled[before:size].reshape(pixels, width)
    hung = np.delete(string, np.array(missing, int) - 1, axis=0).ravel()
    assert sent[:before].tolist() == scaled[:before].tolist()
    assert sent[before : before + len(hung)].tolist() == hung.tolist()
    assert not sent[before + len(hung) : size].any()
    assert sent[size:].tolist() == scaled[size:].tolist()


def test_the_limiter_gets_what_is_on_the_wire() -> None:
    mixer = FrameMixer({1: 6}, (), [CutString(((1, 1, 6),), 3, (1,))])
    limited: list[list[int]] = []
    mixer.limit = lambda frame, at_ns: limited.append(frame.tolist())
    shown = layer(mixer, FULL, 1, 2, 3, 4, 5, 6)
    mixer.mix(shown)
    assert limited == [[4, 5, 6, 0, 0, 0]]
    assert shown.frame is not None
    assert shown.frame.tolist() == [1, 2, 3, 4, 5, 6], "the mixer writes to no frame"
    mixer.mix(Layer(FULL, look=255))
    assert limited[1] == [255] * 3 + [0] * 3


def test_a_cut_of_a_string_that_the_setup_does_not_have_changes_nothing() -> None:
    mixer = FrameMixer({1: 6}, ((2, 1, 5), (1, 7, 9)), [CutString(((1, 4, 6), (2, 1, 3)), 3, (1,))])
    assert mixer.mix(layer(mixer, 128, 2, 2, 2, 2, 2, 2)).tolist() == [1] * 6


LEVELS = st.lists(st.sampled_from([0.0, 0.001, 0.2, 0.7, 1.0]), min_size=2, max_size=6)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(levels=LEVELS, dark=st.integers(0, 11), look=st.integers(0, 11))
def test_whatever_plays_a_strobe_is_never_above_0_while_the_light_is_off(
    sender: FakeSender, levels: list[float], dark: int, look: int
) -> None:
    """Segments with gaps between them, a look and a dark window, a quarter of a second each.

    Slot 1 is a strobe. Frames have 200 in each slot, so slot 2 is above 0 at any brightness but 0.
    """
    sender.now_ns = 0
    harness = PlayerHarness(sender, universe(1, A, slots=2), unscaled=[[1, 1, 1]])
    harness.read_ahead.scale = 200
    step = SECOND_NS // 4
    segments = []
    for at, ends in enumerate(pairwise(levels)):
        from_ns, until_ns = 2 * at * step, (2 * at + 1) * step
        one = segment(from_ns, until_ns, ends, look=200) if 2 * at == look else film(from_ns, until_ns, ends)
        segments.append(one)
    harness.score(*segments)
    begin_ns, end_ns = dark * step, (dark + 1) * step
    harness.dark((begin_ns, end_ns))
    for at_ns, _, packet in harness.play(2 * len(levels) * step):
        strobe, light = packet[126:128]
        off = not light or begin_ns <= at_ns < end_ns or at_ns // step == look
        assert strobe == (0 if off else 200)


def test_in_dim_hours_the_light_is_lower_and_the_strobe_is_not(sender: FakeSender) -> None:
    harness = PlayerHarness(sender, universe(1, A, slots=2), unscaled=[[1, 1, 1]])
    harness.read_ahead.scale = 200
    harness.score(film(0, 2 * SECOND_NS))
    dim = [[UTC_NS + SECOND_NS, UTC_NS + 2 * SECOND_NS, 0.25, 1.0, "rule", None]]
    assert harness.player.windows
    harness.player.windows = Windows.from_json({**harness.player.windows.to_json(), "windows": dim})
    packets = harness.play(2 * SECOND_NS)
    assert {tuple(packet[126:128]) for at_ns, _, packet in packets if at_ns < SECOND_NS} == {(200, 200)}
    assert {tuple(packet[126:128]) for at_ns, _, packet in packets if at_ns >= SECOND_NS} == {(200, 50)}
