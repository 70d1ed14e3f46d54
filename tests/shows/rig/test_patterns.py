"""Test patterns, frame by frame: what each lights, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from gloaming.shows.framefile.reader import Frames
from gloaming.shows.rig.model import Fixture, Rig
from gloaming.shows.rig.patterns import (
    KINDS,
    RAMP_FRAMES,
    Pattern,
    blocks,
    digest,
    frame_count,
    frame_rate,
)
from gloaming.shows.rig.wire import sent_slots

RIG = Rig.model_validate(
    {
        "controller": [{"name": "left", "universes": "1-3"}, {"name": "mast", "universes": "7"}],
        "string": [
            {"name": "ridge", "controller": "left", "universe": 1, "pixels": 200},
            {"name": "eaves", "controller": "left", "universe": 3, "pixels": 50, "order": "GRB"},
            {"name": "star", "controller": "mast", "universe": 7, "pixels": 10, "order": "RGBW"},
        ],
    }
)
SIZE = 510 + 90 + 150 + 40
EAVES, STAR = slice(600, 750), slice(750, 790)


def frames(kind: str, rig: Rig = RIG, **more: object) -> Frames:
    return np.concatenate(list(blocks(Pattern(kind, **more), rig, sent_slots(rig, ()))))  # type: ignore[arg-type]  # a test's short hand


def lit(frame: Frames) -> list[int]:
    return [int(at) for at in np.flatnonzero(frame)]


@pytest.mark.parametrize("kind", KINDS)
def test_every_pattern_has_the_frames_it_says(kind: str) -> None:
    number = {"pixel": 5, "universe": 3}.get(kind)
    drawn = frames(kind, number=number)
    assert drawn.shape == (frame_count(Pattern(kind, number=number), RIG), SIZE)
    assert drawn.any()


def test_pixel_37_of_the_ridge_and_no_other() -> None:
    assert lit(frames("pixel", only=("ridge",), number=37)[0]) == [108, 109, 110]


def test_a_pixel_in_the_second_universe_is_found_there() -> None:
    assert lit(frames("pixel", only=("ridge",), number=171)[0]) == [510, 511, 512]


def test_a_colour_lands_on_the_channel_that_the_string_has_for_it() -> None:
    found = frames("colour", colour="red")[0]
    assert lit(found[:600]) == list(range(0, 600, 3))
    assert lit(found[EAVES]) == list(range(1, 150, 3))
    assert lit(found[STAR]) == list(range(0, 40, 4))
    assert lit(frames("colour", colour="w")[0]) == list(range(753, 790, 4))
    assert lit(frames("colour", colour="all", only=("star",))[0]) == list(range(750, 790))


def test_the_walk_lights_one_pixel_of_each_string_after_the_other() -> None:
    drawn = frames("walk", only=("ridge", "star"))
    assert len(drawn) == 200
    assert lit(drawn[0]) == [0, 1, 2, 750, 751, 752]
    assert lit(drawn[9]) == [27, 28, 29, 786, 787, 788]
    assert lit(drawn[10]) == [30, 31, 32]  # the star is at its end


def test_a_walk_passes_over_pixels_that_were_cut_out_and_the_ends_are_those_that_hang() -> None:
    cut = RIG.string[1].model_copy(update={"missing": (1, 3, 50)})
    rig = Rig(controller=RIG.controller, string=(cut,))
    drawn = frames("walk", rig)[:, 1024:1174]  # universe 3, after two of 512 slots
    assert len(drawn) == 47
    assert [lit(frame)[0] // 3 + 1 for frame in drawn[:3]] == [2, 4, 5]
    assert lit(frames("ends", rig)[0, 1024:1174]) == [3, 145]  # GRB: green of pixel 2, red of pixel 49
    assert digest(Pattern("walk"), rig, rig.slots) != digest(Pattern("walk"), RIG, rig.slots)


def test_universes_of_a_fixture_leave_its_strobe_and_fog_dark() -> None:
    lamp = {"name": "lamp", "controller": "mast", "universe": 7, "slot": 41, "channels": ["dimmer", "strobe", "red"]}
    rig = Rig(controller=RIG.controller, string=RIG.string, fixture=(Fixture.model_validate(lamp),))
    assert lit(frames("universe", rig, number=7)[0]) == [*range(750, 791), 792]


def test_the_ends_are_green_and_red() -> None:
    assert lit(frames("ends", only=("eaves",))[0]) == [600, 748]  # GRB: green first, red second


def test_every_string_has_a_colour_of_its_own() -> None:
    found = frames("strings")[0]
    seen = [tuple(found[:3] > 0), tuple(found[600:603][[1, 0, 2]] > 0), tuple(found[750:753] > 0)]
    assert seen == [(True, False, False), (False, True, False), (False, False, True)]


def test_universes_come_one_after_the_other_a_second_each() -> None:
    drawn = frames("universes")
    assert [lit(drawn[2 * at])[0] for at in range(4)] == [0, 510, 600, 750]
    assert (drawn[::2] == drawn[1::2]).all()
    assert all(frame_rate(Pattern(kind)) == 2 for kind in KINDS if kind != "ramp")
    assert lit(frames("universe", number=7)[0]) == list(range(750, 790))


def test_universes_on_one_string_leave_its_neighbour_in_the_same_universe_dark() -> None:
    neighbour = RIG.string[1].model_copy(update={"name": "porch", "universe": 2, "slot": 91})
    rig = RIG.model_copy(update={"string": (*RIG.string, neighbour)})
    assert [lit(frame)[-1] for frame in frames("universes", rig, only=("ridge",))[::2]] == [509, 599]
    assert lit(frames("universe", rig, number=2, only=("porch",))[0]) == list(range(600, 750))
    assert len(frames("universes", rig, only=("ridge", "porch"))) == 4  # two universes, the shared one once


def test_one_controller_alone() -> None:
    assert lit(frames("colour", controller="mast")[0])[0] == 750
    assert frame_count(Pattern("universes", controller="mast"), RIG) == 2


def test_the_ramp_goes_from_dark_to_full_and_back() -> None:
    levels = frames("ramp")[:, 0].astype(int)
    assert (levels[0], levels[RAMP_FRAMES // 2], levels.max()) == (0, 255, 255)
    assert (np.abs(np.diff(levels)) <= 2).all()


def test_each_colour_stands_two_seconds() -> None:
    drawn = frames("colours", only=("star",))[:, STAR]
    assert [[int(slot > 0) for slot in drawn[4 * turn][:4]] for turn in range(5)] == [
        [1, 0, 0, 0],
        [0, 1, 0, 0],
        [0, 0, 1, 0],
        [1, 1, 1, 0],
        [0, 0, 0, 1],
    ]


def test_a_pattern_that_was_rendered_is_known_again() -> None:
    slots = dict(RIG.slots)
    assert digest(Pattern("walk"), RIG, slots) == digest(Pattern("walk"), RIG, slots)
    assert digest(Pattern("walk"), RIG, slots) != digest(Pattern("walk", only=("ridge",)), RIG, slots)
    assert digest(Pattern("walk"), RIG, slots) != digest(Pattern("walk"), RIG, slots | {7: 512})
    other = RIG.model_copy(update={"string": RIG.string[:2]})
    assert digest(Pattern("walk"), RIG, slots) != digest(Pattern("walk"), other, slots)


def test_a_pattern_has_a_text() -> None:
    assert Pattern("pixel", only=("ridge",), number=37).text == "pixel 37, white of string ridge"
    assert Pattern("ends").text == "ends of the whole rig"
