"""A frame file remembers the rig that it was made for: as JSON in its metadata, for any string, safe from any text."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from gloaming.shows.framefile.reader import FrameWriter, Universe, inspect
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.made_for import MadeFor, made_for
from tests.places import TOP

RIG = """[[controller]]
name = "left"
universes = "1-8"

[[string]]
name = "ridgeßé\\u2028"
controller = "left"
universe = 1
pixels = 200
order = "GRB"
volts = 12

[[string]]
name = "eaves"
controller = "left"
universe = 5
slot = 4
pixels = 600
slots_per_universe = 512

[[fixture]]
name = "lamp"
controller = "left"
universe = 8
slot = 300
channels = ["dimmer", "red", "red"]
"""
ROW = {"name": "ridge", "universe": 1, "slot": 1, "pixels": 9, "order": "RGB", "slots_per_universe": 510}


@pytest.fixture
def rig(tmp_path: Path) -> MadeFor:
    (tmp_path / "rig.toml").write_text(RIG, encoding="utf-8")
    return MadeFor.of(load_rig(tmp_path / "rig.toml"))


def file(path: Path, rig: str, *universes: int) -> Path:
    with FrameWriter(path, Fraction(40), [Universe(n, 3, 3 * at) for at, n in enumerate(universes)], rig=rig) as writer:
        writer.write(np.zeros((1, 3 * len(universes)), np.uint8))
    return path


def test_the_json_is_one_line_that_is_as_the_page_says(rig: MadeFor) -> None:
    text = rig.to_json()
    assert text.isascii() and "\n" not in text and " " not in text.replace("\\u", "")
    assert json.loads(text)["strings"][1] == {
        "name": "eaves",
        "order": "RGB",
        "pixels": 600,
        "slot": 4,
        "slots_per_universe": 512,
        "universe": 5,
    }
    assert json.loads(text)["fixtures"] == [
        {"channels": ["dimmer", "red", "red"], "name": "lamp", "slot": 300, "universe": 8}
    ]
    again = MadeFor.from_json(text)
    assert again and again.to_json() == text
    assert [one.name for one in again.strings] == ["ridgeßé\u2028", "eaves"]
    assert [list(one.spans()) for one in again.strings] == [
        [(1, 1, 510), (2, 1, 90)],
        [(5, 4, 512), (6, 1, 512), (7, 1, 512), (8, 1, 267)],
    ]


def test_the_example_of_the_page_is_one() -> None:
    page = (TOP / "shows" / "FORMAT.md").read_text(encoding="utf-8")
    example = re.search(r'^    \{"fixtures".*?\n\n', page, re.MULTILINE | re.DOTALL)
    assert example
    text = "".join(line.strip() for line in example[0].splitlines())
    rig = MadeFor.from_json(text)
    assert rig and rig.to_json() == text and [one.name for one in rig.hung] == ["ridge", "quay lamp"]


def test_a_file_without_universes_of_a_string_does_not_have_it(rig: MadeFor, tmp_path: Path) -> None:
    def names(*universes: int) -> list[str] | None:
        found = made_for(inspect(file(tmp_path / "a.frames", rig.to_json(), *universes)))
        return [one.name for one in (*found.strings, *found.fixtures)] if found else None

    assert names(2, 8) == ["ridgeßé\u2028", "eaves", "lamp"]
    assert names(3, 6) == ["eaves"]
    assert names(3, 9) is None


def with_strings(*rows: dict[str, object]) -> str:
    return json.dumps({"strings": rows, "fixtures": []})


@pytest.mark.parametrize(
    "text",
    [
        *("", "null", "[]", "{}", "ridge", "9" * 5000, "\ud800", "[" * 100_000),
        *('{"strings": []}', '{"strings": 7, "fixtures": []}', '{"strings": [7], "fixtures": []}'),
        with_strings({"name": "ridge"}),
        with_strings({**ROW, "pixels": 10**12}),
        with_strings({**ROW, "universe": "one"}),
        with_strings({**ROW, "universe": 0}),
        with_strings({**ROW, "order": "XYZ"}),
        with_strings(ROW, ROW),
        with_strings(*({**ROW, "name": f"{at}", "pixels": 100_000} for at in range(110))),
        json.dumps({"strings": [], "fixtures": [{"name": "lamp", "universe": 1, "slot": 1, "channels": ["glow"]}]}),
    ],
    ids=lambda text: text[:40],
)
def test_any_other_text_is_no_rig(text: str) -> None:
    assert MadeFor.from_json(text) is None


def test_other_programs_may_add_keys() -> None:
    rig = MadeFor.from_json(
        json.dumps({"strings": [{**ROW, "colour": "warm"}], "fixtures": [], "by": "another program"})
    )
    assert rig and [one.name for one in rig.strings] == ["ridge"]


def test_a_foreign_text_in_a_frame_file_is_no_obstacle(tmp_path: Path) -> None:
    info = inspect(file(tmp_path / "a.frames", '{"strings": "all of them"}', 1))
    assert info.rig and made_for(info) is None
    assert inspect(file(tmp_path / "b.frames", "", 1)).rig == ""


@pytest.mark.parametrize(
    ("names", "wanted"),
    [
        ({1: 11, 2: 12, 5: 15, 6: 16, 7: 17, 8: 18}, [11, 15, 18]),
        ({1: 1, 2: 2, 5: 25, 8: 28}, [1, 25, 28]),
        ({1: 2, 2: 1, 5: 5, 8: 8}, None),
    ],
    ids=["all", "a part of eaves is there", "ridge is torn"],
)
def test_renumbered_universes_move_the_strings_that_stay_whole(
    rig: MadeFor, names: dict[int, int], wanted: list[int] | None
) -> None:
    moved = rig.renumbered(names)
    assert (moved and [one.universe for one in (*moved.strings, *moved.fixtures)]) == wanted
