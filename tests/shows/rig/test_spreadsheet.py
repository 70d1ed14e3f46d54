"""Rigs as spreadsheets: what a person's CSV becomes, what is refused, and that nothing is lost on the way and back."""

from __future__ import annotations

import csv
import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.rig.cells import ALL, COLUMNS, column_name, example, read_cell, write_cell
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig, port_name
from gloaming.shows.rig.spreadsheet import read_spreadsheet, spreadsheet
from gloaming.shows.rig.tables import KINDS, write_rig
from tests.places import TOP

PERSONS = (
    "\ufeffName;Controller;Port;Pixels;Order;Volts;Supply;Fuse (A);Run [m];mm²;Feed m;Host;Supply volts;Supply-Amps;"
    "missing;# box\r\n"
    "eaves;left;1;150;grb;12;left-12v;5;7,5;0,75;1,25;192.0.2.21;12;29;37, 40;crate 3\r\n"
    ";;;;;;;;;;;;;;;\r\n"
    'ridge;left;1;100;"GRB";12;left-12v;;;;;;;;;\r\n'
    "\r\n"
    'gable;left;2;100;RGBW;12,0;left-12v;4;;;;;;;"37;40";\r\n'
    '"door ""m; x""";right;1;50,00;;12;;;;;;;;;;;;\r\n'
)
"""As a spreadsheet of a country with decimal commas saves it: byte order mark, quotes, empty lines and cells."""


def read(tmp_path: Path, text: str | bytes) -> Rig:
    path = tmp_path / "strings.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_spreadsheet(path)


def refusals(tmp_path: Path, text: str | bytes) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    return [str(error).removeprefix(f"{tmp_path}/") for error in caught.value.errors]


def test_a_persons_spreadsheet_becomes_a_rig(tmp_path: Path) -> None:
    rig = read(tmp_path, PERSONS)
    assert [(one.name, one.host, one.universes) for one in rig.controller] == [
        ("left", "192.0.2.21", (1, 2, 3)),
        ("right", None, (4,)),
    ]
    assert [(one.name, one.volts, one.amps) for one in rig.supply] == [("left-12v", 12, 29)]
    assert [(one.name, one.fuse_a, one.run_m) for one in rig.port] == [
        ("1 of left", 5, 7.5),
        ("2 of left", 4, None),
        ("1 of right", None, None),
    ]
    eaves, ridge, gable, door = rig.string
    assert (eaves.pixels, eaves.order, eaves.mm2, eaves.feed_m, eaves.missing) == (150, "GRB", 0.75, 1.25, (37, 40))
    assert (ridge.after, list(ridge.spans())) == ("eaves", [(1, 451, 510), (2, 1, 240)])
    assert (gable.missing, door.name, door.pixels) == ((37, 40), 'door "m; x"', 50)
    assert plain(read(tmp_path, spreadsheet(rig))) == plain(rig)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_separators_and_ends_of_lines_are_recognized(tmp_path: Path, separator: str, ends: str) -> None:
    rows = [["pixels", "NAME", " Controller "], ["100", " eaves ", "left"], ["", "", ""], ["50", "ridge", "left"]]
    rig = read(tmp_path, ends.join(separator.join(row) for row in rows))
    assert [(one.name, one.pixels) for one in rig.string] == [("eaves", 100), ("ridge", 50)]


@pytest.mark.parametrize(
    ("heading", "column"),
    [
        ("Fuse (A)", "fuse_a"),
        ("fuse", "fuse_a"),
        ("Run [m]", "run_m"),
        ("run", "run_m"),
        ("mm²", "mm2"),
        ("mA per channel", "ma_per_channel"),
        ("Idle mA", "idle_ma"),
        ("Inject-At", "inject_at"),
        ("  PIXELS\u00a0", "pixels"),
    ],
)
def test_a_heading_means_a_column(heading: str, column: str) -> None:
    assert column_name(heading) == column and column in ALL


def test_the_mark_of_a_separator_is_no_line(tmp_path: Path) -> None:
    (error,) = refusals(tmp_path, "sep=;\r\nname;controller;pixels\r\na;left;150px\r\n")
    assert error.startswith("strings.csv:3: column C, pixels: '150px' is not a whole number")


