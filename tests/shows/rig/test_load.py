"""The whole of rig.toml: ports, strings that follow others, fixtures, and what cannot hang together."""

from __future__ import annotations

import re
from itertools import permutations
from pathlib import Path

import pytest

from gloaming.shows.config_files import known_names
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig
from tests.shows.rig.many import many_strings
from tests.steps import steps

CONTROLLERS = """\
[[controller]]
name = "left"
universes = "1-9"
brightness = 0.3
[[controller]]
name = "right"
universes = "11-19"
[[circuit]]
name = "shed"
amps = 16
volts = 230
breaker = "shed panel, no. 4"
rcd = true
[[supply]]
name = "left-12v"
volts = 12
amps = 29
circuit = "shed"
efficiency = 0.9
"""
PORT = """\
[[port]]
controller = "left"
number = 3
fuse_a = 5
supply = "left-12v"
run_m = 12
note = "receiver under the stairs"
"""


def string(name: str, *lines: str, place: str = 'controller = "left"\nuniverse = 1') -> str:
    """The text of a string of 100 pixels."""
    return "\n".join(["[[string]]", f'name = "{name}"', place, "pixels = 100", *lines, ""])


def after(name: str, other: str, *lines: str) -> str:
    return string(name, *lines, place=f'after = "{other}"')


LAMP = """\
[[fixture]]
name = "lamp"
controller = "left"
universe = 2
slot = 1
channels = ["dimmer", "red", "green", "blue", "strobe", "other", "other"]
watts = 60
circuit = "shed"
"""


def load(tmp_path: Path, text: str) -> Rig:
    path = tmp_path / "rig.toml"
    path.write_text(CONTROLLERS + text, encoding="utf-8")
    return load_rig(path)


def test_strings_take_the_supply_and_share_the_fuse_of_their_port(tmp_path: Path) -> None:
    """A port that only a string names has a table too; a string without a port keeps its own fuse."""
    text = PORT + string("eaves", "port = 3") + after("ridge", "eaves", "port = 4", "fuse_a = 4")
    rig = load(tmp_path, text + after("path", "ridge", "fuse_a = 3"))
    assert [(one.name, one.fuse_a, one.supply) for one in rig.port] == [
        ("3 of left", 5.0, "left-12v"),
        ("4 of left", 4.0, None),
    ]
    assert [one.supply for one in rig.string] == ["left-12v", None, None]
    assert [one.own_fuse_a for one in rig.string] == [None, None, 3.0]
    assert {name: [one.name for one in strings] for name, strings in rig.on_port.items()} == {
        "3 of left": ["eaves"],
        "4 of left": ["ridge"],
    }


def test_a_string_follows_the_last_slot_of_another_wherever_the_tables_stand(tmp_path: Path) -> None:
    """100 RGB pixels end at slot 300; 100 more fill the 510 slots and 90 of the next universe."""
    rig = load(tmp_path, after("path", "ridge") + after("ridge", "eaves") + string("eaves"))
    assert [(one.name, one.controller, list(one.spans())) for one in rig.string] == [
        ("path", "left", [(2, 91, 390)]),
        ("ridge", "left", [(1, 301, 510), (2, 1, 90)]),
        ("eaves", "left", [(1, 1, 300)]),
    ]


def test_a_string_that_follows_begins_with_a_whole_pixel(tmp_path: Path) -> None:
    """After slot 508 of 510 no pixel of four slots has room."""
    rig = load(tmp_path, string("eaves", 'order = "RGBW"').replace("100", "127") + after("ridge", "eaves"))
    assert next(rig.string[1].spans()) == (2, 1, 300)
    rig = load(tmp_path, string("eaves", 'order = "RGBW"').replace("100", "126") + after("ridge", "eaves"))
    assert next(rig.string[1].spans()) == (1, 505, 510)


def test_a_string_keeps_the_slots_of_pixels_that_were_cut_out(tmp_path: Path) -> None:
    (found,) = load(tmp_path, string("eaves", "missing = [37, 2]")).string
    assert (found.slots, found.hung) == (300, 98)


def test_a_fixture_keeps_its_slots(tmp_path: Path) -> None:
    rig = load(tmp_path, LAMP + string("eaves"))
    assert list(rig.fixture[0].spans()) == [(2, 1, 7)]
    assert (rig.slots[1], rig.slots[2]) == (300, 7)


