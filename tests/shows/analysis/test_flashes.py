"""Flashes, judged by the definitions of W3C WCAG 2.2, 2.3.1 ("general flash and red flash thresholds",
https://www.w3.org/TR/WCAG22/#dfn-general-flash-and-red-flash-thresholds) and of WCAG 2.1 (the same entry there)."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.shows.analysis.areas import Flashing
from gloaming.shows.analysis.flashes import chromaticity
from gloaming.shows.analysis.pieces import GENERAL, RED, RED_21, Judge
from gloaming.shows.framefile.reader import FrameFileInfo, Universe
from gloaming.shows.rig.model import Rig

Colour = tuple[int, int, int]
BLACK, WHITE = (0, 0, 0), (255, 255, 255)
PIXELS = 100


def rig(**more: object) -> Rig:
    string = {"name": "ridge", "controller": "left", "universe": 1, "pixels": PIXELS, **more}
    return Rig.model_validate({"controller": [{"name": "left", "universes": "1"}], "string": [string]})


def judged(frames: npt.NDArray[np.uint8], fps: int, of: Rig | None = None) -> tuple[Flashing, ...]:
    """Frames `(frames, PIXELS * 3)` through the judge, in blocks of seven frames."""
    slots = frames.shape[1]
    info = FrameFileInfo(Path("x"), Fraction(fps), len(frames), slots, (Universe(1, slots, 0),))
    judge = Judge(info, of or rig(), 7)
    judge.add(np.ascontiguousarray(frames))
    return judge.flashing()


def flashing(
    first: Colour, second: Colour, per_s: float, fps: int = 40, seconds: float = 6, pixels: int = PIXELS
) -> npt.NDArray[np.uint8]:
    """Black for a second, then `first` and `second` in turn, then `first`; all pixels past `pixels` stay white."""
    at = np.arange(round(fps * (seconds + 2))) / fps - 1
    second_now = (at >= 0) & (at < seconds) & ((at * per_s) % 1 < 0.5)
    frames = np.empty((len(at), PIXELS, 3), np.uint8)
    frames[:] = np.where(second_now[:, None, None], np.array(second), np.array(first))
    frames[:, pixels:] = WHITE
    frames[:fps] = first
    return frames.reshape(len(at), -1)


def grey(share: float) -> Colour:
    level = round(share * 255)
    return level, level, level


def rules(found: tuple[Flashing, ...]) -> set[str]:
    return {one.rule for one in found if one.kind == "rig"}


@pytest.mark.parametrize("fps", [20, 25, 40])
def test_three_flashes_a_second_pass_and_four_do_not(fps: int) -> None:
    assert GENERAL not in rules(judged(flashing(BLACK, WHITE, 3, fps), fps))
    assert GENERAL in rules(judged(flashing(BLACK, WHITE, 4, fps), fps))


@pytest.mark.parametrize("fps", [20, 25, 40])
def test_a_single_burst_of_three_passes_and_one_of_four_does_not(fps: int) -> None:
    assert not judged(flashing(BLACK, WHITE, 3 / 0.9, fps, seconds=0.9), fps)
    assert rules(judged(flashing(BLACK, WHITE, 4 / 0.9, fps, seconds=0.9), fps)) == {GENERAL}


@pytest.mark.parametrize("fps", [20, 25, 40])
def test_four_flashes_pass_where_the_last_begins_a_second_after_the_first(fps: int) -> None:
    assert not judged(flashing(BLACK, WHITE, 4 / 1.4, fps, seconds=1.4), fps)
    assert rules(judged(flashing(BLACK, WHITE, 4 / 1.2, fps, seconds=1.2), fps)) == {GENERAL}


STROBES_HZ = [Fraction(hundredths, 100) for hundredths in (290, 300, 305, 310, 320, 330, 340, 350, 400)]


def strobe(colour: Colour, per_s: Fraction, fps: Fraction, lit: Fraction) -> npt.NDArray[np.uint8]:
    """Twelve seconds of a steady strobe that is lit for a share of its period, in exact arithmetic."""
    on = [(number * per_s / fps) % 1 < lit for number in range(int(12 * fps))]
    return (
        np.where(np.array(on)[:, None, None], np.array(colour), 0)
        .astype(np.uint8)
        .repeat(PIXELS, 1)
        .reshape(len(on), -1)
    )


@pytest.mark.parametrize("fps", [20, 25, 30, 40, 50, 60])
@pytest.mark.parametrize("lit", [Fraction(1, 2), Fraction(1, 4)])
@pytest.mark.parametrize("per_s", STROBES_HZ, ids=lambda per_s: f"{float(per_s):g} Hz")
def test_a_steady_strobe_above_three_flashes_a_second_is_found(per_s: Fraction, lit: Fraction, fps: int) -> None:
    """WCAG 2.2, 2.3.1: nothing flashes "more than three times in any one second period". Its definition of the
    thresholds allows "no more than three general flashes and / or no more than three red flashes within any one-second
    period", a flash being a pair of opposing changes. Above 3 Hz there is a second in which a fourth flash begins."""
    for colour, wanted in ((WHITE, {GENERAL}), ((100, 0, 0), {RED, RED_21})):
        found = rules(judged(strobe(colour, per_s, Fraction(fps), lit), fps))
        assert found == (wanted if per_s > 3 else set()), colour


