"""Errors in rig.toml: each gives one clear line with the file, the line, the key and a hint."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any
from xml.etree import ElementTree
from xml.sax.saxutils import escape

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import ValidationError

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig, Supply

CONTROLLER = '[[controller]]\nname = "left"\nhost = "192.0.2.21"\nuniverses = "1-4"\n'
SUPPLY = '[[supply]]\nname = "left-12v"\nvolts = 12\namps = 29\n'
STRING = '[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = 150\n'


def load(tmp_path: Path, text: str) -> Rig:
    path = tmp_path / "rig.toml"
    path.write_text(text, encoding="utf-8")
    return load_rig(path)


def errors(tmp_path: Path, text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        load(tmp_path, text)
    return [str(config_error).removeprefix(f"{tmp_path}/") for config_error in caught.value.errors]


def test_a_rig_of_every_table_is_read(tmp_path: Path) -> None:
    more = 'order = "RGBW"\nsupply = "left-12v"\nport = 3\ngroup = "roof"\nvolts = 12\nline = [[0, 0], [5, 1]]\n'
    rig = load(tmp_path, CONTROLLER + SUPPLY + STRING + more)
    assert list(rig.string[0].spans()) == [(1, 1, 510), (2, 1, 90)]
    assert rig.slots == {1: 510, 2: 90}


LABEL_63, LABEL_61 = "a" * 63, "a" * 61


@pytest.mark.parametrize(
    ("host", "read"),
    [
        ("left.lan", "left.lan"),
        ("LEFT.Lan", "left.lan"),
        ("3com", "3com"),  # RFC 1123 2.1: the first character may be a digit
        ("a-1.b", "a-1.b"),
        (LABEL_63, LABEL_63),
        (f"{LABEL_63}.{LABEL_63}.{LABEL_63}.{LABEL_61}", f"{LABEL_63}.{LABEL_63}.{LABEL_63}.{LABEL_61}"),
        ("2001:DB8::21", "2001:db8::21"),
    ],
)
def test_a_host_is_an_address_or_a_name_of_rfc_1123(tmp_path: Path, host: str, read: str) -> None:
    assert load(tmp_path, CONTROLLER.replace("192.0.2.21", host)).controller[0].host == read


@pytest.mark.parametrize(
    "host",
    [
        "192.0.2.221.1",  # RFC 1123 2.1: the last label is no number
        "3com.1",
        "-left.lan",
        "left-.lan",
        "left_1.lan",
        "left..lan",
        "left.lan.",
        ".lan",
        "left.lan:5568",
        "http://left.lan",
        "left lan",
        "b\u00e4cker.lan",
        "\u017fea.lan",  # a letter whose capital is S
        f"{LABEL_63}a",
        f"{LABEL_63}.{LABEL_63}.{LABEL_63}.{LABEL_61}a",
    ],
)
def test_a_host_that_is_neither_is_one_clear_line(tmp_path: Path, host: str) -> None:
    with pytest.raises(InputError) as caught:
        load(tmp_path, CONTROLLER.replace("192.0.2.21", host))
    assert str(caught.value) == (
        f"{tmp_path / 'rig.toml'}:3: controller[0].host: {host!r} is not an IP address or a host name; "
        'as "192.0.2.21" or "left.lan"'
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "rig.toml: controller: it is missing; as controller = [[controller]]"),
        ("[[controller]\n", "rig.toml:1: this is not TOML"),
        (CONTROLLER.replace('"1-4"', '"4-1"'), "rig.toml:4: controller[0].universes: '4-1' runs backwards"),
        (CONTROLLER.replace('"1-4"', '"0-4"'), "rig.toml:4: controller[0].universes: universe 0 does not exist"),
        (CONTROLLER.replace('"1-4"', '"1,1"'), "rig.toml:4: controller[0].universes: '1,1' names a universe twice"),
        (CONTROLLER.replace('"1-4"', '"one"'), "rig.toml:4: controller[0].universes: 'one' is not a list of universes"),
        (CONTROLLER.replace('"1-4"', "true"), "rig.toml:4: controller[0].universes: True is not a list of universes"),
        (CONTROLLER.replace('"1-4"', '"64000"'), "rig.toml:4: controller[0].universes: universe 64000 does not exist"),
        (CONTROLLER.replace('"192.0.2.21"', '""'), "rig.toml:3: controller[0].host"),
        *(
            (
                CONTROLLER.replace("192.0.2.21", host),
                f"rig.toml:3: controller[0].host: {host!r} is not the address of one",
            )
            for host in ("239.255.0.1", "255.255.255.255", "0.0.0.0", "ff18::83:0:1", "multicast", "Broadcast")
        ),
        (
            CONTROLLER.replace("192.0.2.21", "fe80::21%eth0"),
            "rig.toml:3: controller[0].host: 'fe80::21%eth0' names an interface; leave out %",
        ),
        (CONTROLLER + 'lead = "2 s"\n', "rig.toml:5: controller[0].lead: '2 s' is not a length from 0 to 1000 ms"),
        (CONTROLLER + "hots = 1\n", "rig.toml:5: controller[0].hots: there is no such key; did you mean host?"),
        (
            CONTROLLER + CONTROLLER.replace("1-4", "5").replace(".21", ".22"),
            "rig.toml:6: controller[1].name: the name 'left' is used twice; first at rig.toml:1",
        ),
        (
            CONTROLLER + CONTROLLER.replace('"left"', '"right"').replace('"1-4"', '"4-6"').replace(".21", ".22"),
            "rig.toml:8: controller[1].universes: universe 4 already belongs to left (rig.toml:1)",
        ),
        (
            CONTROLLER + CONTROLLER.replace("1-4", "5").replace("left", "right"),
            "rig.toml:7: controller[1].host: 192.0.2.21 is already the address of left (rig.toml:1)",
        ),
        (
            CONTROLLER.replace("192.0.2.21", "quay.lan")
            + CONTROLLER.replace("1-4", "5").replace("left", "right").replace("192.0.2.21", "Quay.lan"),
            "rig.toml:7: controller[1].host: quay.lan is already the address of left (rig.toml:1)",
        ),
        (CONTROLLER + SUPPLY.replace("12\n", "-12\n"), "rig.toml:7: supply[0].volts: -12"),
        (CONTROLLER + SUPPLY.replace("29", "nan"), "rig.toml:8: supply[0].amps: nan"),
        (CONTROLLER + STRING.replace("150", "0"), "rig.toml:9: string[0].pixels: 0"),
        (CONTROLLER + STRING.replace("150", '"many"'), "rig.toml:9: string[0].pixels: 'many'"),
        (CONTROLLER + STRING + 'order = "RGGB"\n', "rig.toml:10: string[0].order: 'RGGB'"),
        (CONTROLLER + STRING + "fuse_a = 0\n", "rig.toml:10: string[0].fuse_a: 0"),
        (CONTROLLER + STRING + "ma_per_channel = -1\n", "rig.toml:10: string[0].ma_per_channel: -1"),
        (CONTROLLER + STRING + 'supply = "none"\n', "rig.toml:10: string[0].supply: there is no supply 'none'"),
        (CONTROLLER + STRING.replace('"left"', '"rihgt"'), "rig.toml:7: string[0].controller: there is no controller"),
        (CONTROLLER + STRING + "slot = 511\n", "rig.toml:10: string[0].slot: slot 511 is past the 510 slots"),
        (CONTROLLER + STRING + "slot = 513\n", "rig.toml:10: string[0].slot: 513"),
        (
            CONTROLLER + STRING + "points = [[0, 0]]\n",
            "rig.toml:10: string[0].points: there are 1 points for 150 pixels",
        ),
        (CONTROLLER + STRING + "line = [[0, 0]]\n", "rig.toml:10: string[0].line"),
        (CONTROLLER + STRING + "points = [[0, nan]]\n", "rig.toml:10: string[0].points[0][1]: nan"),
        (
            CONTROLLER
            + STRING.replace("150", "1000")
            + CONTROLLER.replace("1-4", "5-9").replace("left", "right").replace(".21", ".22"),
            "rig.toml:8: string[0].universe: its slots run into universe 5, which belongs to right, not to left; "
            "a string has one controller",
        ),
        (CONTROLLER + STRING.replace("150", "1000"), "rig.toml:8: string[0].universe: its slots run into universe 5"),
        (
            CONTROLLER + STRING + STRING.replace("ridge", "eaves") + "slot = 400\n",
            "rig.toml:15: string[1].slot: it overlaps string ridge (rig.toml:5) in universe 1, slot 400",
        ),
    ],
)
def test_each_mistake_is_one_line_with_its_place(tmp_path: Path, text: str, said: str) -> None:
    found = errors(tmp_path, text)
    assert len(found) == 1
    assert found[0].startswith(said)
    assert "\n" not in found[0]


def test_five_hundred_errors_are_all_reported(tmp_path: Path) -> None:
    parts = [CONTROLLER.replace('"1-4"', '"1-400"')]
    for number in range(400):
        wrong = "pixels = 0\nfuse_a = -1\n" if number < 250 else "pixels = 100\n"
        parts.append(f'[[string]]\nname = "run {number}"\ncontroller = "left"\nuniverse = {number + 1}\n{wrong}')
    found = errors(tmp_path, "".join(parts))
    assert len(found) == 500
    assert len(set(found)) == 500
    assert found[-1].startswith("rig.toml:1504: string[249].fuse_a: -1: input should be greater than 0")


def test_overlapping_strings_are_each_reported_at_their_place(tmp_path: Path) -> None:
    strings = [STRING.replace("ridge", f"run {number}") for number in range(400)]
    found = errors(tmp_path, CONTROLLER + "".join(strings))
    assert len(found) == 399
    assert found[-1].startswith("rig.toml:2000: string[399].slot: it overlaps string run 0 (rig.toml:5)")


def test_a_long_list_of_points_is_read_once_and_a_wrong_point_has_its_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A line for each pixel, as a program writes them: read in proportion to their number, not to its square."""
    read_lines = 0
    loads = tomllib.loads

    def counted(text: str) -> dict[str, Any]:
        nonlocal read_lines
        read_lines += text.count("\n") + 1
        return loads(text)

    monkeypatch.setattr(tomllib, "loads", counted)
    points = "".join(f"  [{number / 10}, {'nan' if number == 555 else '0.5'}],\n" for number in range(600))
    text = CONTROLLER + STRING.replace("150", "600") + f"points = [\n{points}]\n"
    (error,) = errors(tmp_path, text)
    assert error.startswith("rig.toml:566: string[0].points[555][1]: nan")
    assert error.endswith("as points = [[0.0, 0.0], [0.1, 0.0]]")
    assert read_lines < 10 * text.count("\n")