ORDERS = {"".join(one) for length in (3, 4) for one in permutations("RGBW", length)} | {"W"}
ORDERS |= {"".join(one) for letters in ("RGBWA", "RGBWW") for one in permutations(letters)}


@pytest.mark.parametrize("order", sorted(ORDERS))
def test_every_order_of_the_colours_is_known(tmp_path: Path, order: str) -> None:
    (found,) = load(tmp_path, string("eaves", f'order = "{order}"')).string
    assert found.slots == 100 * len(order)


@pytest.mark.parametrize("order", ["", "R", "RG", "RGG", "RRGB", "RGBA", "RGBWWW", "rgb", "WWWWW", "RGBWX"])
def test_other_orders_are_refused(tmp_path: Path, order: str) -> None:
    with pytest.raises(InputError, match=r"rig\.toml:25: string\[0\]\.order: .*three or four of R, G, B, W"):
        load(tmp_path, string("eaves", f'order = "{order}"'))


@pytest.mark.parametrize(
    ("text", "report"),
    [
        (PORT + PORT, "rig.toml:29: port[1].number: port 3 of left has two fuses: one here, and one at rig.toml:20"),
        (PORT + PORT.replace("fuse_a = 5\n", ""), "rig.toml:29: port[1].number: port 3 of left has a table already"),
        (
            string("a", "port = 1", "fuse_a = 5") + after("b", "a", "port = 1", "fuse_a = 4"),
            "rig.toml:32: string[1].fuse_a: port 1 of left has two fuses: 4 A here, 5 A at rig.toml:20; strings of one",
        ),
        (PORT.replace("left-12v", "left"), "rig.toml:24: port[0].supply: there is no supply 'left'; did you mean left"),
        (PORT.replace('"left"', '"lost"'), "rig.toml:21: port[0].controller: there is no controller 'lost'"),
        (
            after("b", "a").replace("after", 'controller = "right"\nafter') + string("a", "port = 1"),
            "rig.toml:22: string[0].controller: it follows a, which is a string of controller left; a string has one",
        ),
        (
            string("a", place='controller = "right"\nuniverse = 1'),
            "rig.toml:23: string[0].universe: its slots run into universe 1, which belongs to left, not to right",
        ),
        (
            LAMP + string("a").replace("universe = 1", "universe = 2"),
            "rig.toml:24: fixture[0].slot: it overlaps string a (rig.toml:28) in universe 2, slot 1; begin after",
        ),
        (LAMP.replace("slot = 1", "slot = 510"), "rig.toml:24: fixture[0].slot: its 7 channels run past slot 512"),
        (
            LAMP.replace("universe = 2", "universe = 10"),
            "rig.toml:23: fixture[0].universe: its slots run into universe",
        ),
        (LAMP + 'supply = "left-12v"\n', "rig.toml:27: fixture[0].circuit: it has a supply too: left-12v"),
        (LAMP.replace('"shed"', '"hut"'), "rig.toml:27: fixture[0].circuit: there is no circuit 'hut'; use shed"),
        (LAMP.replace("strobe", "siren"), "rig.toml:25: fixture[0].channels[4]: 'siren'"),
        (
            string("a", "missing = [37, 101]"),
            "rig.toml:25: string[0].missing: there is no pixel 101: the string has 100",
        ),
        (string("a", "missing = [37, 37]"), "rig.toml:25: string[0].missing: it names a pixel twice"),
        (string("a", "missing = [1]").replace("100", "1"), "rig.toml:25: string[0].missing: no pixel is left"),
        (string("a", "missing = [0]"), "rig.toml:25: string[0].missing[0]: 0"),
        (string("a", "inject_at = [500]"), "rig.toml:25: string[0].inject_at: there is no pixel 500"),
        (string("a", "awg = 18", "mm2 = 0.75"), "rig.toml:26: string[0].mm2: it has a gauge too; give awg or mm2"),
        (after("a", "b") + after("b", "c") + after("c", "a"), "rig.toml:30: string[2].after: the strings follow each"),
        (
            after("a", "a"),
            "rig.toml:22: string[0].after: the strings follow each other in a circle: a after a; give one",
        ),
        (after("a", "eave") + string("eaves"), "rig.toml:22: string[0].after: there is no string 'eave'; did you mean"),
        (after("a", "b", "universe = 3") + string("b"), "rig.toml:24: string[0].universe: it has two places"),
        (after("a", "b", "slot = 3") + string("b"), "rig.toml:24: string[0].slot: it has two places"),
        (string("a") + after("b", "a") + after("c", "a"), "rig.toml:31: string[2].after: it overlaps string b"),
        (
            string("a", place='controller = "left"'),
            "rig.toml:20: string[0].universe: it is missing; as universe = 1, or",
        ),
        (string("a", place="universe = 1"), "rig.toml:20: string[0].controller: it is missing; name its controller"),
    ],
)
def test_each_error_is_one_line_with_its_place(tmp_path: Path, text: str, report: str) -> None:
    with pytest.raises(InputError) as caught:
        load(tmp_path, text)
    (error,) = caught.value.errors
    assert str(error).removeprefix(f"{tmp_path}/").startswith(report)


