"""What outlives the director: overrides, journal, devices and facts, in one SQLite file. No decisions here.

What has been confirmed is on the disk. A damaged file is set aside and begun anew. Where the disk takes nothing (full,
read-only, worn out) all goes on in memory; what waits to be written is counted, and written when the disk is back.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from fractions import Fraction
from pathlib import Path

from gloaming.daemon.direction.overrides import Check, Kind, Override

JOURNAL_ROWS_MAX = 60_000
"""About two seasons, and small enough to be held in memory."""
WAITING_MAX = 20_000
BUSY_S = 2.0
_SCHEMA = """
CREATE TABLE IF NOT EXISTS override (id INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, at_ns INTEGER NOT NULL,
    until_ns INTEGER NOT NULL, who TEXT NOT NULL, ended_ns INTEGER, show TEXT, level REAL, unseen INTEGER NOT NULL,
    rig_check TEXT);
CREATE TABLE IF NOT EXISTS journal (id INTEGER PRIMARY KEY AUTOINCREMENT, at_ns INTEGER NOT NULL, kind TEXT NOT NULL,
    text TEXT NOT NULL, who TEXT NOT NULL, data TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS device (id INTEGER PRIMARY KEY AUTOINCREMENT, token_sha256 TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL, kind TEXT NOT NULL, made_ns INTEGER NOT NULL, revoked_ns INTEGER);
CREATE TABLE IF NOT EXISTS fact (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
Statement = tuple[str, tuple[object, ...]]


class State:
    """The state directory's database. `fault` says what is wrong with the disk, `unwritten` how much waits for it."""

    def __init__(self, folder: Path, now_ns: int) -> None:
        self.path = folder / "state.db"
        self.fault: str | None = None
        self.set_aside: Path | None = None
        self._waiting: list[Statement] = []
        self._disk: sqlite3.Connection | None = None
        try:
            with _private():
                folder.mkdir(parents=True, exist_ok=True, mode=0o700)
                self._open_or_set_aside(now_ns)
        except (OSError, sqlite3.Error) as error:
            self._use_memory(error)

    @property
    def unwritten(self) -> int:
        """How many changes wait for a disk that takes them."""
        return len(self._waiting)

    def _open_or_set_aside(self, now_ns: int) -> None:
        try:
            self._disk = self._db = self._open()
            return
        except sqlite3.DatabaseError as error:
            if not _is_damage(error):
                raise
            wrong = error
        self.set_aside = self._put_aside(now_ns)
        self._disk = self._db = self._open()
        self.note(
            now_ns, "state", f"the state database was damaged ({wrong}) and is set aside as {self.set_aside.name}"
        )

    def _open(self) -> sqlite3.Connection:
        db = sqlite3.connect(self.path, timeout=BUSY_S, isolation_level=None)
        try:
            if (found := db.execute("PRAGMA quick_check").fetchone()[0]) != "ok":
                raise sqlite3.DatabaseError(f"its pages do not agree: {found}")
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            _lay_out(db)
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

    def _use_memory(self, error: Exception) -> None:
        """Go on in memory, with what can still be read of the file."""
        self.fault = str(getattr(error, "strerror", None) or error)
        for how in ("mode=ro", "mode=ro&immutable=1"):
            if (memory := self._read_into_memory(how)) is not None:
                self._db = memory
                return
        self._db = sqlite3.connect(":memory:", isolation_level=None)
        _lay_out(self._db)

    def _read_into_memory(self, how: str) -> sqlite3.Connection | None:
        memory = sqlite3.connect(":memory:", isolation_level=None)
        try:
            with closing(sqlite3.connect(f"{self.path.absolute().as_uri()}?{how}", uri=True)) as file:
                file.backup(memory)
            _lay_out(memory)
        except sqlite3.Error:
            memory.close()
            return None
        return memory

    def retry(self, now_ns: int) -> bool:
        """Write what waits, if the disk takes it again; whether nothing waits any more."""
        if self.fault is None:
            return True
        waited = len(self._waiting)
        try:
            with _private():
                disk = self._disk or self._open()
            self._disk = disk
            disk.execute("BEGIN IMMEDIATE")
            try:
                for sql, values in self._waiting:
                    disk.execute(sql, values)
                disk.execute("COMMIT")
            except sqlite3.Error:
                if disk.in_transaction:
                    disk.execute("ROLLBACK")
                raise
        except sqlite3.Error as error:
            self.fault = str(error)
            return False
        self._db.close()
        self._db, self._waiting, self.fault = disk, [], None
        self.note(now_ns, "state", f"the disk takes what is written again; {waited} changes had waited")
        return True

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()
        if self._disk:
            self._disk.close()

    def _write(self, *statements: Statement) -> None:
        """All of it or nothing, on the disk when this returns; or in memory, and counted."""
        if self.fault is None:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                for sql, values in statements:
                    self._db.execute(sql, values)
                self._db.execute("COMMIT")
                return
            except sqlite3.DatabaseError as error:
                if self._db.in_transaction:
                    self._db.execute("ROLLBACK")
                if isinstance(error, sqlite3.IntegrityError | sqlite3.ProgrammingError):
                    raise
                self._use_memory(error)
        for sql, values in statements:
            self._db.execute(sql, values)
        self._waiting.extend(statements)
        del self._waiting[: max(0, len(self._waiting) - WAITING_MAX)]

    def next_id(self) -> int:
        """The id of the next override; never one that was used before."""
        row = self._db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'override'").fetchone()
        return int(row[0]) + 1 if row else 1

    def add(self, override: Override) -> None:
        """Store an override under its id."""
        values = (
            override.id,
            str(override.kind),
            override.at_ns,
            override.until_ns,
            override.who,
            override.ended_ns,
            override.show,
            override.level,
            int(override.unseen),
            _check_text(override.check),
        )
        self._write(("INSERT INTO override VALUES (?,?,?,?,?,?,?,?,?,?)", values))

    def end(self, id: int, at_ns: int) -> None:
        """End an override at an instant."""
        self._write(("UPDATE override SET ended_ns = ? WHERE id = ? AND ended_ns IS NULL", (at_ns, id)))

    def overrides(self, since_ns: int) -> tuple[Override, ...]:
        """The overrides that were in force at `since_ns` or later."""
        rows = self._db.execute(
            "SELECT id, kind, at_ns, until_ns, who, ended_ns, show, level, unseen, rig_check FROM override"
            " WHERE until_ns >= ? ORDER BY at_ns, id",
            (since_ns,),
        )
        return tuple(
            Override(id, Kind(kind), at_ns, until_ns, who, ended_ns, show, level, bool(unseen), _read_check(check))
            for id, kind, at_ns, until_ns, who, ended_ns, show, level, unseen, check in rows
        )

    def note(self, at_ns: int, kind: str, text: str, who: str = "", data: dict[str, object] | None = None) -> None:
        """A line in the journal; the oldest make room."""
        row = (at_ns, kind, text, who, json.dumps(data or {}))
        self._write(
            ("INSERT INTO journal (at_ns, kind, text, who, data) VALUES (?,?,?,?,?)", row),
            ("DELETE FROM journal WHERE id <= (SELECT max(id) FROM journal) - ?", (JOURNAL_ROWS_MAX,)),
        )

    def journal(self, limit: int, before_id: int | None = None) -> list[dict[str, object]]:
        """The newest lines, newest first."""
        rows = self._db.execute(
            "SELECT id, at_ns, kind, text, who, data FROM journal WHERE id < ? ORDER BY id DESC LIMIT ?",
            (before_id if before_id is not None else (1 << 63) - 1, limit),
        )
        names = ("id", "at_ns", "kind", "text", "who")
        return [{**dict(zip(names, row[:5], strict=True)), "data": json.loads(row[5])} for row in rows]

    def fact(self, name: str) -> str | None:
        """A fact, None where it is not known."""
        row = self._db.execute("SELECT value FROM fact WHERE name = ?", (name,)).fetchone()
        return str(row[0]) if row else None

    def set_fact(self, name: str, value: str) -> None:
        """Keep a fact, in place of what was known before."""
        self._write(("INSERT OR REPLACE INTO fact (name, value) VALUES (?, ?)", (name, value)))

    def add_device(self, token_sha256: str, name: str, kind: str, now_ns: int) -> None:
        """A device that may ask."""
        sql = "INSERT INTO device (token_sha256, name, kind, made_ns) VALUES (?,?,?,?)"
        self._write((sql, (token_sha256, name, kind, now_ns)))

    def device(self, token_sha256: str) -> tuple[int, str, str] | None:
        """`(id, name, kind)` of the device that a token belongs to."""
        row = self._db.execute(
            "SELECT id, name, kind FROM device WHERE token_sha256 = ? AND revoked_ns IS NULL", (token_sha256,)
        ).fetchone()
        return (int(row[0]), str(row[1]), str(row[2])) if row else None

    def devices(self) -> list[tuple[int, str, str, int]]:
        """`(id, name, kind, made_ns)` of every device that is signed in, the newest first."""
        rows = self._db.execute("SELECT id, name, kind, made_ns FROM device WHERE revoked_ns IS NULL ORDER BY id DESC")
        return [(int(id), str(name), str(kind), int(made_ns)) for id, name, kind, made_ns in rows]

    def revoke_device(self, id: int, now_ns: int) -> None:
        """A device may ask no more."""
        self._write(("UPDATE device SET revoked_ns = ? WHERE id = ? AND revoked_ns IS NULL", (now_ns, id)))

    def drop_devices(self, name: str, now_ns: int) -> None:
        """Revoke the devices of a name."""
        self._write(("UPDATE device SET revoked_ns = ? WHERE name = ? AND revoked_ns IS NULL", (now_ns, name)))


def _lay_out(db: sqlite3.Connection) -> None:
    """Make what is not there yet; a database of before there were rig checks gets their column."""
    db.executescript(_SCHEMA)
    if "rig_check" not in {str(row[1]) for row in db.execute("PRAGMA table_info(override)")}:
        db.execute("ALTER TABLE override ADD COLUMN rig_check TEXT")


def _check_text(check: Check | None) -> str | None:
    if check is None:
        return None
    rate = [check.fps.numerator, check.fps.denominator]
    return json.dumps({"text": check.text, "path": check.path, "frames": check.frames, "fps": rate})


def _read_check(text: str | None) -> Check | None:
    if text is None:
        return None
    found = json.loads(text)
    return Check(found["text"], found["path"], found["frames"], Fraction(*found["fps"]))


def _is_damage(error: sqlite3.Error) -> bool:
    """Whether the file itself is hurt, rather than the disk full, read-only or busy."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is None or code & 0xFF in _DAMAGED


@contextmanager
def _private() -> Iterator[None]:
    """What is made within is its owner's alone."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)
