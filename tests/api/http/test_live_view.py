"""The live view: which pixels are drawn, where, and with which slots."""

from __future__ import annotations

from pathlib import Path

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
    assert found.picks[:8] == [513, 512, 514, -1, 516, 515, 517, -1]
    assert found.picks[12:] == [1028, 1029, 1030, 1031, 1536, 1537, 1538, 1539]


def test_a_pixel_is_drawn_at_its_own_place_with_the_slots_that_it_has_on_the_wire(tmp_path: Path) -> None:
    """Pixel 2 of the ridge was cut out: pixel 3 has its slots, and its dot stays dark."""
    whole, cut = layout(tmp_path / "whole"), layout(tmp_path / "cut", ridge="missing = [2]")
    assert cut.dots == whole.dots
    assert cut.picks[:12] == [513, 512, 514, -1, -1, -1, -1, -1, 516, 515, 517, -1]
    assert cut.picks[12:] == whole.picks[12:]


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
    assert len(found.picks) == 4 * len(found.dots)
