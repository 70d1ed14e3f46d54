"""The cells of a spreadsheet: which columns there are, and how values are read from them and written into them.

A column is a key of rig.toml.
"""

from __future__ import annotations

import csv
import re
import tomllib
import unicodedata
from collections.abc import Callable, Iterator
from functools import cache
from io import StringIO
from itertools import chain
from pathlib import Path
from typing import Any

from gloaming.shows.config_files.checking import examples, quoted
from gloaming.shows.config_files.errors import ConfigError, InputError, WrongValueError, input_error
from gloaming.shows.config_files.toml_lines import decoded
from gloaming.shows.rig.tables import KINDS
from gloaming.shows.rig.values import read_port_addresses, read_protocol, read_universes

SEPARATORS = ",;\t"
_SEPARATOR = re.compile(r"sep=([,;\t])\r?\n", re.IGNORECASE)
"""A first line by which some spreadsheets name their separator."""
_WHOLE = re.compile(r"[+-]?[0-9]+(?:[.,]0{1,2})?")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
"""Such a number may have a decimal mark, or a mark between thousands."""
COLUMNS: dict[str, dict[str, str]] = {
    kind: {
        "port" if (kind, key) == ("port", "number") else key: key
        for key in model.model_fields
        if key not in ("place", "points")
    }
    for kind, model in KINDS.items()
}
"""The keys of each kind of line, by column. `points` have no column."""
LENT: dict[str, dict[str, tuple[str, str]]] = {
    "string": {
        "host": ("controller", "host"),
        "protocol": ("controller", "protocol"),
        "port_addresses": ("controller", "port_addresses"),
        "run_m": ("port", "run_m"),
        "note": ("port", "note"),
        "supply_volts": ("supply", "volts"),
        "supply_amps": ("supply", "amps"),
    },
    "fixture": {
        "host": ("controller", "host"),
        "protocol": ("controller", "protocol"),
        "port_addresses": ("controller", "port_addresses"),
        "supply_volts": ("supply", "volts"),
        "supply_amps": ("supply", "amps"),
    },
}
"""Columns of strings and fixtures that fill a key of their controller, port or supply: its kind and the key."""
FIRST = (
    "kind",
    "name",
    "controller",
    "port",
    "pixels",
    "universe",
    "slot",
    "after",
    "order",
    "volts",
    "fuse_a",
    "supply",
)
ALL = tuple(dict.fromkeys((*FIRST, *chain(*COLUMNS.values(), *LENT.values()))))
"""Every column, in the order in which they are written."""
RANGES = ("universes", "port_addresses")
"""The columns whose ranges are written "1 to 24"."""
WITHOUT_UNIT = {
    name: column for column in ALL for name, _, unit in [column.rpartition("_")] if unit in ("a", "ma", "m")
}
"""Headings that leave the unit out: fuse is fuse_a."""
NEEDED = ("name", "controller", "pixels")


def read_text(path: Path) -> str:
    """The text of a CSV. Raises InputError if the file is no text in UTF-8, or OSError."""
    raw = path.read_bytes()
    if raw.startswith(b"PK\3\4"):  # a zip archive, as the own files of spreadsheets are
        raise input_error(path, "this is the file of a spreadsheet, not a CSV", "save the table as CSV, in UTF-8")
    text = decoded(path, raw)
    if "\0" in text:
        raise input_error(path, "the file is not text in UTF-8", "save the table as CSV, in UTF-8")
    return text


def records(path: Path, text: str) -> Iterator[tuple[int, list[str]]]:
    """The lines of a CSV (RFC 4180) that have cells: number in the file, and the cells without blanks around them.

    Commas, semicolons or tabs separate the cells: the heading has most of them. Raises InputError.
    """
    separator, rest, first = _opened(text)
    reader = csv.reader(StringIO(rest, newline=""), delimiter=separator, strict=True)
    end = first
    try:
        for cells in reader:
            begin, end = end, reader.line_num + first
            stripped = [cell.strip() for cell in cells]
            if any(stripped):
                yield begin, stripped
    except csv.Error:
        problem = "a quote is open, or is in the middle of a cell"
        raise InputError(ConfigError(path, end, None, problem, 'write "" for a quote inside quoted text')) from None


def has_decimal_commas(text: str) -> bool:
    """Whether the numbers of a CSV are written as 0,75: semicolons separate its cells, because commas cannot."""
    return _opened(text)[0] == ";"


def _opened(text: str) -> tuple[str, str, int]:
    """The separator of a CSV, its text from the headings on, and the number of their line."""
    named = _SEPARATOR.match(text)
    rest = text[named.end() :] if named else text
    heading = next((line for line in rest.splitlines() if line.strip(f'{SEPARATORS} "')), "")
    return named[1] if named else max(SEPARATORS, key=heading.count), rest, 2 if named else 1


def column_name(heading: str) -> str:
    """The column that a heading means: "Fuse (A)" and "Fuse" are fuse_a, "mm²" is mm2."""
    name = re.sub(r"[^a-z0-9]+", "_", unicodedata.normalize("NFKC", heading).lower()).strip("_")
    return WITHOUT_UNIT.get(name, name)


