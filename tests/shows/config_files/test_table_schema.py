"""The JSON Schema of a person's file says what the models say."""

from __future__ import annotations

from typing import Annotated

import jsonschema_rs
import pytest
from pydantic import Field

from gloaming.shows.config_files.checking import Table
from gloaming.shows.config_files.table_schema import as_length, file_schema, tables
from gloaming.shows.rig.model import Rig


class Buoy(Table):
    """What floats in the harbour.

    For those who read the code.
    """

    name: Annotated[str, Field(examples=['"north"'])]
    """What people
    call it."""
    depth_m: Annotated[float, Field(ge=0)] | None = None


class RedBuoy(Buoy):
    """A buoy to port."""

    lit: bool = True
    """Whether it has a lamp."""


class Harbour(Table):
    """A harbour.toml."""

    buoy: tuple[RedBuoy, ...] = ()
    """The buoys."""


def test_a_key_has_its_text_example_and_default_also_from_the_model_that_is_extended() -> None:
    schema = file_schema(Harbour)
    assert list(tables(Harbour)) == [Harbour, RedBuoy]
    buoy = schema["$defs"]["RedBuoy"]
    assert buoy["description"] == "A buoy to port."
    assert buoy["properties"] == {
        "name": {"type": "string", "description": "What people call it.", "examples": ["north"]},
        "depth_m": {"type": "number", "minimum": 0},
        "lit": {"type": "boolean", "description": "Whether it has a lamp.", "default": True},
    }


def test_place_is_no_key_and_null_is_no_value() -> None:
    check = jsonschema_rs.validator_for(file_schema(Harbour))
    assert check.is_valid({"buoy": [{"name": "north", "depth_m": 2}]})
    assert not check.is_valid({"buoy": [{"name": "north", "place": "harbour.toml:1"}]})
    assert not check.is_valid({"buoy": [{"name": "north", "depth_m": None}]})


@pytest.mark.parametrize(
    ("length_ns", "text"),
    [(0, "0 ms"), (15_000_000, "15 ms"), (1_000_000_000, "1 s"), (90_000_000_000, "90 s"), (3_600_000_000_000, "1 h")],
)
def test_a_length_is_written_in_the_largest_unit_that_divides_it(length_ns: int, text: str) -> None:
    assert as_length(length_ns) == text


def test_a_rig_with_an_unknown_colour_order_is_refused() -> None:
    check = jsonschema_rs.validator_for(file_schema(Rig))
    rig = {"controller": [{"name": "left", "universes": "1-4"}]}
    string = {"name": "ridge", "controller": "left", "universe": 1, "pixels": 150, "order": "GRB"}
    assert check.is_valid({**rig, "string": [string]})
    assert not check.is_valid({**rig, "string": [{**string, "order": "BLUE"}]})
    assert not check.is_valid({**rig, "string": [{**string, "pixel": 150}]})
    assert not check.is_valid({"string": [string]})
