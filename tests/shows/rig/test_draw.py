"""What strings draw and share, worked by hand, and the spans of pixels that hang against a plain count."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gloaming.shows.rig.draw import Feed, MainsWatts, fed_volts, feeds, hung_spans, idle_ma, mains_w_per_ma, slot_ma
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import PixelString

RIG = """[[controller]]
name = "left"
universes = "1-4"
brightness = 0.3
[[controller]]
name = "right"
universes = "5"
[[supply]]
name = "box"
volts = 12
amps = 29
[[port]]
controller = "left"
number = 3
fuse_a = 5
supply = "box"
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 150
missing = [37, 40]
port = 3
[[string]]
name = "eaves"
controller = "left"
universe = 2
pixels = 100
idle_ma = 0.5
port = 3
[[string]]
name = "door"
controller = "right"
universe = 5
pixels = 50
ma_per_channel = 12
fuse_a = 4
supply = "box"
[[string]]
name = "loose"
controller = "left"
universe = 3
pixels = 10
port = 7
[[fixture]]
name = "lamp"
controller = "left"
universe = 4
slot = 1
channels = ["dimmer"]
watts = 60
supply = "box"
[[fixture]]
name = "flood"
controller = "left"
universe = 4
slot = 2
channels = ["dimmer"]
supply = "box"
"""


def test_a_string_draws_what_its_controller_leaves_of_its_light_and_its_idle_current(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG, encoding="utf-8")
    rig = load_rig(tmp_path / "rig.toml")
    assert slot_ma(rig) == pytest.approx((6, 6, 12, 6))
    assert [idle_ma(string) for string in rig.string] == [148, 50, 50, 10]


def test_the_mains_give_what_a_supply_loses_too(tmp_path: Path) -> None:
    """12 V of a supply that gives 0.85 of what it takes: 14.1 mW for 1 mA. The last string has 5 V of its own."""
    path = tmp_path / "rig.toml"
    text = RIG.replace("number = 3", "number = 3\nvolts = 12").replace("pixels = 10", "pixels = 10\nvolts = 5")
    path.write_text(text, encoding="utf-8")
    rig = load_rig(path)
    assert fed_volts(rig) == (12, 12, 12, 5)
    assert mains_w_per_ma(rig) == pytest.approx([0.012 / 0.85] * 3 + [0.005 / 0.85])
    path.write_text(text.replace('supply = "box"', ""), encoding="utf-8")
    assert fed_volts(load_rig(path)) == (12, 12, None, 5)
    assert MainsWatts(light=20.0, idle=3.0).at(0.5) == 13


def test_strings_share_their_port_and_their_supply_also_that_of_their_port(tmp_path: Path) -> None:
    """60 W at 12 V are 5 A. The dark pixels of the box draw 148 + 50 + 50 mA."""
    path = tmp_path / "rig.toml"
    path.write_text(RIG, encoding="utf-8")
    assert feeds(load_rig(path)) == (
        Feed("string", "door", "rig.toml:31", (2,), 4000, 50),
        Feed("port", "3 of left", "rig.toml:12", (0, 1), 5000, 198),
        Feed("port", "7 of left", "rig.toml:39", (3,), None, 10),
        Feed("supply", "box", "rig.toml:8", (0, 1, 2), 29_000, 5248),
    )


@given(
    st.integers(1, 60),
    st.sampled_from(["W", "RGB", "RGBW"]),
    st.integers(1, 20),
    st.integers(20, 60),
    st.sets(st.integers(1, 60)),
)
def test_the_spans_of_pixels_that_hang_are_the_slots_of_all_but_the_missing(
    pixels: int, order: str, slot: int, per_universe: int, missing: set[int]
) -> None:
    gone = tuple(number for number in missing if number <= pixels)
    string = PixelString(
        name="ridge", universe=1, slot=slot, pixels=pixels, order=order, slots_per_universe=per_universe, missing=gone
    )
    every = [(universe, at) for universe, first, last in string.spans() for at in range(first, last + 1)]
    expected = [each for number, each in enumerate(every) if number // len(order) + 1 not in gone]
    spans = list(hung_spans(string))
    assert [(universe, at) for universe, first, last in spans for at in range(first, last + 1)] == expected
    assert len(spans) <= len(list(string.spans())) + len(gone)