@pytest.mark.parametrize(
    ("text", "line", "key"),
    [
        (CONTROLLER.replace("left", r"left\u0007"), 2, "controller[0].name"),
        (CONTROLLER + SUPPLY.replace("left-12v", r"left\u007f12v"), 6, "supply[0].name"),
        (CONTROLLER + STRING + 'group = "roof\\n"\n', 10, "string[0].group"),
        (CONTROLLER + '[[port]]\ncontroller = "left"\nnumber = 3\nnote = "\\uffff"\n', 8, "port[0].note"),
    ],
)
def test_a_control_character_in_a_name_is_one_clear_line(tmp_path: Path, text: str, line: int, key: str) -> None:
    (error,) = errors(tmp_path, text)
    assert error.startswith(f"rig.toml:{line}: {key}: ")
    assert "has a control character: " in error
    assert "; leave it out" in error
    assert error.isprintable()


@given(st.text(min_size=1, max_size=60))
@example("\ufffe")
@example("a\u2028b")
def test_every_name_that_is_accepted_can_stand_in_xml(name: str) -> None:
    """Read by Python's expat. XML 1.0 (2.2) refuses most control characters, and reads a return as a new line."""
    try:
        supply = Supply(name=name, volts=12, amps=29)
    except ValidationError:
        return
    assert ElementTree.fromstring(f"<text>{escape(supply.name)}</text>").text == name