def test_the_place_of_a_fixture_is_two_numbers(tmp_path: Path) -> None:
    rig = read(tmp_path, "kind;name;controller;pixels;channels;at\nfixture;l;left;;fog;2,5 -1\n")
    assert rig.fixture[0].at == (2.5, -1)
    (error,) = refusals(tmp_path, "kind,name,controller,pixels,channels,at\nfixture,l,left,,fog,2.5\n")
    assert error == "strings.csv:2: column F, at: '2.5' is not a place; write right and up in metres, as 2.5 0"


def test_nobody_counts_slots(tmp_path: Path) -> None:
    """170 RGB pixels fill 510 slots of a universe, 127 RGBW pixels 508; no pixel lies across two universes."""
    text = "name,controller,pixels,order\na,left,100,\nb,left,100,\nw,left,128,RGBW\nv,left,1,RGBW\nc,right,340,\n"
    rig = read(tmp_path, text + "d,left,1,RGB\n")
    assert {one.name: list(one.spans()) for one in rig.string} == {
        "a": [(1, 1, 300)],
        "b": [(1, 301, 510), (2, 1, 90)],
        "w": [(3, 1, 508), (4, 1, 4)],
        "v": [(4, 5, 8)],
        "d": [(5, 1, 3)],
        "c": [(6, 1, 510), (7, 1, 510)],
    }
    assert [one.universes for one in rig.controller] == [(1, 2, 3, 4, 5), (6, 7)]


def test_lines_with_a_place_keep_it_and_the_others_go_round_them(tmp_path: Path) -> None:
    text = (
        "kind,name,controller,pixels,universe,slot,after,universes,channels\n"
        ",a,left,10,,,,,\n,b,left,10,20,4,,,\n,c,left,10,,,,,\n,d,,10,,,a,,\n"
        "fixture,lamp,left,,,,,,dimmer red green blue\nfixture,fog,left,,,,,,fog\nfixture,far,right,,30,7,,,dimmer\n"
        "controller,left,,,,,,1 to 24,\ncontroller,right,,,,,,,\n"
    )
    rig = read(tmp_path, text)
    assert {one.name: list(one.spans()) for one in (*rig.string, *rig.fixture)} == {
        "a": [(1, 1, 30)],
        "b": [(20, 4, 33)],
        "c": [(20, 34, 63)],
        "d": [(1, 31, 60)],
        "lamp": [(21, 1, 4)],
        "fog": [(21, 5, 5)],
        "far": [(30, 7, 7)],
    }
    assert rig.controller[1].universes == (30,)


def test_a_string_may_follow_one_below_it(tmp_path: Path) -> None:
    rig = read(tmp_path, "name,controller,pixels,after\na,left,10,b\nb,left,10,\n")
    assert {one.name: list(one.spans()) for one in rig.string} == {"a": [(1, 31, 60)], "b": [(1, 1, 30)]}


HEAD = "name,controller,pixels,port,supply,fuse_a,run_m,order,missing,after,kind,volts,amps,channels,rcd,host\n"