def test_a_change_of_nine_percent_passes_and_one_of_eleven_does_not() -> None:
    assert not judged(flashing(grey(0.3), grey(0.39), 5), 40)
    assert rules(judged(flashing(grey(0.3), grey(0.41), 5), 40)) == {GENERAL}


def test_it_counts_only_where_the_darker_state_is_below_eighty_percent() -> None:
    assert rules(judged(flashing(grey(0.79), grey(0.95), 5), 40)) == {GENERAL}
    assert not judged(flashing(grey(0.81), grey(0.95), 5), 40)


def test_a_quarter_of_the_area_passes_and_more_does_not() -> None:
    assert GENERAL not in rules(judged(flashing(BLACK, WHITE, 5, pixels=24), 40))
    assert GENERAL not in rules(judged(flashing(BLACK, WHITE, 5, pixels=25), 40))
    found = judged(flashing(BLACK, WHITE, 5, pixels=26), 40)
    assert [(one.area, one.share) for one in found] == [("ridge", 0.26), ("the whole rig", 0.26)]


def test_pixels_that_never_light_up_are_no_area() -> None:
    frames = flashing(BLACK, WHITE, 5, pixels=20).reshape(-1, PIXELS, 3)
    frames[:, 60:] = 0
    assert [one.share for one in judged(frames.reshape(len(frames), -1), 40)] == [20 / 60, 20 / 60]


@pytest.mark.parametrize("other", [BLACK, (0, 0, 255)])
@pytest.mark.parametrize("fps", [20, 25, 40])
def test_saturated_red_to_black_and_to_blue_is_a_red_flash(other: Colour, fps: int) -> None:
    """(100, 0, 0) has a luminance of 8 %, so that no general flash is in it."""
    assert rules(judged(flashing(other, (100, 0, 0), 4, fps), fps)) == {RED, RED_21}
    assert not judged(flashing(other, (100, 0, 0), 3, fps), fps)


def test_a_red_that_is_not_saturated_makes_no_red_flash() -> None:
    """R/(R+G+B): 200/250 is 0.8, 196/250 is less."""
    assert rules(judged(flashing(BLACK, (200, 25, 25), 5), 40)) >= {RED, RED_21}
    assert rules(judged(flashing(BLACK, (196, 27, 27), 5), 40)) == {GENERAL}


def test_the_two_definitions_of_a_red_flash_differ_where_they_differ() -> None:
    """Red to orange: (R-G-B)x320 changes by 100, but u'v' by 0.16. A faint red: by 19 only."""
    assert rules(judged(flashing((255, 80, 0), (255, 0, 0), 5), 40)) == {GENERAL, RED_21}
    assert rules(judged(flashing(BLACK, (15, 0, 0), 5), 40)) == {RED}
    assert rules(judged(flashing(BLACK, (16, 0, 0), 5), 40)) == {RED, RED_21}