def letters(number: int) -> str:
    """The letters of a column in a spreadsheet: 0 is A, 26 is AA."""
    more, last = divmod(number, 26)
    return (letters(more - 1) if more else "") + chr(ord("A") + last)


def read_cell(kind: str, key: str, text: str, decimal_comma: bool) -> Any:
    """A cell as a value of rig.toml. Raises WrongValueError."""
    if key == "line" or "number" in _types(kind, key):
        for number in re.split(r"[\s|]+", text):
            _one_meaning(number, decimal_comma)
    reader = _READERS[key if key in _READERS else _types(kind, key)]
    return reader(text, example(kind, key))


@cache
def example(kind: str, key: str) -> str:
    """The example of a key, as it is written in a cell; "yes" where the key has none."""
    shown = next(iter(examples(KINDS[kind].model_fields[key])), "true")
    return write_cell(key, tomllib.loads(f"value = {shown}")["value"], decimal_comma=False)


def write_cell(key: str, value: Any, decimal_comma: bool) -> str:
    """A value of rig.toml as a cell."""
    match value:
        case bool():
            return "yes" if value else "no"
        case int() | float():
            text = repr(int(value) if value == int(value) else value)
            return text.replace(".", ",") if decimal_comma else text
        case str():
            return re.sub(r"(\d)-(\d)", r"\1 to \2", value) if key in RANGES else value
    items = [write_cell("", item, decimal_comma) for item in value]
    return (" | " if key == "line" else " ").join(items)


@cache
def _types(kind: str, key: str) -> str:
    """The JSON types of a key: "integer", or "array of integer"."""
    schema = KINDS[kind].model_json_schema()["properties"][key]
    schema = next((one for one in schema.get("anyOf", ()) if one["type"] != "null"), schema)
    if schema["type"] != "array":
        return str(schema["type"])
    item = schema.get("items") or schema["prefixItems"][0]
    return f"array of {item['type']}"


def _whole(text: str, example: str) -> int:
    if not _WHOLE.fullmatch(text):
        raise WrongValueError(f"{quoted(text)} is not a whole number", f"write the number alone, as {example}")
    return int(re.split("[.,]", text)[0])


def _one_meaning(text: str, decimal_comma: bool) -> None:
    """Raise WrongValueError for 1.500 in a file with decimal commas, and for 1,500 in another."""
    if _THOUSANDS.fullmatch(text) and ("," in text) != decimal_comma:
        meant, decimal = re.sub("[.,]", "", text), re.sub("[.,]", "," if decimal_comma else ".", text)
        problem = f"{quoted(text)} may be {meant} or {decimal}"
        raise WrongValueError(problem, f"write {meant}, or {decimal}")


def _number(text: str, example: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise WrongValueError(f"{quoted(text)} is not a number", f"write the number alone, as {example}")
    return float(text.replace(",", "."))


def _yes_no(text: str, example: str) -> bool:
    values = {"yes": True, "no": False, "true": True, "false": False}
    if text.lower() not in values:
        raise WrongValueError(f"{quoted(text)} is neither yes nor no", "write yes or no")
    return values[text.lower()]


def _wholes(text: str, example: str) -> list[int]:
    try:
        return [_whole(one, example) for one in re.split(r"[\s,;]+", text)]
    except WrongValueError:
        raise WrongValueError(f"{quoted(text)} is not a list of whole numbers", "as 50 100") from None


def _words(text: str, example: str) -> list[str]:
    return re.split(r"[\s,;]+", text.lower())


def _corners(text: str, example: str) -> list[list[float]]:
    return [_place(corner, example) for corner in text.split("|")]


def _place(text: str, example: str) -> list[float]:
    try:
        right, up = (_number(one, example) for one in text.split())
    except ValueError:
        hint = f"write right and up in metres, as {example}"
        raise WrongValueError(f"{quoted(text.strip())} is not a place", hint) from None
    return [right, up]


def _universes(text: str, example: str) -> str:
    return _ranges(text, read_universes, "as 1 to 24: many spreadsheets read 1-24 as a date")


def _port_addresses(text: str, example: str) -> str:
    return _ranges(text, read_port_addresses, f"as {example} (net:sub-net:universe), or as numbers: 1 to 8")


def _ranges(text: str, read: Callable[[str], object], hint: str) -> str:
    numbers = re.sub(r"\s+to\s+", "-", text)
    try:
        read(numbers)
    except WrongValueError as error:
        raise WrongValueError(error.problem, hint) from None
    return numbers


def _as_it_is(text: str, example: str) -> str:
    return text


_READERS: dict[str, Callable[[str, str], Any]] = {
    "universes": _universes,
    "port_addresses": _port_addresses,
    "protocol": lambda text, example: read_protocol(text),
    "order": lambda text, example: text.upper(),
    "lead": _as_it_is,
    "spread": _as_it_is,
    "string": _as_it_is,
    "integer": _whole,
    "number": _number,
    "boolean": _yes_no,
    "array of integer": _wholes,
    "array of string": _words,
    "array of number": _place,
    "array of array": _corners,
}
"""By key, or else by its JSON types."""
