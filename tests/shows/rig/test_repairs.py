"""Marks on the rig, in words; and what rig.toml needs for a pixel that was cut out."""

from __future__ import annotations

from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.repairs import Fault, Repair

RIG = Rig.model_validate(
    {
        "controller": [{"name": "left", "universes": "1-2"}],
        "string": [{"name": "ridge", "controller": "left", "universe": 1, "pixels": 150, "missing": [12, 90]}],
        "fixture": [{"name": "lamp", "controller": "left", "universe": 2, "slot": 1, "channels": ["dimmer"]}],
    }
)


def mark(part: str = "ridge", pixel: int | None = None, fault: Fault = Fault.DEAD, note: str = "") -> Repair:
    return Repair(1, part, pixel, fault, note, 0, "Nan")


def test_a_mark_says_where_and_what() -> None:
    assert (mark(pixel=37).place, mark(pixel=37).what) == ("ridge, pixel 37", "dead")
    assert mark(fault=Fault.CUT_OUT, note="behind the gutter").what == "cut out, behind the gutter"
    assert mark(fault=Fault.LOOK, note="it flickers").what == "it flickers"
    assert (mark().place, mark(fault=Fault.LOOK).what) == ("ridge", "to be looked at")


def test_a_mark_on_what_is_not_in_the_rig_any_more_says_so() -> None:
    assert mark().absence(RIG) is None
    assert mark(pixel=150).absence(RIG) is None
    assert mark("lamp").absence(RIG) is None
    assert mark("eaves").absence(RIG) == "eaves is not in the rig any more"
    assert mark(pixel=151).absence(RIG) == "ridge has no pixel 151 any more"
    assert mark("lamp", 1).absence(RIG) == "lamp has no pixel 1 any more"


def test_a_pixel_that_was_cut_out_suggests_the_line_for_rig_toml() -> None:
    hint = "if the next pixel has moved up: write missing = [12, 37, 90] into string ridge of rig.toml"
    assert mark(pixel=37, fault=Fault.CUT_OUT).hint(RIG) == hint
    assert mark(pixel=90, fault=Fault.CUT_OUT).hint(RIG) is None, "it is there"
    for other in (mark(pixel=37), mark(fault=Fault.CUT_OUT), mark("eaves", 1, Fault.CUT_OUT)):
        assert other.hint(RIG) is None