def test_primaries_have_their_place_in_the_cie_1976_diagram() -> None:
    """x, y of the primaries and of D65: ITU-R BT.709-6, 1.3 and 1.4.

    u' = 4x/(-2x+12y+3), v' = 9y/(-2x+12y+3): CIE 15.
    """
    xy = {(255, 0, 0): (0.64, 0.33), (0, 255, 0): (0.30, 0.60), (0, 0, 255): (0.15, 0.06), WHITE: (0.3127, 0.3290)}
    u, v = chromaticity(np.array(list(xy), np.float32).T)
    for at, (x, y) in enumerate(xy.values()):
        whole = -2 * x + 12 * y + 3
        assert (u[at], v[at]) == pytest.approx((4 * x / whole, 9 * y / whole), abs=2e-4)


def test_slow_fades_and_a_cut_are_no_flashes() -> None:
    ramp = (127.5 - 127.5 * np.cos(np.arange(400) / 400 * 2 * np.pi * 10 * 2.9)).astype(np.uint8)
    assert not judged(np.repeat(ramp[:, None], PIXELS * 3, axis=1), 40)
    assert not judged(flashing(BLACK, WHITE, 0.1), 40)


def test_the_seconds_of_flashes_are_reported() -> None:
    frames = np.concatenate([np.zeros((400, PIXELS * 3), np.uint8), flashing(BLACK, WHITE, 5, seconds=2)])
    assert {one.seconds for one in judged(frames, 40)} == {(11, 12, 13)}


def test_a_string_with_white_pixels_of_its_own_flashes_as_well() -> None:
    frames = np.zeros((200, PIXELS * 4), np.uint8)
    frames[np.arange(200) // 4 % 2 == 1, 3::4] = 255
    assert rules(judged(frames, 40, rig(order="RGBW"))) == {GENERAL}


def test_ten_degrees_of_view_are_judged_if_pixels_have_positions() -> None:
    """A metre of a hundred-metre string: little of the whole, but all of the view nearby."""
    found = judged(flashing(BLACK, WHITE, 5, pixels=24), 40, rig(line=[[0, 0], [99, 0]], group="roof"))
    assert {one.kind for one in found} == set()
    near = Rig.model_validate(
        {
            "controller": [{"name": "left", "universes": "1"}],
            "string": [{"name": "r", "controller": "left", "universe": 1, "pixels": 100, "line": [[0, 0], [6.9, 0]]}],
        }
    )
    found = judged(flashing(BLACK, WHITE, 5, pixels=24), 40, near)
    assert {one.kind for one in found} == {"view"}
    assert max(one.share for one in found) > 0.9


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 255), min_size=1, max_size=120), st.sampled_from([10, 20, 25]))
def test_it_judges_as_a_plain_reading_of_the_definition_does(levels: list[int], fps: int) -> None:
    frames = np.repeat(np.array(levels, np.uint8)[:, None], PIXELS * 3, axis=1)
    times = transitions([0.0, *(level / 255 for level in levels)])
    wanted = any(times[at + 6] - times[at] < fps for at in range(len(times) - 6))
    assert (GENERAL in rules(judged(frames, fps))) == wanted


def transitions(light: list[float]) -> list[int]:
    """The frames at which opposing changes of 0.1 or more are complete, the darker below 0.8; plain and slow."""
    found, turn, rising = [], 0, True
    for now in range(1, len(light)):
        since = range(turn, now)
        for before in since:
            low, high = sorted((light[before], light[now]))
            opposes = light[now] > light[before] if rising else light[now] < light[before]
            if opposes and min(high, 0.9) - min(low, 0.9) >= 0.1 - 1e-9 and low < 0.8:
                found.append(now - 1)
                turn, rising = now, not rising
                break
    return found