@pytest.mark.parametrize(
    ("text", "reports"),
    [
        (
            "name,controller,pixles\na,left,1\n",
            ["strings.csv:1: column C, pixles: there is no such column; did you mean p"],
        ),
        (
            "name,pixels\na,1\n",
            ["strings.csv:1: column controller: it is missing; the first line has the headings, name"],
        ),
        (
            "name,controller,pixels,Pixels\n",
            ["strings.csv:1: column C, pixels: there are two such columns; keep one of column D"],
        ),
        ("", ["strings.csv:1: column name: it is", "strings.csv:1: column controller", "strings.csv:1: column pixels"]),
        ("name,controller,pixels\n,,\n", ["strings.csv: there is no line below the headings; write a line for each"]),
        (
            "name;controller;pixels\na;left;150px\na;left;1,200\nb;left;0\nc;;4\nd;left;4;x\ne;left;\n",
            [
                "strings.csv:2: column C, pixels: '150px' is not a whole number; write the number alone, as 150",
                "strings.csv:3: column C, pixels: '1,200' is not a whole number",
                "strings.csv:3: column A, name: string a is there twice, first on line 2; give each its own name",
                "strings.csv:4: column C, pixels: 0: input should be greater than or equal to 1; as 150",
                "strings.csv:5: column B, controller: it is missing; name the controller of the string",
                "strings.csv:6: it has 4 cells, and there are 3 headings; write a text with the separator",
                "strings.csv:7: column C, pixels: it is missing; as 150",
            ],
        ),
        (
            'kind,name,controller,pixels,watts,channels\nfixture,l,left,,"1,500",fog\n',
            ["strings.csv:2: column E, watts: '1,500' may be 1500 or 1.500; write 1500, or 1.500"],
        ),
        (
            "kind;name;controller;pixels;watts;channels;line\nfixture;l;left;;1.500;fog;\n;a;left;2;;;0 1 | 5 2.125\n",
            [
                "strings.csv:2: column E, watts: '1.500' may be 1500 or 1,500; write 1500, or 1,500",
                "strings.csv:3: column G, line: '2.125' may be 2125 or 2,125; write 2125, or 2,125",
            ],
        ),
        (
            f"{HEAD}a,left,1,,box\nb,left,1,,box\n",
            ["strings.csv:2: column E, supply: there is no supply 'box'; add a line"],
        ),
        (f"{HEAD}a,left,1,,,,7\n", ["strings.csv:2: column G, run_m: it belongs to a port, and this line names none"]),
        (f"{HEAD}a,left,1,,,,,XYZ\n", ["strings.csv:2: column H, order: 'XYZ' is not an order of colours; as"]),
        (
            f"{HEAD}a,left,9,,,,,,3 x\n",
            ["strings.csv:2: column I, missing: '3 x' is not a list of whole numbers; as 50"],
        ),
        (f"{HEAD}a,left,9,,,,,,10\n", ["strings.csv:2: column I, missing: there is no pixel 10: the string has 9"]),
        (f"{HEAD}a,left,9,,,,,,,b\n", ["strings.csv:2: column J, after: there is no string 'b'"]),
        (
            f"{HEAD}a,left,9,1,,5\nb,left,9,1,,4\n",
            ["strings.csv:3: column F, fuse_a: port 1 of left has two fuses: 4 A"],
        ),
        (
            f"{HEAD}a,left,9,1,,,5\nb,left,9,1,,,4\n",
            ["strings.csv:3: column G, run_m: line 2 has 5 here, for the same port"],
        ),
        (
            f"{HEAD}a,,9,,,,,,,,strng\n",
            ["strings.csv:2: column K, kind: there is no kind 'strng'; did you mean string?"],
        ),
        (f"{HEAD}a,left,9,,,,,,,,,,,,yes\n", ["strings.csv:2: column O, rcd: a string has no rcd; empty the cell"]),
        (
            f"{HEAD}a,left,9\nleft,,,,,,,,,,controller\nb,lefft,9\n",
            ["strings.csv:4: column B, controller: there is no controller 'lefft'; did you mean left?"],
        ),
        (
            f"{HEAD}left,,,,,,,,,,controller\n",
            ["strings.csv:2: column universes: it is missing, and no line names the c"],
        ),
        (
            f"{HEAD}box,,,,,,,,,,supply,12\n",
            [
                "strings.csv: column B, controller: no line names a c",
                "strings.csv:2: column M, amps: it is missing; as 29",
            ],
        ),
        (
            f"{HEAD}l,left,,,,,,,,,fixture,,,dimmer gren\n",
            ["strings.csv:2: column N, channels: 'gren': input should be 'dimmer', 'red'"],
        ),
        (
            f"{HEAD}a,left,9,,,,,,,,,,,,,here or there\n",
            ["strings.csv:2: column P, host: 'here or there' is not an IP add"],
        ),
        (
            "name,controller,pixels,universe\na,left,200,1\nb,right,9,2\n",
            [
                "strings.csv:3: column universes: universe 2 already belongs to left (strings.csv:2); give",
                "strings.csv:3: column slot: it overlaps string a",
            ],
        ),
        (
            "name,controller,pixels,line\na,left,9,0 6 | 5\nb,left,9,0 6 | x 1\nc,left,9,1 2\n",
            [
                "strings.csv:2: column D, line: '5' is not a place; write right and up in metres, as 0 0 | 5 0",
                "strings.csv:3: column D, line: 'x 1' is not a place",
                "strings.csv:4: column D, line: [[1.0, 2.0]]: list should have at least 2 items",
            ],
        ),
        (b"PK\x03\x04\x14\x00", ["strings.csv: this is the file of a spreadsheet, not a CSV; save the table as CSV"]),
        (
            "name,controller,pixels\n".encode("utf-16-le"),
            ["strings.csv: the file is not text in UTF-8; save the table"],
        ),
        (
            "kind,name,controller,pixels,universes\ncontroller,left,,,04-Jan\n",
            ["strings.csv:2: column E, universes: '04-Jan' is not a list of universes; as 1 to 24: many spreadsheets"],
        ),
        (
            f"{HEAD}a,left,9,,box\nb,left,9,,bux\nc,left,9,,bax\nlamps,,,,,,,,,,supply,5,1\n",
            [
                f"strings.csv:{line}: column E, supply: there is no supply '{name}'; add a line of the kind supply "
                "with this name, volts and amps; or use lamps"
                for line, name in ((2, "box"), (3, "bux"), (4, "bax"))
            ],
        ),
        (
            f"name,controller,pixels\na,left,{'9' * 90}x\n",
            [f"strings.csv:2: column C, pixels: '{'9' * 56}... is not a w"],
        ),
        ('name,controller,pixels\n"a,left,9\nb,left,9\n', ["strings.csv:2: a quote is open, or is in the middle of a"]),
        (
            'name,controller,pixels\na,left,9\n"b"c,left,9\n',
            ["strings.csv:3: a quote is open, or is in the middle of a"],
        ),
        (
            "name,controller,pixels\nStraße,left,9\n".encode("cp1252"),
            ["strings.csv:2: column 5 has the byte 0xDF, which is not text in UTF-8; save the file as UTF-8"],
        ),
        (
            "name,controller,pixels\n".encode("utf-16"),
            ["strings.csv:1: the file is text in UTF-16, not in UTF-8; save the file as UTF-8"],
        ),
    ],
)
def test_all_errors_are_reported_at_once_each_with_line_and_column(
    tmp_path: Path, text: str | bytes, reports: list[str]
) -> None:
    found = refusals(tmp_path, text)
    assert [one[: len(report)] for one, report in zip(found, reports, strict=False)] == reports
    assert len(found) == len(reports), found


