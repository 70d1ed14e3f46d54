"""`gloaming site schema`: what editors complete and check by, against files that load and files that do not."""

from __future__ import annotations

import json
import tomllib
from typing import Any

import jsonschema_rs
import pytest
from pydantic import TypeAdapter

from gloaming.api.cli.main import main
from gloaming.daemon.site.schema import SiteFile
from gloaming.shows.config_files.table_schema import tables
from gloaming.shows.demonstration.rig import rig_toml
from gloaming.shows.demonstration.season import SITE as DEMONSTRATION
from gloaming.shows.rig.model import Rig
from tests.daemon.site.errors import RIG, RIG_CASES, SITE, SITE_CASES

PIECE = '[[piece]]\nname = "tide"\nframes = "pieces/tide.frames"\n'
SITES = {
    "demonstration": DEMONSTRATION.format(host="127.0.74.1", listen="127.0.74.1:8080", pieces=PIECE),
    "every table": SITE,
}


def schema(capfd: pytest.CaptureFixture[str], *options: str) -> Any:
    assert main(["site", "schema", *options]) == 0
    printed = json.loads(capfd.readouterr().out)
    assert printed["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema_rs.meta.validate(printed)
    return printed


def refused(by: Any, text: str) -> list[str]:
    plain = json.loads(json.dumps(tomllib.loads(text), default=str))  # a TOML date is text in JSON
    return [error.message for error in jsonschema_rs.validator_for(by).iter_errors(plain)]


@pytest.mark.parametrize("name", SITES)
def test_a_site_that_loads_is_valid_by_the_schema(name: str, capfd: pytest.CaptureFixture[str]) -> None:
    assert refused(schema(capfd), SITES[name]) == []


@pytest.mark.parametrize("text", [rig_toml("127.0.74.1"), RIG], ids=["demonstration", "every table"])
def test_a_rig_that_loads_is_valid_by_the_schema(text: str, capfd: pytest.CaptureFixture[str]) -> None:
    assert refused(schema(capfd, "--rig"), text) == []


def test_the_schema_finds_half_of_the_mistakes(capfd: pytest.CaptureFixture[str]) -> None:
    """Names that are not there, overlaps and files are for `gloaming survey`; what one key says is for the editor."""
    site, rig = schema(capfd), schema(capfd, "--rig")
    cases = [*((SITE, case, site) for case in SITE_CASES), *((RIG, case, rig) for case in RIG_CASES)]
    found = read = 0
    for whole, case, by in cases:
        try:
            wrong = refused(by, whole.replace(case.there, case.written, 1))
        except tomllib.TOMLDecodeError:
            continue
        read += 1
        found += bool(wrong)
    assert found > read / 2


@pytest.mark.parametrize(("model", "options"), [(SiteFile, ()), (Rig, ("--rig",))])
def test_examples_and_defaults_are_valid_by_the_schema_and_for_the_program(
    model: Any, options: tuple[str, ...], capfd: pytest.CaptureFixture[str]
) -> None:
    whole = schema(capfd, *options)
    seen = 0
    for table in list(tables(model))[1:]:
        for name, field in table.model_fields.items():
            if name == "place":
                continue
            key = whole["$defs"][table.__name__]["properties"][field.alias or name]
            kind = TypeAdapter(field.rebuild_annotation())
            for value in [*key.get("examples", ()), *([key["default"]] if "default" in key else ())]:
                assert jsonschema_rs.is_valid({**key, "$defs": whole["$defs"]}, value), (table, name, value)
                kind.validate_python(value)
                seen += 1
    assert seen > 20
