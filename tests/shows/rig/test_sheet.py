"""What the wiring sheet says, worked by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.sheet import FullLoad, Sheet, Spare, sheet_of

RIG = """
[[controller]]
name = "left"
universes = "1-9"
brightness = 0.4
[[controller]]
name = "right"
universes = "11"
[[circuit]]
name = "shed"
volts = 230
amps = 16
[[supply]]
name = "box"
volts = 12
amps = 29
circuit = "shed"
efficiency = 0.8
[[port]]
controller = "left"
number = 7
fuse_a = 5
supply = "box"
[[port]]
controller = "left"
number = 2
fuse_a = 4
[[string]]
name = "later"
controller = "left"
universe = 2
pixels = 101
missing = [37]
port = 7
[[string]]
name = "first"
controller = "left"
universe = 1
pixels = 100
port = 7
[[string]]
name = "loose"
controller = "right"
universe = 11
pixels = 50
order = "GRBW"
fuse_a = 3
volts = 5
[[fixture]]
name = "lamp"
controller = "left"
universe = 9
slot = 7
channels = ["dimmer", "red"]
watts = 24
supply = "box"
[[fixture]]
name = "flood"
controller = "left"
universe = 9
slot = 1
channels = ["dimmer"]
watts = 460
circuit = "shed"
"""


@pytest.fixture
def sheet(tmp_path: Path) -> Sheet:
    path = tmp_path / "rig.toml"
    path.write_text(RIG, encoding="utf-8")
    return sheet_of(load_rig(path))


def test_a_controller_has_its_ports_by_number_with_their_strings_by_slot(sheet: Sheet) -> None:
    left, right = sheet.controllers
    assert [(port.of.number, [one.of.name for one in port.strings]) for port in left.ports] == [
        (2, []),
        (7, ["first", "later"]),
    ]
    assert [(one.first, one.last) for one in left.strings] == [((1, 1), (1, 300)), ((2, 1), (2, 303))]
    assert ([one.of.name for one in right.loose], [one.name for one in left.fixtures]) == (["loose"], ["flood", "lamp"])


TYPED = """
[[controller]]
name = "left"
universes = "1-2"
host = "192.0.2.21"
protocol = "artnet"
port_addresses = "0:0:0,0:1:0"
[[controller]]
name = "right"
universes = "3-5"
host = "192.0.2.22"
protocol = "ddp"
[[controller]]
name = "mast"
universes = "6"
host = "192.0.2.23"
protocol = "ddp"
[[controller]]
name = "quay"
universes = "7"
"""


def test_a_string_has_the_place_that_is_typed_into_a_controller_without_universes(tmp_path: Path) -> None:
    """Right: 170 pixels fill 510 slots of universe 3, 60 follow in universe 4. Mast: pixels of 4 slots after 3 of 3."""
    text = TYPED
    for name, controller, universe, pixels in [
        ("a", "left", 1, 10),
        ("b", "left", 2, 10),
        ("c", "right", 3, 170),
        ("d", "right", 4, 60),
        ("f", "mast", 6, 3),
        ("h", "quay", 7, 9),
    ]:
        text += f'[[string]]\nname = "{name}"\ncontroller = "{controller}"\nuniverse = {universe}\npixels = {pixels}\n'
    text += '[[string]]\nname = "e"\nafter = "d"\npixels = 5\n[[string]]\nname = "g"\nafter = "f"\npixels = 5\n'
    path = tmp_path / "rig.toml"
    path.write_text(f'{text}order = "GRBW"\n', encoding="utf-8")
    strings = [string for one in sheet_of(load_rig(path)).controllers for string in one.strings]
    assert {one.of.name: one.typed for one in strings} == {
        "a": "port-address 0:0:0",
        "b": "port-address 0:1:0",
        "c": "slot 1 of the stream, its pixel 1",
        "d": "slot 511 of the stream, its pixel 171",
        "e": "slot 691 of the stream, its pixel 231",
        "f": "slot 1 of the stream",
        "g": "slot 10 of the stream",
        "h": None,
    }


def test_loads_are_those_of_full_white(sheet: Sheet) -> None:
    """By hand. A pixel of left: 3 x 20 mA x 0.4 + 1 mA = 25 mA, so 200 of them 5 A. One of right: 4 x 20 + 1 = 81 mA.

    The lamp: 24 W at 12 V are 2 A. The box gives 7 A x 12 V = 84 W and takes 84 / 0.8 = 105 W; with the flood 565 W.
    """
    left, right = sheet.controllers
    assert left.ports[1].load == FullLoad(pytest.approx(5.0), 5.0)
    assert left.ports[1].load.share == pytest.approx(1)
    assert right.loose[0].load == FullLoad(pytest.approx(4.05), 3.0)
    ((_, load),) = sheet.supplies
    assert load == FullLoad(pytest.approx(7.0), 29.0)
    ((_, mains, fed),) = sheet.circuits
    assert (mains, fed) == (FullLoad(pytest.approx(565 / 230), 16.0), ("box", "flood"))


def test_a_current_that_is_just_its_limit_is_all_of_it_and_no_more(tmp_path: Path) -> None:
    """In floating point 3 x 20 x 0.56 x 150 + 150 is more than 5190."""
    path = tmp_path / "rig.toml"
    path.write_text(
        '[[controller]]\nname = "left"\nuniverses = "1"\nbrightness = 0.56\n'
        '[[string]]\nname = "a"\ncontroller = "left"\nuniverse = 1\npixels = 150\nfuse_a = 5.19\n'
    )
    load = sheet_of(load_rig(path)).controllers[0].loose[0].load
    assert load is not None and load.full_a > 5.19 and load.share == 1


def test_there_is_a_spare_for_each_ten_of_a_kind_that_are_begun(sheet: Sheet) -> None:
    assert {spare.what: spare.hang for spare in sheet.spares} == {
        "controllers": 2,
        "supplies, 12 V, 29 A": 1,
        "fuses, 3 A": 1,
        "fuses, 5 A": 1,
        "strings, RGB, up to 101 pixels": 2,
        "strings, GRBW, 5 V, up to 50 pixels": 1,
        "fixtures, dimmer red": 1,
        "fixtures, dimmer": 1,
    }
    assert [Spare("fuses", hang).keep for hang in (1, 10, 11, 20, 21)] == [1, 1, 2, 2, 3]


@pytest.mark.parametrize(
    ("where", "direction"),
    [
        ("line = [[0, 0], [5, 1]]", "left to right"),
        ("line = [[5, 0], [0, 1]]", "right to left"),
        ("line = [[0, 0], [1, 5]]", "upwards"),
        ("points = [[0, 5], [1, 1], [0, 0]]", "downwards"),
        ("line = [[0, 0], [5, 0], [5, 5], [0, 0.1]]", None),
        ("", None),
    ],
)
def test_the_direction_is_that_from_the_first_to_the_last_pixel(
    tmp_path: Path, where: str, direction: str | None
) -> None:
    """A string that ends where it began has none."""
    path = tmp_path / "rig.toml"
    controller = '[[controller]]\nname = "left"\nuniverses = "1"\n'
    path.write_text(f'{controller}[[string]]\nname = "a"\ncontroller = "left"\nuniverse = 1\npixels = 3\n{where}\n')
    assert sheet_of(load_rig(path)).controllers[0].loose[0].direction == direction