def test_each_key_of_the_rig_has_a_column_but_points() -> None:
    for kind, columns in COLUMNS.items():
        keys = set(Rig.model_json_schema()["$defs"]["PixelString" if kind == "string" else kind.title()]["properties"])
        assert keys - set(columns.values()) <= {"place", "points"}
    assert set(ALL) >= {column for columns in COLUMNS.values() for column in columns}


def test_the_example_of_each_key_can_be_written_into_its_cell() -> None:
    for kind, columns in COLUMNS.items():
        for key in columns.values():
            value = read_cell(kind, key, example(kind, key), decimal_comma=False)
            TypeAdapter(KINDS[kind].model_fields[key].rebuild_annotation()).validate_python(value)


@given(st.floats(-10_000, 10_000))
def test_a_number_is_read_as_it_was_written(number: float) -> None:
    for comma in (False, True):
        assert read_cell("string", "feed_m", write_cell("feed_m", number, comma), comma) == number


def test_a_spreadsheet_may_drop_a_zero_at_the_end_of_a_number(tmp_path: Path) -> None:
    """Many do as they save: three digits after the mark are no thousands where the separator shows the mark."""
    for separator, number in ((",", "1.125"), (";", "1,125")):
        text = "name,controller,pixels,feed_m\na,left,2,{}\n".replace(",", separator).format(number)
        assert read(tmp_path, text).string[0].feed_m == 1.125


def toml(kind: str, **keys: object) -> str:
    """The text of a table; keys that are None are left out."""
    lines = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in keys.items() if value is not None]
    return "\n".join([f"[[{kind}]]", *lines, ""])


