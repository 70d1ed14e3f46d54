"""The live view: which pixels are drawn, where, and with which slots."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from gloaming.api.http.live_view import DOTS_MAX, Layout
from gloaming.daemon.site.load import load_site
from tests.api.house import write_site

RIG = """[[controller]]
name = "left"
host = "127.0.77.2"
universes = "1-40"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 3
order = "GRB"
points = [[0.0, 0.0], [2.0, 4.0], [4.0, 0.0]]

[[string]]
name = "door"
controller = "left"
universe = 2
slot = 5
pixels = 2
order = "RGBW"
slots_per_universe = 8
"""


def layout(folder: Path, more: str = "", ridge: str = "") -> Layout:
    site = write_site(folder)
    (site / "rig.toml").write_text(RIG.replace('order = "GRB"\n', f'order = "GRB"\n{ridge}\n') + more, encoding="utf-8")
    return Layout(load_site(site))


def test_each_pixel_is_picked_in_red_green_blue_and_white_across_the_end_of_a_universe(tmp_path: Path) -> None:
    found = layout(tmp_path)
    assert found.picks == [*range(512, 521), 1028, 1029, 1030, 1031, 1536, 1537, 1538, 1539]
    levels = np.array([10, 20, 30, 0, 0, 0, 0, 0, 0, 1, 2, 3, 100, 9, 0, 0, 250], np.uint8)
    assert found.colours(levels).tolist() == [[20, 10, 30], [0] * 3, [0] * 3, [101, 102, 103], [255, 250, 250]]


def test_a_pixel_is_drawn_at_its_own_place_with_the_slots_that_it_has_on_the_wire(tmp_path: Path) -> None:
    """Pixel 2 of the ridge was cut out: pixel 3 has its slots, and its dot stays dark."""
    whole, cut = layout(tmp_path / "whole"), layout(tmp_path / "cut", ridge="missing = [2]")
    assert cut.dots == whole.dots
    assert cut.picks[:9] == [512, 513, 514, -1, -1, -1, 515, 516, 517]
    assert cut.picks[9:] == whole.picks[9:]


def test_strings_are_drawn_upright_and_those_without_a_place_in_a_row_below(tmp_path: Path) -> None:
    found = layout(tmp_path)
    ridge, door = found.dots[:3], found.dots[3:]
    assert ridge[1][1] < ridge[0][1] == ridge[2][1]
    assert [x for x, _ in ridge] == [0.0, 0.5, 1.0]
    assert all(y > ridge[0][1] for _, y in door)
    assert found.pixels == 5


def test_only_some_pixels_of_a_large_rig_are_drawn(tmp_path: Path) -> None:
    more = '\n[[string]]\nname = "long"\ncontroller = "left"\nuniverse = 10\npixels = 5000\n'
    found = layout(tmp_path, more)
    assert len(found.dots) <= DOTS_MAX + 3
    assert len(found.picks) == 3 * len(found.dots) + 2  # the door has four channels


FIXTURES = """
[[fixture]]
name = "bulb"
controller = "left"
universe = 4
slot = 1
channels = ["dimmer", "strobe"]

[[fixture]]
name = "bar"
controller = "left"
universe = 4
slot = 11
channels = ["fog", "dimmer", "red", "green", "red", "green", "amber"]
at = [2.0, 8.0]
"""


def test_a_fixture_is_a_dot_with_the_colour_of_its_channels_and_its_dimmer(tmp_path: Path) -> None:
    found = layout(tmp_path, FIXTURES)
    assert found.fixtures == ["bar", "bulb"]
    bar, bulb = found.dots[5:]
    assert (bar[0], bulb[0]) == (0.25, 0.0) and bar[1] == 0 < found.dots[0][1] < bulb[1]
    assert found.picks[17:] == [*range(2058, 2065), 2048, 2049]

    def colours(bar: list[int], bulb: list[int]) -> list[list[int]]:
        levels = np.array([0] * 17 + bar + bulb, np.uint8)
        return found.colours(levels)[5:].tolist()

    assert colours([255, 255, 255, 0, 255, 0, 0], [255, 0]) == [[255, 0, 0], [255, 255, 255]]
    assert colours([255, 51, 255, 200, 0, 0, 0], [0, 255]) == [[26, 20, 0], [0, 0, 0]]
    assert colours([0, 255, 0, 0, 0, 0, 200], [100, 0]) == [[200, 100, 0], [100, 100, 100]]
    assert colours([255, 0, 255, 255, 255, 255, 255], [0, 0]) == [[0, 0, 0], [0, 0, 0]]


def test_each_order_of_colours_is_drawn_in_its_colours(tmp_path: Path) -> None:
    """White adds to all three colours; amber is red with half of green (common practice, no source)."""
    string = '\n[[string]]\nname = "{0}"\ncontroller = "left"\nuniverse = {1}\npixels = 1\norder = "{0}"\n'
    orders = {"W": [1], "RGBWA": [1, 2, 3, 4, 10], "WRGBW": [1, 2, 3, 4, 5], "BRGW": [1, 2, 3, 4]}
    found = layout(tmp_path, "".join(string.format(order, 10 + at) for at, order in enumerate(orders)))
    levels = np.array([0] * 17 + [level for own in orders.values() for level in own], np.uint8)
    assert found.colours(levels)[5:].tolist() == [[1, 1, 1], [15, 11, 7], [8, 9, 10], [6, 7, 5]]
