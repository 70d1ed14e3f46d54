"""The state's file: opening it, setting it aside if it is damaged, and writing it in a thread. Knows no override.

The planner never waits for the card. Statements wait in a queue, in their order, and a batch of them is one
transaction. Every statement may be carried out twice.
"""

from __future__ import annotations

import asyncio
import os
import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from gloaming.daemon.service.private_file import error_text, why_closed

BUSY_S = 2.0
LAZY_S = 300.0
"""How long a routine line may wait for others. A transaction costs the card 15 to 20 KB, whatever is in it."""
SLOW_S = 1.8
"""A disk that takes longer than this for a batch counts as a fault, and no answer waits for it. So an answer comes
within two seconds."""
RETRY_S = 5.0
CLOSING_S = 4.0
WAITING_MAX = 20_000
LINE = "INSERT OR REPLACE INTO journal"
SCHEMA = """
CREATE TABLE IF NOT EXISTS override (id INTEGER PRIMARY KEY, kind TEXT NOT NULL, at_ns INTEGER NOT NULL,
    until_ns INTEGER NOT NULL, who TEXT NOT NULL, ended_ns INTEGER, show TEXT, level REAL,
    show_continues INTEGER NOT NULL DEFAULT 0, rig_check TEXT, zone TEXT, why TEXT, hold TEXT, piece TEXT, after TEXT,
    author TEXT, version TEXT, changed_by TEXT, ended_by TEXT);
CREATE TABLE IF NOT EXISTS journal (id INTEGER PRIMARY KEY, at_ns INTEGER NOT NULL, kind TEXT NOT NULL,
    text TEXT NOT NULL, who TEXT NOT NULL, data TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS device (id INTEGER PRIMARY KEY, token_sha256 TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL, kind TEXT NOT NULL, made_ns INTEGER NOT NULL, revoked_ns INTEGER,
    seen_ns INTEGER);
CREATE TABLE IF NOT EXISTS fact (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS repair (id INTEGER PRIMARY KEY, part TEXT NOT NULL, pixel INTEGER, fault TEXT NOT NULL,
    note TEXT NOT NULL, at_ns INTEGER NOT NULL, who TEXT NOT NULL, mended_ns INTEGER, mended_by TEXT NOT NULL);
"""
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
Statement = tuple[str, tuple[object, ...]]