NAMES = st.text(
    st.characters(codec="utf-8", exclude_characters="\ufffe\uffff", exclude_categories=("Cc", "Zs", "Zl", "Zp")),
    min_size=1,
    max_size=8,
)
TEXTS = st.none() | st.text("aé\"';,=<&|ß 0", min_size=1, max_size=9).map(str.strip).filter(bool)
VOLTS = st.floats(0.1, 60)


def maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


@st.composite
def rigs(draw: st.DrawFn) -> str:
    """The text of a rig.toml with all that a CSV can hold."""
    names = iter(draw(st.lists(NAMES, min_size=24, max_size=24, unique=True)))
    circuits = [next(names) for _ in range(draw(st.integers(0, 2)))]
    supplies = [next(names) for _ in range(draw(st.integers(0, 2)))]
    supply = st.sampled_from([None, *supplies])
    circuit = st.sampled_from([None, *circuits])
    amps = st.floats(0.1, 900)
    text = "".join(
        toml("circuit", name=one, amps=draw(amps), volts=230, breaker=draw(TEXTS), rcd=draw(maybe(st.booleans())))
        for one in circuits
    )
    text += "".join(
        toml(
            "supply",
            name=one,
            amps=draw(amps),
            volts=draw(VOLTS),
            circuit=draw(circuit),
            efficiency=draw(st.floats(0.1, 1)),
        )
        for one in supplies
    )
    for number in range(draw(st.integers(1, 2))):
        text += draw(controllers(next(names), 1000 * number + 1, names, supply, circuit))
    return text


@st.composite
def controllers(draw: st.DrawFn, name: str, first: int, names: Any, supply: Any, circuit: Any) -> str:
    protocol = draw(st.sampled_from([None, "e131", "artnet", "ddp"]))
    host = st.just(f"192.0.2.{1 + first // 1000}")
    numbers = st.sampled_from(
        ["0:0:0-0:6:3", [*range(2 * first + 99, 2 * first - 1, -1)], "0-1,127:15:1-127:15:15,3-85"]
    )
    keys: dict[str | None, dict[str, Any]] = {
        "artnet": {"host": draw(host), "port_addresses": draw(maybe(numbers))},
        "ddp": {"host": draw(host)},
    }
    text = toml(
        "controller",
        name=name,
        universes=draw(st.sampled_from([f"{first}-{first + 99}", f"{first + 50}-{first + 99},{first}-{first + 49}"])),
        protocol=protocol,
        **keys.get(protocol, {"host": draw(maybe(host)), "multicast": draw(maybe(st.booleans()))}),
        lead=draw(maybe(st.sampled_from(["0 ms", "15 ms", "1.25 ms", "999.999 ms"]))),
        brightness=draw(maybe(st.floats(0.01, 1))),
    )
    before, universe = None, first
    for port in draw(st.lists(st.integers(1, 3), max_size=2, unique=True)):
        text += toml(
            "port", controller=name, number=port, fuse_a=draw(maybe(VOLTS)), supply=draw(supply),
            volts=draw(maybe(VOLTS)), run_m=draw(maybe(VOLTS)), note=draw(TEXTS),
        )  # fmt: skip
    for _ in range(draw(st.integers(0, 4))):
        universe += 10
        pixels = draw(st.integers(1, 900))
        port = draw(maybe(st.integers(1, 4)))
        pixel = st.lists(st.integers(1, pixels), max_size=min(3, pixels - 1), unique=True)
        follows = before is not None and draw(st.booleans())
        place = {"after": before} if follows else {"universe": universe, "slot": draw(st.integers(1, 100))}
        before = next(names)
        text += toml(
            "string", name=before, controller=name, pixels=pixels, **place, port=port, missing=draw(pixel),
            inject_at=draw(pixel), order=draw(st.sampled_from(["RGB", "GRB", "WRGB", "W", "RGBWA"])),
            slots_per_universe=draw(maybe(st.integers(500, 512))), ma_per_channel=draw(maybe(st.floats(0, 1000))),
            idle_ma=draw(maybe(st.floats(0, 100))), fuse_a=draw(maybe(VOLTS)) if port is None else None,
            supply=draw(supply), volts=draw(maybe(VOLTS)), awg=draw(maybe(st.integers(4, 36))),
            feed_m=draw(maybe(st.floats(0, 900))), group=draw(maybe(NAMES)),
            line=draw(maybe(st.lists(st.tuples(st.floats(-99, 99), st.floats(-99, 99)), min_size=2, max_size=3))),
        )  # fmt: skip
    for number in range(draw(st.integers(0, 2))):
        fed = draw(st.sampled_from(["supply", "circuit"]))
        text += toml(
            "fixture", name=next(names), controller=name, universe=first + 90 + number, slot=draw(st.integers(1, 500)),
            channels=draw(st.lists(st.sampled_from(["dimmer", "red", "fog", "other"]), min_size=1, max_size=9)),
            at=draw(maybe(st.tuples(st.floats(-99, 99), st.floats(-99, 99)))),
            watts=draw(maybe(st.floats(0.1, 9000))), **{fed: draw(supply if fed == "supply" else circuit)},
        )  # fmt: skip
    return text