def test_a_circle_is_named_in_its_order_and_without_the_strings_that_lead_to_it(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        load(tmp_path, after("a", "b") + after("b", "c") + after("c", "d") + after("d", "b"))
    assert "in a circle: b after c after d after b; give one" in str(caught.value)
    with pytest.raises(InputError) as caught:
        load(tmp_path, "".join(after(f"run {number}", f"run {(number + 1) % 90}") for number in range(90)))
    assert (
        "in a circle: run 0 after run 1 after run 2 after run 3 after run 4 after run 5 after 84 more after run 0;"
        in (str(caught.value))
    )


def test_a_string_is_not_told_to_follow_itself(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        load(tmp_path, after("eaves", "eave") + string("gable"))
    assert "there is no string 'eave'; use gable" in str(caught.value)


def test_a_hint_lists_no_more_names_than_a_person_reads(tmp_path: Path) -> None:
    strings = "".join(string(f"run {number}", place="universe = 1") for number in range(60))
    with pytest.raises(InputError) as caught:
        load(tmp_path, strings + after("eaves", "xyz"))
    (error,) = (one for one in caught.value.errors if "'xyz'" in one.problem)
    assert error.hint
    assert error.hint.startswith("use run 0, run 1,")
    assert error.hint.endswith("run 39 and 20 more")


PLACE = r"controller = .*\nuniverse = (\d+)"


@pytest.mark.parametrize(
    ("pattern", "replacement", "errors"),
    [
        pytest.param("$", "", 0, id="nothing is wrong"),
        pytest.param("pixels = 50", "pixels = 0", 40, id="wrong value"),
        pytest.param("pixels = 50", "pixels = 50\ncolour = 1", 40, id="unknown key"),
        pytest.param("pixels = 50", "pixel = 50", 40, id="misspelled key"),
        pytest.param(r"line = \[(\[.*?\]).*", r"line = [\1]", 40, id="short list"),
        pytest.param(r'name = "string \d+"', 'name = "string"', 39, id="one name for all"),
        pytest.param(PLACE, r'controller = "hut \1"\nuniverse = \1', 40, id="unknown controller"),
        pytest.param(PLACE, 'controller = "box 0"\nuniverse = 1', 39, id="overlap"),
        pytest.param(PLACE, r'after = "strin \1"', 40, id="after an unknown string"),
        pytest.param(PLACE, r'after = "string \1"', 1, id="each after the next, and the last after an unknown one"),
    ],
)
def test_twice_as_many_strings_take_twice_the_work_also_if_all_are_wrong(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, pattern: str, replacement: str, errors: int
) -> None:
    monkeypatch.setattr(known_names, "COMPARED_MAX", 40)
    path = tmp_path / "rig.toml"
    found: list[int] = []

    def read() -> None:
        try:
            load_rig(path)
            found.append(0)
        except InputError as error:
            found.append(len(error.errors))

    def work(count: int) -> int:
        path.write_text(re.sub(pattern, replacement, many_strings(count)), encoding="utf-8")
        return steps(read)

    few, many = work(40), work(80)
    assert found[0] == errors
    assert many < 2.02 * few
