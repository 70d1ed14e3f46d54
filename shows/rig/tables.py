"""The tables of a rig as a person writes them, and the text of rig.toml."""

from __future__ import annotations

import json
from decimal import Decimal
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from gloaming.shows.analysis.wiring import in_their_order, port_ranges
from gloaming.shows.config_files.checking import Table, models_in
from gloaming.shows.replacing import replacing
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import PixelString, Port, Rig, port_name
from gloaming.shows.rig.values import MS_NS

Values = dict[str, Any]
KINDS: dict[str, type[BaseModel]] = {
    kind: next(models_in(field.annotation)) for kind, field in Rig.model_fields.items() if kind != "place"
}
"""The tables of rig.toml, by name."""
HOST_HINT = '# host = "192.0.2.21"     # fill in its address. Without host, E1.31 is sent by multicast.'


def tables_of(rig: Rig) -> dict[str, list[Values]]:
    """The tables of a rig from `load_rig`, by kind: without defaults, and without what follows from other tables."""
    ports = {port.name: port for port in rig.port}
    return {
        "controller": [_values(one) for one in rig.controller],
        "circuit": [_values(one) for one in rig.circuit],
        "supply": [_values(one) for one in rig.supply],
        "port": [_values(one) for one in rig.port if _says_more(one) or not rig.on_port[one.name]],
        "string": [_string_values(one, ports) for one in rig.string],
        "fixture": [_values(one) for one in rig.fixture],
        "zone": [_values(one) for one in rig.zone],
    }


def _says_more(port: Port) -> bool:
    """Whether a port has more than its number."""
    return len(_values(port)) > 2


def _string_values(string: PixelString, ports: dict[str, Port]) -> Values:
    follows = {"universe", "slot"} if string.after is not None else set()
    if string.port is not None:
        port = ports[port_name(string.controller, string.port)]
        follows |= {key for key in ("fuse_a", "supply") if getattr(string, key) == getattr(port, key)}
    return {key: value for key, value in _values(string).items() if key not in follows}


def _values(table: Table) -> Values:
    return {
        key: _as_written(key, value)
        for key, field in type(table).model_fields.items()
        if key != "place" and (value := getattr(table, key)) not in (field.default, None, "", ())
    }


def _as_written(key: str, value: Any) -> Any:
    """A value as it is written in TOML."""
    if key == "universes":
        return in_their_order(value)
    if key == "port_addresses":
        return port_ranges(value)
    if key in ("lead", "spread"):
        return f"{Decimal(value) / MS_NS:f} ms"
    return value


def rig_toml(tables: dict[str, list[Values]], heading: str) -> str:
    """The text of rig.toml. A controller that could have a host has a comment that says what to fill in."""
    parts = [f"# {heading}\n"]
    for kind, rows in tables.items():
        for row in rows:
            lines = [f"[[{kind}]]", *(f"{key} = {as_toml(value)}" for key, value in row.items())]
            if kind == "controller" and not row.keys() & {"host", "broadcast"}:
                lines.append(HOST_HINT)
            parts.append("\n".join([*lines, ""]))
    return "\n".join(parts)


def as_toml(value: Any) -> str:
    """A value in TOML 1.0. Its basic strings are those of JSON, but without the character DEL."""
    match value:
        case str():
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007F")
        case bool():
            return "true" if value else "false"
        case float():
            return repr(int(value) if value.is_integer() else value)
        case tuple() | list():
            return f"[{', '.join(map(as_toml, value))}]"
    return repr(value)


def write_rig(path: Path, rig: Rig, heading: str) -> None:
    """Write rig.toml, after `load_rig` has read the text back. InputError if it cannot be written."""
    tables = tables_of(rig)
    with replacing(path) as temporary:
        temporary.write_text(rig_toml(tables, heading), encoding="utf-8", newline="\n")
        differing = differences(tables, tables_of(load_rig(temporary)))
        assert not differing, f"the text of {path} does not hold {differing}"


def differences(one: dict[str, list[Values]], other: dict[str, list[Values]]) -> list[str]:
    """The tables that differ between two rigs, each by its kind and name."""
    found = []
    for kind in KINDS:
        first, second = _by_name(one[kind]), _by_name(other[kind])
        names = sorted(first.keys() | second.keys())
        found += [f"{kind} {name!r}" for name in names if first.get(name) != second.get(name)]
    return found


def _by_name(rows: list[Values]) -> dict[str, Values]:
    return {row["name"] if "name" in row else port_name(row["controller"], row["number"]): row for row in rows}
