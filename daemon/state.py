"""What outlives the director: overrides, journal, devices and facts, in one SQLite file. No decisions here.

What has been confirmed is on the disk. A damaged file is set aside and begun anew; what cannot be written is counted.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from gloaming.daemon.direction.overrides import Kind, Override

JOURNAL_ROWS_MAX = 200_000
BUSY_S = 0.2
_SCHEMA = """
CREATE TABLE IF NOT EXISTS override (id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, at_ns INTEGER NOT NULL,
    until_ns INTEGER NOT NULL, who TEXT NOT NULL, ended_ns INTEGER, show TEXT, level REAL, unseen INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS journal (id INTEGER PRIMARY KEY AUTOINCREMENT, at_ns INTEGER NOT NULL, kind TEXT NOT NULL,
    text TEXT NOT NULL, who TEXT NOT NULL, data TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS device (id INTEGER PRIMARY KEY AUTOINCREMENT, token_sha256 TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL, kind TEXT NOT NULL, made_ns INTEGER NOT NULL, revoked_ns INTEGER);
CREATE TABLE IF NOT EXISTS fact (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""


class State:
    """The state directory's database. `unwritten` counts what the disk would not take."""

    def __init__(self, folder: Path, now_ns: int) -> None:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        self.path = folder / "state.db"
        self.unwritten = 0
        self.set_aside: Path | None = None
        before = os.umask(0o077)
        try:
            self._db = self._open()
        except sqlite3.DatabaseError as error:
            if isinstance(error, sqlite3.OperationalError) and "unable to open" in str(error):
                raise OSError(f"{self.path} cannot be opened: {error}") from None
            self.set_aside = self._put_aside(now_ns)
            self._db = self._open()
            self.note(now_ns, "state", f"the state database was damaged ({error}) and is set aside as {self.set_aside}")
        finally:
            os.umask(before)

    def _open(self) -> sqlite3.Connection:
        db = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None)
        try:
            if db.execute("PRAGMA quick_check").fetchone()[0] != "ok":
                raise sqlite3.DatabaseError("its pages do not agree")
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            db.executescript(_SCHEMA)
        except sqlite3.Error:
            db.close()
            raise
        return db

    def _put_aside(self, now_ns: int) -> Path:
        aside = self.path.with_name(f"state-damaged-{now_ns // 1_000_000_000}.db")
        for ending in ("", "-wal", "-shm"):
            part = Path(f"{self.path}{ending}")
            if part.exists():
                part.rename(f"{aside}{ending}")
        return aside

    def close(self) -> None:
        self._db.close()

    def add(self, override: Override) -> Override:
        """Store an override; it is on the disk when this returns. sqlite3.Error where it cannot be."""
        values = (
            str(override.kind),
            override.at_ns,
            override.until_ns,
            override.who,
            override.ended_ns,
            override.show,
            override.level,
            int(override.unseen),
        )
        cursor = self._db.execute(
            "INSERT INTO override (kind, at_ns, until_ns, who, ended_ns, show, level, unseen) VALUES (?,?,?,?,?,?,?,?)",
            values,
        )
        return replace(override, id=cursor.lastrowid or 0)

    def end(self, id: int, at_ns: int) -> None:
        """End an override at an instant."""
        self._db.execute("UPDATE override SET ended_ns = ? WHERE id = ? AND ended_ns IS NULL", (at_ns, id))

    def overrides(self, since_ns: int) -> tuple[Override, ...]:
        """The overrides that were in force at `since_ns` or later."""
        rows = self._db.execute(
            "SELECT id, kind, at_ns, until_ns, who, ended_ns, show, level, unseen FROM override"
            " WHERE until_ns >= ? ORDER BY at_ns, id",
            (since_ns,),
        )
        return tuple(
            Override(id, Kind(kind), at_ns, until_ns, who, ended_ns, show, level, bool(unseen))
            for id, kind, at_ns, until_ns, who, ended_ns, show, level, unseen in rows
        )

    def note(self, at_ns: int, kind: str, text: str, who: str = "", data: dict[str, object] | None = None) -> None:
        """A line in the journal; where the disk will not take it, it is counted."""
        try:
            self._db.execute(
                "INSERT INTO journal (at_ns, kind, text, who, data) VALUES (?,?,?,?,?)",
                (at_ns, kind, text, who, json.dumps(data or {})),
            )
            self._db.execute(
                "DELETE FROM journal WHERE id <= (SELECT max(id) FROM journal) - ?",
                (JOURNAL_ROWS_MAX,),
            )
        except sqlite3.Error:
            self.unwritten += 1

    def journal(self, limit: int, before_id: int | None = None) -> list[dict[str, object]]:
        """The newest lines, newest first."""
        rows = self._db.execute(
            "SELECT id, at_ns, kind, text, who, data FROM journal WHERE id < ? ORDER BY id DESC LIMIT ?",
            (before_id if before_id is not None else 1 << 62, limit),
        )
        names = ("id", "at_ns", "kind", "text", "who")
        return [{**dict(zip(names, row[:5], strict=True)), "data": json.loads(row[5])} for row in rows]

    def fact(self, name: str) -> str | None:
        row = self._db.execute("SELECT value FROM fact WHERE name = ?", (name,)).fetchone()
        return str(row[0]) if row else None

    def set_fact(self, name: str, value: str) -> None:
        self._db.execute("INSERT OR REPLACE INTO fact (name, value) VALUES (?, ?)", (name, value))

    def add_device(self, token_sha256: str, name: str, kind: str, now_ns: int) -> None:
        """A device that may ask."""
        self._db.execute(
            "INSERT INTO device (token_sha256, name, kind, made_ns) VALUES (?,?,?,?)",
            (token_sha256, name, kind, now_ns),
        )

    def device(self, token_sha256: str) -> tuple[int, str, str] | None:
        """`(id, name, kind)` of the device that a token belongs to."""
        row = self._db.execute(
            "SELECT id, name, kind FROM device WHERE token_sha256 = ? AND revoked_ns IS NULL", (token_sha256,)
        ).fetchone()
        return (int(row[0]), str(row[1]), str(row[2])) if row else None

    def drop_devices(self, names: Iterable[str], now_ns: int) -> None:
        """Revoke the devices of some names."""
        for name in names:
            self._db.execute("UPDATE device SET revoked_ns = ? WHERE name = ? AND revoked_ns IS NULL", (now_ns, name))