def plain(rig: Rig) -> dict[str, Any]:
    """What a rig says: without the places in files. A string on a port has the fuse of the port."""
    found: dict[str, Any] = rig.model_dump()
    fuses = {port.name: port.fuse_a for port in rig.port}
    for string in found["string"]:
        if string["port"] is not None:
            string["fuse_a"] = fuses[port_name(string["controller"], string["port"])]
    found["port"] = sorted(found["port"], key=lambda port: (port["controller"], port["number"]))
    for kind in found.values():
        for table in kind or ():
            table.pop("place")
    return found


@settings(
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture, HealthCheck.data_too_large],
)
@given(text=rigs(), decimal_comma=st.booleans())
def test_a_rig_comes_back_from_its_spreadsheet_whole(tmp_path: Path, text: str, decimal_comma: bool) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(text, encoding="utf-8")
    rig = load_rig(path)
    sheet = spreadsheet(rig, decimal_comma)
    back = read(tmp_path, sheet.encode("utf-8-sig"))
    assert plain(back) == plain(rig)
    assert spreadsheet(back, decimal_comma) == sheet
    write_rig(path, back, "again")
    assert plain(load_rig(path)) == plain(rig)


PROTOCOLS = "kind,name,controller,pixels,universes,host,protocol,port_addresses,broadcast\n"


def test_the_protocol_of_a_controller_may_stand_beside_a_fixture(tmp_path: Path) -> None:
    text = "kind,name,controller,pixels,channels,host,protocol\nfixture,lamp,left,,dimmer,192.0.2.21,DDP\n"
    assert read(tmp_path, text).controller[0].protocol == "ddp"


def test_the_protocol_of_a_controller_stands_beside_its_strings_or_on_its_own_line(tmp_path: Path) -> None:
    """Some spreadsheets make a time of 0:1:1, and save 00:01:01."""
    rig = read(
        tmp_path,
        f"{PROTOCOLS},a,left,340,,192.0.2.21,Art-Net,0:0:0 to 0:0:7,\n,b,left,10,,,artnet,,\n"
        ",c,right,340,,192.0.2.22,DDP,,\n,d,mast,10,,,,,\ncontroller,left,,,,,,,\ncontroller,right,,,,,,,\n"
        "controller,mast,,,,,Art-Net,00:01:01,yes\n",
    )
    left, right, mast = rig.controller
    assert (left.protocol, left.host, left.port_addresses) == ("artnet", "192.0.2.21", tuple(range(8)))
    assert left.universes == tuple(range(1, 9))  # one for each port-address
    assert (right.protocol, right.host, right.universes) == ("ddp", "192.0.2.22", (9, 10))
    assert (mast.protocol, mast.broadcast, mast.port_address_of) == ("artnet", True, {11: 17})
    cells = spreadsheet(rig)
    assert "0:0:0 to 0:0:7" in cells and "artnet" in cells
    assert plain(read(tmp_path, cells)) == plain(rig)