class Writer:
    """The queue and its thread.

    Both callbacks run in the thread and return a connection. `opened` opens a file that could not be opened at the
    start. `anew` sets a damaged file aside and begins a new one.
    """

    def __init__(
        self,
        folder: Path,
        disk: sqlite3.Connection | None,
        fault: str | None,
        opened: Callable[[], sqlite3.Connection],
        anew: Callable[[sqlite3.Error], sqlite3.Connection],
    ) -> None:
        self._folder = folder
        self._disk, self._problem, self._opened, self._anew = disk, fault, opened, anew
        self._changed = threading.Condition()
        self._queue: list[Statement] = []
        self._put = self._soon = self._written = 0
        self._due_s = self._again_s = self._soon_s = 0.0
        self._refused = self._back = 0
        self._began_s: float | None = None
        self._slow = self._closing = False
        self._waiters: list[tuple[int, asyncio.AbstractEventLoop, asyncio.Event]] = []
        self._thread: threading.Thread | None = None

    @property
    def fault(self) -> str | None:
        """What is wrong with the disk; None while it takes all writes."""
        began_s = self._began_s
        if self._slow or (began_s is not None and time.monotonic() - began_s > SLOW_S):
            return self._problem or f"it is slow: a write takes more than {SLOW_S:g} s"
        return self._problem

    @property
    def waiting(self) -> int:
        return len(self._queue)

    def put(self, *statements: Statement, soon: bool = True) -> None:
        """Queue statements. The thread writes them at once if `soon`, else within LAZY_S."""
        with self._changed:
            if not self._queue:
                self._due_s = time.monotonic() + LAZY_S
            self._queue.extend(statements)
            self._put += len(statements)
            if soon:
                self._soon, self._soon_s = self._put, time.monotonic()
            self._make_room()
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="state", daemon=True)
                self._thread.start()
            self._changed.notify_all()

    def _make_room(self) -> None:
        """Drop journal lines if too many statements wait, but never overrides, and not while a batch is written."""
        spare = len(self._queue) - WAITING_MAX
        if spare > 0 and self._began_s is None:
            lines = [at for at, (sql, _) in enumerate(self._queue) if sql.startswith(LINE)][:spare]
            gone = set(lines)
            self._queue = [one for at, one in enumerate(self._queue) if at not in gone]
            self._put -= len(gone)
            self._soon = min(self._soon, self._put)

    async def written(self) -> bool:
        """Wait until all statements so far are on the disk. False if the disk has a fault.

        The disk has SLOW_S from the moment the statements were queued.
        """
        with self._changed:
            wanted, event = self._put, asyncio.Event()
            if self._written >= wanted:
                return True
            if self.fault is not None:
                return False
            if self._soon < wanted:
                self._soon, self._soon_s = wanted, time.monotonic()
            left_s = self._soon_s + SLOW_S - time.monotonic()
            self._waiters.append((wanted, asyncio.get_running_loop(), event))
            self._changed.notify_all()
        with suppress(TimeoutError):
            await asyncio.wait_for(event.wait(), left_s)
        with self._changed:
            self._slow |= self._written < wanted
            return self._written >= wanted

    def wait(self, patience_s: float = CLOSING_S) -> bool:
        """`written`, for a caller without an event loop. A disk with a fault is tried again at once."""
        with self._changed:
            self._changed.wait_for(lambda: self._began_s is None, patience_s)
            wanted, refused = self._put, self._refused
            self._soon, self._again_s = wanted, 0.0
            self._changed.notify_all()
            self._changed.wait_for(lambda: self._written >= wanted or self._refused > refused, patience_s)
            return self._written >= wanted

    def came_back(self) -> int:
        """How many changes had waited for a disk that has taken them since the last call."""
        back, self._back = self._back, 0
        return back

    def close(self) -> None:
        """Write what waits, if the disk takes it, and close the file."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        if self._thread:
            self._thread.join(CLOSING_S)
        if self._disk and not (self._thread and self._thread.is_alive()):
            self._disk.close()

    def _run(self) -> None:
        while True:
            with self._changed:
                while (pause_s := self._pause_s()) > 0:
                    self._changed.wait(None if pause_s == float("inf") else pause_s)
                batch = tuple(self._queue)
                if not batch:
                    return
                self._began_s = time.monotonic()
            problem = self._write(batch)
            with self._changed:
                took_s = time.monotonic() - self._began_s
                self._note(problem, len(batch), took_s)
                self._began_s = None
                self._make_room()
                self._changed.notify_all()
                if self._closing and (problem or not self._queue):
                    return

    def _pause_s(self) -> float:
        """How long the thread has nothing to do."""
        if self._closing:
            return 0.0
        if not self._queue:
            return float("inf")
        due_s = 0.0 if self._soon > self._written else self._due_s
        return max(due_s, self._again_s) - time.monotonic()

    def _note(self, problem: str | None, count: int, took_s: float) -> None:
        """Act on the result of a batch."""
        self._slow = took_s > SLOW_S
        if problem is not None:
            self._problem, self._refused = problem, self._refused + 1
            self._again_s = time.monotonic() + RETRY_S
            return
        if self._problem is not None:
            self._problem, self._back = None, self._back + count
        del self._queue[:count]
        self._written += count
        self._due_s = time.monotonic() + LAZY_S
        reached = [one for one in self._waiters if one[0] <= self._written]
        self._waiters = [one for one in self._waiters if one not in reached]
        for _, loop, event in reached:
            with suppress(RuntimeError):  # the loop is closed
                loop.call_soon_threadsafe(event.set)

    def _write(self, batch: tuple[Statement, ...]) -> str | None:
        """Write a batch in one transaction. None, or what is wrong if the disk does not take it."""
        try:
            self._disk = self._disk or self._opened()
        except (OSError, sqlite3.Error) as error:
            return why_closed(self._folder, error)
        try:
            try:
                _carry_out(self._disk, batch)
            except sqlite3.DatabaseError as error:
                if not is_damage(error):
                    raise
                self._disk.close()
                self._disk = None
                self._disk = self._anew(error)
                _carry_out(self._disk, batch)
        except (OSError, sqlite3.Error) as error:
            return error_text(error)
        return None


def _carry_out(disk: sqlite3.Connection, batch: tuple[Statement, ...]) -> None:
    disk.execute("BEGIN IMMEDIATE")
    try:
        for sql, values in batch:
            disk.execute(sql, values)
        disk.execute("COMMIT")
    except sqlite3.Error:
        if disk.in_transaction:
            with suppress(sqlite3.Error):
                disk.execute("ROLLBACK")
        raise


def open_file(path: Path) -> sqlite3.Connection:
    """Open the file, checked, with its tables, readable by its owner alone. OSError, sqlite3.Error."""
    with _private():
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        db = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        try:
            if (found := db.execute("PRAGMA quick_check").fetchone()[0]) != "ok":
                raise sqlite3.DatabaseError(f"its pages do not agree: {found}")
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            lay_out(db)
        except UnicodeDecodeError as error:  # SQLite's own message may quote damaged text
            db.close()
            raise sqlite3.DatabaseError(f"it is damaged in an unknown place ({error.reason})") from None
        except sqlite3.Error:
            db.close()
            raise
    return db


def read_only(path: Path) -> sqlite3.Connection | None:
    """Open the file for reading alone, on a disk that takes no writes too. None if that is not possible."""
    for how in ("mode=ro", "mode=ro&immutable=1"):
        with suppress(sqlite3.Error, OSError):
            db = sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, check_same_thread=False)
            try:
                db.execute("SELECT count(*) FROM fact").fetchone()
            except sqlite3.Error:
                db.close()
                raise
            return db
    return None


def read_facts(path: Path) -> dict[str, str]:
    """The facts in the file of another process; none if it cannot be read."""
    with suppress(sqlite3.Error):
        if (file := read_only(path)) is not None:
            with closing(file):
                return {str(name): str(value) for name, value in file.execute("SELECT name, value FROM fact")}
    return {}


def put_aside(path: Path, now_s: int) -> Path:
    """Rename a file and its -wal and -shm files. Returns the new path."""
    aside = path.with_name(f"state-damaged-{now_s}.db")
    for ending in ("", "-wal", "-shm"):
        part = Path(f"{path}{ending}")
        if part.exists():
            part.rename(f"{aside}{ending}")
    return aside


def lay_out(db: sqlite3.Connection) -> None:
    """Create the tables that are missing, and bring the columns of an older file up to date."""
    db.executescript(SCHEMA)
    columns = {str(row[1]) for row in db.execute("PRAGMA table_info(override)")}
    for name in ("rig_check", "zone", "why", "hold", "piece", "after", "author", "version", "changed_by", "ended_by"):
        if name not in columns:
            db.execute(f"ALTER TABLE override ADD COLUMN {name} TEXT")


def is_damage(error: sqlite3.Error) -> bool:
    """Whether the file is damaged, and not the disk full, read-only or busy."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is None or code & 0xFF in _DAMAGED


@contextmanager
def _private() -> Iterator[None]:
    """New files and folders are readable by their owner alone."""
    before = os.umask(0o077)
    try:
        yield
    finally:
        os.umask(before)
