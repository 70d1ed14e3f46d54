"""Test patterns, frame by frame: what each lights, and nothing else."""

from __future__ import annotations

import numpy as np
import pytest

from gloaming.shows.framefile.reader import Frames
from gloaming.shows.rig.model import Fixture, Rig
from gloaming.shows.rig.pattern_names import KINDS
from gloaming.shows.rig.patterns import (
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
    pattern = Pattern("pixel", only=("ridge",), number=37)
    assert pattern.still == 36
    assert lit(frames("pixel", only=("ridge",))[36]) == [108, 109, 110]


def test_a_pixel_in_the_second_universe_is_found_there() -> None:
    assert lit(frames("pixel", only=("ridge",))[170]) == [510, 511, 512]


def test_every_pixel_of_a_string_is_a_frame_of_one_file() -> None:
    slots = sent_slots(RIG, ())
    ridge = [Pattern("pixel", only=("ridge",), number=number) for number in (1, 37, 200)]
    assert len({digest(one, RIG, slots) for one in ridge}) == 1
    assert digest(Pattern("pixel", only=("eaves",), number=1), RIG, slots) != digest(ridge[0], RIG, slots)
    drawn = frames("pixel")
    assert len(drawn) == 200
    assert lit(drawn[9]) == [27, 28, 29, 627, 628, 629, *range(786, 789)]  # white is R, G and B of the star


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


def test_universes_that_ddp_does_not_send_are_passed_over() -> None:
    """Nothing hangs on universes 2 and 4."""
    left = {"name": "left", "universes": "1-4", "host": "192.0.2.21", "protocol": "ddp"}
    strings = [{"name": str(n), "controller": "left", "universe": n, "pixels": 50} for n in (1, 3)]
    rig = Rig.model_validate({"controller": [left], "string": strings})
    assert Pattern("universes").universes(rig) == (1, 3)
    assert [lit(frame) for frame in frames("universes", rig)[::2]] == [list(range(150)), list(range(150, 300))]


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


LAMPS = Rig.model_validate(
    {
        "controller": [{"name": "left", "universes": "1"}, {"name": "mast", "universes": "2"}],
        "string": [
            {"name": "gable", "controller": "left", "universe": 1, "pixels": 2, "order": "W", "port": 3},
            {"name": "porch", "controller": "left", "universe": 1, "slot": 11, "pixels": 2, "order": "RGBWA"},
            {"name": "bow", "controller": "left", "universe": 1, "slot": 21, "pixels": 2, "order": "BRGW", "port": 3},
            {"name": "keel", "controller": "left", "universe": 1, "slot": 31, "pixels": 1, "order": "WRGBW"},
        ],
        "fixture": [
            {
                "name": "lamp",
                "controller": "mast",
                "universe": 2,
                "slot": 1,
                "channels": ["dimmer", "red", "green", "blue", "strobe", "fog", "other"],
            },
            {"name": "bulb", "controller": "mast", "universe": 2, "slot": 11, "channels": ["dimmer"]},
            {
                "name": "flood",
                "controller": "mast",
                "universe": 2,
                "slot": 21,
                "channels": ["white", "dimmer", "strobe"],
            },
            {"name": "sodium", "controller": "left", "universe": 1, "slot": 41, "channels": ["amber", "dimmer"]},
        ],
    }
)
"""Universe 1 has slots 1 to 42, bytes 0 to 41; universe 2 begins at byte 42."""


BEGINS = {"gable": 0, "porch": 10, "bow": 20, "keel": 30, "sodium": 40, "lamp": 42, "bulb": 52, "flood": 62}
WIDTHS = {"gable": 1, "porch": 5, "bow": 4, "keel": 5, "sodium": 2, "lamp": 7, "bulb": 1, "flood": 3}


@pytest.mark.parametrize(
    ("colour", "parts"),
    [
        ("red", {"porch": [1], "bow": [2], "keel": [2], "lamp": [1, 2]}),
        ("green", {"porch": [2], "bow": [3], "keel": [3], "lamp": [1, 3]}),
        (
            "white",
            {
                "gable": [1],
                "porch": [1, 2, 3],
                "bow": [1, 2, 3],
                "keel": [2, 3, 4],
                "lamp": [1, 2, 3, 4],
                "bulb": [1],
                "flood": [1, 2],
            },
        ),
        ("w", {"gable": [1], "porch": [4], "bow": [4], "keel": [1, 5], "flood": [1, 2]}),
        ("amber", {"porch": [5], "sodium": [1, 2]}),
        (
            "all",
            {
                "gable": [1],
                "porch": [1, 2, 3, 4, 5],
                "bow": [1, 2, 3, 4],
                "keel": [1, 2, 3, 4, 5],
                "lamp": [1, 2, 3, 4],
                "bulb": [1],
                "flood": [1, 2],
                "sodium": [1, 2],
            },
        ),
    ],
)
def test_a_colour_lights_its_channels_of_each_order_and_of_each_fixture_and_their_dimmers(
    colour: str, parts: dict[str, list[int]]
) -> None:
    """Of the first pixel of each string. A strobe, fog and other channels stay dark."""
    (frame,) = frames("colour", LAMPS, colour=colour)
    found = {name: [at + 1 for at in lit(frame[first : first + WIDTHS[name]])] for name, first in BEGINS.items()}
    assert {name: slots for name, slots in found.items() if slots} == parts


def test_each_colour_of_a_rig_comes_in_turn_and_no_other() -> None:
    assert frame_count(Pattern("colours"), LAMPS) == 6 * 4
    assert frame_count(Pattern("colours", only=("gable",)), LAMPS) == 2 * 4  # white, then w
    assert frame_count(Pattern("colours", fixture="bulb"), LAMPS) == 4
    (frame,) = {tuple(lit(frame)) for frame in frames("colours", LAMPS, fixture="sodium")}
    assert frame == (40, 41)


def test_a_string_of_white_alone_shows_where_it_is_and_where_its_ends_are() -> None:
    assert lit(frames("strings", LAMPS, only=("gable",))[0]) == [0, 1]
    assert lit(frames("ends", LAMPS, only=("gable",))[0]) == [0, 1]


def test_a_port_or_a_fixture_alone() -> None:
    assert lit(frames("colour", LAMPS, port="3 of left", colour="w")[0]) == [0, 1, 23, 27]
    assert lit(frames("colour", LAMPS, fixture="lamp", colour="red")[0]) == [42, 43]
    assert lit(frames("universe", LAMPS, number=2, fixture="lamp")[0]) == [42, 43, 44, 45]
    assert lit(frames("universe", LAMPS, number=1, port="3 of left")[0]) == [0, 1, *range(20, 28)]
    mast = lit(frames("colour", LAMPS, controller="mast")[0])
    assert mast == [42, 43, 44, 45, 52, 62, 63]
    assert Pattern("colour", port="3 of left").text == "colour, white of port 3 of left"
    assert Pattern("ramp", fixture="lamp").text == "ramp, white of fixture lamp"


def test_a_ramp_of_a_fixture_is_straight_its_dimmer_stays_at_full() -> None:
    drawn = frames("ramp", LAMPS, fixture="lamp", colour="red")
    assert set(drawn[1:, 42]) == {255}
    assert (drawn[:, 43] == frames("ramp")[:, 0]).all()
    bulb = frames("ramp", LAMPS, fixture="bulb")[:, 52]
    assert (bulb == frames("ramp")[:, 0]).all()


def test_patterns_of_pixels_light_no_fixture() -> None:
    for kind in ("pixel", "walk", "ends"):
        assert not frames(kind, LAMPS, number=1)[:, 40:].any()


def test_a_pattern_has_a_text() -> None:
    assert Pattern("pixel", only=("ridge",), number=37).text == "pixel 37, white of string ridge"
    assert Pattern("ends").text == "ends of the whole rig"
