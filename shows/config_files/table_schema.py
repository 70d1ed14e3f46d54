"""The JSON Schema of a person's TOML file, from the models that read the file. Editors complete and check with it."""

from __future__ import annotations

import ast
import inspect
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import Any

from pydantic.fields import FieldInfo
from pydantic.json_schema import GenerateJsonSchema

from gloaming.shows.config_files.checking import Table, examples, models_in
from gloaming.shows.time_units import HOUR_NS, MINUTE_NS, SECOND_NS

UNITS_NS = {"h": HOUR_NS, "min": MINUTE_NS, "s": SECOND_NS, "ms": 1_000_000}


class _AsInToml(GenerateJsonSchema):
    """TOML has no null, and a key needs no title beside its name."""

    def field_title_should_be_set(self, schema: Any) -> bool:
        return False

    def nullable_schema(self, schema: Any) -> dict[str, Any]:
        return self.generate_inner(schema["schema"])


def file_schema(model: type[Table]) -> dict[str, Any]:
    """The JSON Schema (2020-12) of a TOML file: each key with its description, examples and default."""
    schema = model.model_json_schema(schema_generator=_AsInToml)
    for table in tables(model):
        place = schema if table is model else schema["$defs"][table.__name__]
        place.pop("title")
        place["description"] = (table.__doc__ or "").partition("\n")[0]
        del place["properties"]["place"]
        if table.ONE_OF:
            place["oneOf"] = [{"required": [key]} for key in table.ONE_OF]
        if table.NEEDS:
            place["dependentRequired"] = {key: [other] for key, other in table.NEEDS.items()}
        texts = descriptions(table)
        for name, field in table.model_fields.items():
            if name != "place":
                _complete(place["properties"][field.alias or name], field, texts.get(name))
    return {"$schema": _AsInToml.schema_dialect, **schema}


def tables(model: type[Table]) -> Iterator[type[Table]]:
    """A model and every model inside it, each once."""
    found = [model]
    for table in found:
        yield table
        inner = [one for field in table.model_fields.values() for one in models_in(field.annotation)]
        found += [one for one in dict.fromkeys(inner) if issubclass(one, Table) and one not in found]


def descriptions(table: type[Table]) -> dict[str, str]:
    """The description of each key: the text below the key in the source of the model or of its base."""
    found: dict[str, str] = {}
    for model in reversed([one for one in table.__mro__ if issubclass(one, Table)]):
        body = _classes_of(model.__module__)[model.__name__].body
        for key, below in pairwise(body):
            if isinstance(key, ast.AnnAssign) and isinstance(key.target, ast.Name) and isinstance(below, ast.Expr):
                found[key.target.id] = " ".join(ast.literal_eval(below.value).split())
    return found


@cache
def _classes_of(module: str) -> dict[str, ast.ClassDef]:
    """The classes in the source of a module."""
    tree = ast.parse(inspect.getsource(sys.modules[module]))
    return {node.name: node for node in tree.body if isinstance(node, ast.ClassDef)}


def _complete(key: dict[str, Any], field: FieldInfo, text: str | None) -> None:
    if text:
        key["description"] = text
    headers = ("[site]", "[[controller]]")
    if shown := [tomllib.loads(f"key = {one}")["key"] for one in examples(field) if one not in headers]:
        key["examples"] = shown
    default = key.pop("default", None)
    if isinstance(default, int) and key.get("type") == "string":
        default = as_length(default)
    if default is not None and "$ref" not in key:
        key["default"] = default


def as_length(length_ns: int) -> str:
    """A length in the largest unit that divides it: "1 s". Zero is "0 ms"."""
    unit = next(name for name, ns in UNITS_NS.items() if length_ns % ns == 0) if length_ns else "ms"
    return f"{length_ns // UNITS_NS[unit]} {unit}"
