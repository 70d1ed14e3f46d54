"""Rows of the state database: overrides and repairs as values, and the statements that write them."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing, suppress
from dataclasses import asdict, astuple, fields
from fractions import Fraction
from pathlib import Path
from typing import Any

from gloaming.daemon.direction.overrides import Check, Kind, Override
from gloaming.daemon.planner.state_file import Statement, read_only
from gloaming.shows.rig.patterns import Pattern
from gloaming.shows.rig.repairs import Fault, Repair

KINDS = tuple(str(kind) for kind in Kind)
_FAULTS = tuple(str(fault) for fault in Fault)
_REPAIR_COLUMNS = "id, part, pixel, fault, note, at_ns, who, mended_ns, mended_by"
_FIELDS = tuple(field.name for field in fields(Override))
_COLUMNS = ", ".join("rig_check" if name == "check" else name for name in _FIELDS)
_EMPTY = {"why": "", "hold": "", "author": "", "version": 1, "changed_by": "", "ended_by": ""}
"""What no value means in a column that an older file does not have."""
SINCE = f"min(until_ns, ifnull(ended_ns, until_ns)) >= ? AND kind IN {KINDS}"


def read_overrides(path: Path, since_ns: int) -> tuple[Override, ...]:
    """The overrides in the file of another process, as `Store.overrides`; none if it cannot be read."""
    with suppress(sqlite3.Error):
        if (file := read_only(path)) is not None:
            with closing(file):
                return overrides_in(file, SINCE, since_ns)
    return ()


def overrides_in(db: sqlite3.Connection, where: str, value: int) -> tuple[Override, ...]:
    rows = db.execute(f"SELECT {_COLUMNS} FROM override WHERE {where} ORDER BY at_ns, id", (value,))
    return tuple(map(_override, rows))


def _override(row: tuple[Any, ...]) -> Override:
    found = dict(zip(_FIELDS, row, strict=True))
    found |= {name: usual for name, usual in _EMPTY.items() if found[name] is None}
    read = {"kind": Kind(found["kind"]), "check": _read_check(found["check"]), "version": int(found["version"])}
    flags = {name: bool(found[name]) for name in ("show_continues", "after")}
    return Override(**{**found, **read, **flags})


def override_statement(override: Override) -> Statement:
    found = {name: getattr(override, name) for name in _FIELDS}
    found |= {name: None for name, usual in _EMPTY.items() if name != "version" and found[name] == usual}
    found |= {"kind": str(override.kind), "check": _check_text(override.check)}
    found |= {"show_continues": int(override.show_continues), "after": override.after or None}
    places = ", ".join("?" * len(found))
    return f"INSERT OR REPLACE INTO override ({_COLUMNS}) VALUES ({places})", tuple(found.values())


def end_statement(id: int, at_ns: int, board: str, who: str = "") -> Statement:
    ended = "ended_ns = ?, version = ifnull(version, 1) + 1, changed_by = ?, ended_by = ?"
    values = (at_ns, board or None, who or None, id)
    return f"UPDATE override SET {ended} WHERE id = ? AND ended_ns IS NULL", values


def _check_text(check: Check | None) -> str | None:
    if check is None:
        return None
    rate = [check.fps.numerator, check.fps.denominator]
    pattern = asdict(check.pattern) if check.pattern else None
    return json.dumps({"text": check.text, "path": check.path, "frames": check.frames, "fps": rate, "pattern": pattern})


def _read_check(text: str | None) -> Check | None:
    if text is None:
        return None
    found = json.loads(text)
    pattern = found.get("pattern")
    if pattern is not None:
        known = {each.name: pattern[each.name] for each in fields(Pattern)}  # a newer version may have more
        spans = tuple(tuple(span) for span in pattern["spans"])
        pattern = Pattern(**{**known, "only": tuple(pattern["only"]), "spans": spans})
    return Check(found["text"], found["path"], found["frames"], Fraction(*found["fps"]), pattern)


def read_repairs(path: Path) -> tuple[Repair, ...]:
    """The marks in the file of another process, as `Store.repairs`; none if it cannot be read."""
    with suppress(sqlite3.Error):
        if (file := read_only(path)) is not None:
            with closing(file):
                return repairs_in(file)
    return ()


def repairs_in(db: sqlite3.Connection) -> tuple[Repair, ...]:
    rows = db.execute(f"SELECT {_REPAIR_COLUMNS} FROM repair WHERE fault IN {_FAULTS} ORDER BY id")
    return tuple(Repair(id, part, pixel, Fault(fault), *others) for id, part, pixel, fault, *others in rows)


def repair_statement(repair: Repair) -> Statement:
    values = (*astuple(repair)[:3], str(repair.fault), *astuple(repair)[4:])
    return f"INSERT OR REPLACE INTO repair ({_REPAIR_COLUMNS}) VALUES (?,?,?,?,?,?,?,?,?)", values