@pytest.mark.parametrize(
    ("cells", "report"),
    [
        (",192.0.2.21,dmx,,", "column G, protocol: 'dmx' is not a protocol; as \"e131\""),
        (",192.0.2.21,ddp,1,", "column H, port_addresses: DDP has no port-addresses, Art-Net has; remove it"),
        (
            ",192.0.2.21,artnet,0:0:16,",
            "column H, port_addresses: '0:0:16' is not a port-address of Art-Net; as 0:0:1 to 0:0:8 (net:sub-net:"
            "universe), or as numbers: 1 to 8",
        ),
        (",,ddp,,", "column F, host: DDP is sent to an address, not by multicast, and there is none"),
        ("1 to 3,192.0.2.21,artnet,1 to 2,", "column H, port_addresses: 2 port-addresses for 3 universes"),
    ],
)
def test_a_wrong_protocol_is_reported_in_its_cell(tmp_path: Path, cells: str, report: str) -> None:
    (error,) = refusals(tmp_path, f"{PROTOCOLS},a,left,10,,,,,\ncontroller,left,,,{cells}\n")
    assert error.startswith(f"strings.csv:3: {report}"), error


def test_only_a_controller_that_could_have_an_address_gets_the_line_to_fill_in(tmp_path: Path) -> None:
    rig = read(tmp_path, f"{PROTOCOLS}controller,a,,,1,,,,\ncontroller,b,,,2,,artnet,,yes\n")
    write_rig(tmp_path / "rig.toml", rig, "rig")
    first, second = (tmp_path / "rig.toml").read_text(encoding="utf-8").split("[[controller]]")[1:]
    assert first.rstrip().endswith(
        '# host = "192.0.2.21"     # fill in its address. Without host, E1.31 is sent by multicast.'
    )
    assert "host" not in second


def test_the_spreadsheet_of_the_page_is_one(tmp_path: Path) -> None:
    page = (TOP / "shows" / "README.md").read_text(encoding="utf-8")
    rig = read(tmp_path, page.partition("```csv\n")[2].partition("```")[0])
    assert [(one.name, one.host) for one in rig.controller] == [("left", "192.0.2.21"), ("right", "192.0.2.22")]
    assert [(one.name, one.mm2, one.supply) for one in rig.string] == [
        ("ridge", 0.75, "left-12v"),
        ("eaves", 0.75, "left-12v"),
        ("door", None, "left-12v"),
    ]


CELLS = st.text(max_size=5) | st.sampled_from(
    ["0", "-1", "1e400", "nan", "512", "64000", "1,500", "0,5", "yes", "string", "port", "left", "1 to 4", "4 to 1",
     "37 40", "0 6 | 5 6", "| 1", "fog fog", "4 ms", "WRGB", "239.1.1.1", "ridge", "9" * 400]
)  # fmt: skip


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, 86), st.integers(0, 23), CELLS), max_size=3))
def test_whatever_stands_in_the_cells_there_is_a_rig_or_an_error_with_its_line(
    tmp_path: Path, changes: list[tuple[int, int, str]]
) -> None:
    """The spreadsheet of the quay, with a few cells changed."""
    with (TOP / "shows" / "demonstration" / "quay.csv").open(encoding="utf-8", newline="") as quay:
        rows = list(csv.reader(quay))
    for row, column, cell in changes:
        rows[row][column] = cell
    text = StringIO(newline="")
    csv.writer(text).writerows(rows)
    try:
        rig = read(tmp_path, text.getvalue())
    except InputError as error:
        assert changes
        assert all(one.problem and one.hint for one in error.errors)
    else:
        assert plain(read(tmp_path, spreadsheet(rig))) == plain(rig)


def test_a_name_that_a_csv_cannot_hold_is_refused_not_changed(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(toml("controller", name="left", universes="1") + toml("supply", name=" box", volts=5, amps=9))
    with pytest.raises(InputError, match="a CSV cannot hold supply ' box', supply 'box'"):
        spreadsheet(load_rig(path))


def test_other_programs_read_the_spreadsheet(tmp_path: Path) -> None:
    """The csv module of Python reads by the dialect of RFC 4180: commas, double quotes, CR and LF."""
    text = spreadsheet(read(tmp_path, PERSONS))
    rows = list(csv.DictReader(text.splitlines()))
    assert [row["name"] for row in rows if row["kind"] == "string"] == ["eaves", "ridge", "gable", 'door "m; x"']
    assert text.count("\r\n") == text.count("\n")
