"""Orders of every kind are judged: white alone, five channels, white twice; and pixels that were cut out."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from gloaming.shows.analysis.areas import Flashing
from gloaming.shows.analysis.pieces import GENERAL, RED, Judge
from gloaming.shows.framefile.reader import FrameFileInfo, Universe
from gloaming.shows.rig.model import Rig


def flashing(order: str, *colours: tuple[int, ...], missing: tuple[int, ...] = ()) -> set[tuple[str, str]]:
    """The rules and kinds of area by which two strings of 4 pixels flash: the colours in turn for two seconds.

    They change at 16 times a second, so they make 8 flashes a second. The second string stays at full.
    """
    string = {"controller": "left", "universe": 1, "pixels": 4, "order": order}
    strings = [{"name": "a", **string, "missing": missing}, {"name": "b", **string, "slot": 4 * len(order) + 1}]
    rig = Rig.model_validate({"controller": [{"name": "left", "universes": "1"}], "string": strings})
    slots = 8 * len(order)
    frames: npt.NDArray[np.uint8] = np.full((32, slots), 255, np.uint8)
    for number in range(32):
        frames[number, : slots // 2] = colours[number % len(colours)] * 4
    info = FrameFileInfo(Path("x"), Fraction(16), len(frames), slots, (Universe(1, slots, 0),))
    judge = Judge(info, rig, 7)
    judge.add(frames)
    found: tuple[Flashing, ...] = judge.flashing()
    return {(one.rule, one.area) for one in found if one.rule in (GENERAL, RED)}


ALL = {(GENERAL, "a"), (GENERAL, "the whole rig")}


@pytest.mark.parametrize(
    ("order", "lit"),
    [
        ("W", (200,)),
        ("WRGB", (200, 0, 0, 0)),
        ("RGBWW", (0, 0, 0, 200, 0)),
        ("RGBWW", (0, 0, 0, 0, 200)),
        ("ARGBW", (200, 0, 0, 0, 0)),
    ],
)
def test_each_channel_of_white_and_amber_flashes_by_itself(order: str, lit: tuple[int, ...]) -> None:
    assert flashing(order, lit, (0,) * len(order)) == ALL


@pytest.mark.parametrize(("level", "found"), [(44, set()), (45, ALL)])
def test_amber_is_as_bright_as_red_and_half_of_green(level: int, found: set[tuple[str, str]]) -> None:
    """WCAG 2.2: R 0.2126 and G 0.7152 of relative luminance, so amber has 0.5702 of white (common practice, no source).

    A flash is a change of 10 % of the maximum: 0.1 / 0.5702 x 255 = 44.7.
    """
    assert flashing("RGBWA", (0, 0, 0, 0, level), (0,) * 5) == found


def test_two_whites_of_a_pixel_add_up() -> None:
    """Each is 9.4 % of full, together 18.8 %."""
    assert flashing("RGBWW", (0, 0, 0, 24, 0), (0,) * 5) == set()
    assert flashing("RGBWW", (0, 0, 0, 24, 24), (0,) * 5) == ALL


def test_red_flashes_are_red_in_any_order_and_white_or_amber_beside_it_makes_it_paler() -> None:
    """WCAG 2.2: a saturated red has R / (R + G + B) of 0.8 at least. Amber adds half as much green as red."""
    assert (RED, "a") in flashing("AWBGR", (0, 0, 0, 0, 255), (0,) * 5)
    assert (RED, "a") not in flashing("AWBGR", (0, 255, 0, 0, 255), (0,) * 5)
    assert (RED, "a") not in flashing("AWBGR", (255, 0, 0, 0, 0), (0,) * 5)
    assert (RED, "a") not in flashing("RGBWW", (255, 0, 0, 0, 255), (0,) * 5)


def test_a_pixel_that_was_cut_out_does_not_flash() -> None:
    """The frames flash on all four pixels of a string. Where none of them hangs, nothing flashes."""
    assert flashing("RGB", (200,) * 3, (0,) * 3) == ALL
    assert flashing("RGB", (200,) * 3, (0,) * 3, missing=(1, 2, 3, 4)) == set()


def test_a_string_of_white_alone_hangs_beside_one_that_flashes_red() -> None:
    """The red of one string is looked for in the pixels of all orders."""
    strings = [
        {"name": "a", "controller": "left", "universe": 1, "pixels": 4},
        {"name": "b", "controller": "left", "universe": 1, "slot": 13, "pixels": 4, "order": "W"},
    ]
    rig = Rig.model_validate({"controller": [{"name": "left", "universes": "1"}], "string": strings})
    frames = np.zeros((32, 16), np.uint8)
    frames[::2, :12:3] = 255
    judge = Judge(FrameFileInfo(Path("x"), Fraction(16), 32, 16, (Universe(1, 16, 0),)), rig, 7)
    judge.add(frames)
    assert (RED, "a") in {(one.rule, one.area) for one in judge.flashing()}
