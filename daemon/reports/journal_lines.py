"""The journal's lines, from its file and from memory, which has the newest. Knows no other table."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Collection, Iterator, Sequence
from typing import Any

Row = dict[str, Any]
COLUMNS = ("id", "at_ns", "kind", "text", "who", "data")
ZONE_KIND = "zone"
"""The kind of a line about an area of the rig. `areas` in its data, and in those of a state, has every area that shows
something else than the rest."""


def newest(db: sqlite3.Connection, before: int, limit: int, kinds: tuple[str, ...] = ()) -> list[Row]:
    """The newest lines before an id, newest first. Without `kinds`, of all kinds."""
    of_kind = f"AND kind IN ({','.join('?' * len(kinds))}) " if kinds else ""
    sql = f"SELECT {','.join(COLUMNS)} FROM journal WHERE id < ? {of_kind}ORDER BY id DESC LIMIT ?"
    return [_row(values) for values in db.execute(sql, (before, *kinds, limit)).fetchall()]


def between(parts: Sequence[sqlite3.Connection], from_ns: int, until_ns: int, states: Collection[str]) -> Iterator[Row]:
    """The lines of `[from_ns, until_ns)` in the order of their writing, with those that have the states at both ends.

    They begin at the last line of the kinds `states` before the stretch, with the last `start` before that, and end at
    the first such line after it. Lines of other times may be among them, because the clock may have stepped. `parts`
    have the journal, the older part first. A line in two parts comes from the newer.
    """
    begins = [db.execute("SELECT min(id) FROM journal").fetchone()[0] or 1 << 62 for db in parts]
    ends = [*begins[1:], 1 << 62]

    def numbers(what: str, *values: object) -> list[int]:
        sql = f"SELECT {what} AND id < ?"
        found = [db.execute(sql, (*values, end)).fetchone()[0] for db, end in zip(parts, ends, strict=True)]
        return [number for number in found if number is not None]

    kinds = ",".join(f"'{kind}'" for kind in states)
    first = min(numbers("min(id) FROM journal WHERE at_ns >= ?", from_ns), default=1 << 62)
    last = max(numbers("max(id) FROM journal WHERE at_ns >= ? AND at_ns < ?", from_ns, until_ns), default=first - 1)
    before = max(numbers(f"max(id) FROM journal WHERE id < ? AND kind IN ({kinds})", first), default=first)
    start = max(numbers("max(id) FROM journal WHERE id < ? AND kind = 'start'", before), default=before)
    after = min(numbers(f"min(id) FROM journal WHERE id > ? AND kind IN ({kinds},'start')", last), default=last)
    sql = f"SELECT {','.join(COLUMNS)} FROM journal WHERE (id = ? OR id BETWEEN ? AND ?) AND id < ? ORDER BY id"
    for db, end in zip(parts, ends, strict=True):
        yield from map(_row, db.execute(sql, (start, before, after, end)))


def _row(values: tuple[Any, ...]) -> Row:
    return {**dict(zip(COLUMNS, values, strict=True)), "data": json.loads(values[-1])}
