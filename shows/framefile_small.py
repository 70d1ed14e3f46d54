"""The small form of a frame file: one table, and pages as small as they serve, so that little comes to the raw frames.

Every table of SQLite takes a page and more of its own, which a file of some hundred kilobytes would feel.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path

from gloaming.shows.framefile_layout import (
    APPLICATION_ID,
    SCHEMA_SMALL,
    TITLE_BYTES_MAX,
    VERSION_SMALL,
    Universe,
    seal,
    title_lines,
)

SMALL_BYTES = 4 * 1024 * 1024
"""Larger files are not worth being written anew; what their tables take is below a hundredth."""
_PAGE_BYTES = (512, 1024, 2048, 4096)


def title(meta: Mapping[str, str], universes: Sequence[Universe]) -> bytes:
    """The title of a finished file: what it says of itself, sealed."""
    sealed = {**meta, "seal": seal(meta, universes)}
    return "".join(f"{line}\n" for line in title_lines(sealed, universes)).encode()


def read_title(data: object) -> tuple[dict[str, str], tuple[Universe, ...]]:
    """What a title says. ValueError if it is none."""
    if not isinstance(data, bytes) or len(data) > TITLE_BYTES_MAX or not data.endswith(b"\n"):
        raise ValueError("it has no title")
    lines = data.decode().removesuffix("\n").split("\n")
    meta = dict(line.split("=", 1) for line in lines if "=" in line)
    universes = (line.split(" ") for line in lines if "=" not in line)
    return meta, tuple(Universe(int(number), int(slots), int(offset)) for number, slots, offset in universes)


def small_form(path: Path, meta: Mapping[str, str], universes: Sequence[Universe]) -> bytes:
    """A whole file in the small form, from the chunks of `path`; with the pages that make it smallest."""
    with contextlib.closing(sqlite3.connect(path)) as connection:
        chunks = connection.execute("SELECT first_frame, frames, data FROM chunk").fetchall()
    rows = [(-1, 0, title(meta, universes)), *chunks]
    return min((_packed(rows, page_bytes) for page_bytes in _PAGE_BYTES), key=len)


def _packed(rows: Sequence[tuple[int, int, bytes]], page_bytes: int) -> bytes:
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as memory:
        memory.execute(f"PRAGMA page_size = {page_bytes}")
        memory.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        memory.execute(f"PRAGMA user_version = {VERSION_SMALL}")
        memory.execute("BEGIN")
        memory.execute(*SCHEMA_SMALL)
        memory.executemany("INSERT INTO chunk VALUES (?, ?, ?)", rows)
        memory.execute("COMMIT")
        return memory.serialize()
