"""What outlives the planner: overrides, journal, devices, repairs and facts. No decisions here.

Everything is in memory and answered from there. A thread writes it to one SQLite file. An answer that confirms a change
waits until the change is on the disk (`written`). A damaged file is set aside, and a new one begins. If the disk takes
nothing (full, read-only, slow, worn out) the show plays on; unwritten changes are counted, and written when it is back.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import closing, nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Protocol

from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.direction.shared_fact import MARK_BITS, for_boards, mark_of, number_of
from gloaming.daemon.direction.states import ROUTINE, STATES
from gloaming.daemon.planner.state_file import (
    LINE,
    Statement,
    Writer,
    is_damage,
    lay_out,
    open_file,
    put_aside,
    read_only,
)
from gloaming.daemon.planner.stored_rows import (
    KINDS,
    SINCE,
    end_statement,
    override_statement,
    overrides_in,
    repair_statement,
    repairs_in,
)
from gloaming.daemon.reports.journal_lines import ZONE_KIND, Row, between, newest
from gloaming.daemon.service.log import LOG, Seldom, with_count
from gloaming.daemon.service.private_file import why_closed
from gloaming.shows.rig.repairs import Repair
from gloaming.shows.time_units import SECOND_NS

JOURNAL_ROWS_MAX = 60_000
"""About two seasons."""
JOURNAL_ROWS_AT_HAND = 1_000
"""The number of newest lines that are in memory too."""
TRIM_EVERY = 256
APART = 1 << 48
"""If the file cannot be read, new ids begin here, so that none is used twice."""
TABLES = ("override", "device", "fact", "journal", "repair")
STATE_LEVELS: dict[str, int] = {state: terms.level for state, terms in STATES.items()}


class DeviceStore(Protocol):
    """The part of the store about the devices that have access, and the secret of the passcode."""

    def fact(self, name: str) -> str | None: ...
    def set_fact(self, name: str, value: str) -> None: ...
    def add_device(self, token_sha256: str, name: str, kind: str, now_ns: int) -> None: ...
    def device(self, token_sha256: str) -> tuple[int, str, str, int] | None: ...
    def devices(self) -> list[tuple[int, str, str, int, int]]: ...
    def note_seen(self, id: int, now_ns: int) -> None: ...
    def set_device_kind(self, id: int, kind: str) -> None: ...
    def revoke_device(self, id: int, now_ns: int) -> None: ...
    def drop_devices(self, name: str, now_ns: int) -> None: ...


class Store:
    """The state folder's database. `changed` is called with each override that this planner has changed."""

    def __init__(self, folder: Path, now_ns: int) -> None:
        self.board = ""
        """The name of this board, of a site with several: their ids are the same on all boards."""
        self.changed: Callable[[Override], None] | None = None
        self.path = folder / "state.db"
        self.set_aside: Path | None = None
        self._now_s = now_ns // SECOND_NS
        self._db = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
        lay_out(self._db)
        self._seldom = Seldom()
        self._blind = False
        self._notices: list[str] = []
        disk, fault = self._begin()
        self._numbers = {table: self._highest(table) for table in ("override", "journal", "device", "repair")}
        self._writer = Writer(folder, disk, fault, self._opened, self._anew)
        self.retry(now_ns)

    @property
    def fault(self) -> str | None:
        """What is wrong with the disk; None while it takes all writes."""
        return self._writer.fault

    @property
    def unwritten(self) -> int:
        """How many changes wait to be written."""
        return self._writer.waiting

    async def written(self) -> bool:
        """Wait until all changes so far are on the disk. False if the disk does not take them."""
        return await self._writer.written()

    def wait(self) -> bool:
        """`written`, for a caller without an event loop."""
        return self._writer.wait()

    def retry(self, now_ns: int) -> None:
        """Note in the journal what became of the disk. The writer tries it every few seconds."""
        self._now_s = now_ns // SECOND_NS
        if waited := self._writer.came_back():
            self._notices.append(f"the disk takes what is written again; {waited} changes had waited")
        while self._notices:
            self.note(now_ns, "state", self._notices.pop(0))

    def close(self) -> None:
        """Write what waits and close the file."""
        self._writer.close()
        self._db.close()

    def _begin(self) -> tuple[sqlite3.Connection | None, str | None]:
        """Read the file into memory. Returns its connection, or what is wrong with the disk."""
        try:
            try:
                disk = open_file(self.path)
                self._take_in(disk)
                self._check_rows()
                self._note_unknown_kinds()
            except sqlite3.DatabaseError as error:
                if not is_damage(error):
                    raise
                self._forget()
                self._put_aside(error)
                disk = open_file(self.path)
            return disk, None
        except (OSError, sqlite3.Error) as error:
            self._read_what_can_be()
            return None, why_closed(self.path.parent, error)

    def _check_rows(self) -> None:
        """sqlite3.DatabaseError for rows without sense: a flipped bit on the card can leave the pages valid."""
        try:
            if any(one.at_ns > one.until_ns for one in self.overrides(-(1 << 63))):
                raise ValueError("an override ends before it begins")
            for (data,) in self._db.execute("SELECT data FROM journal"):
                json.loads(data)
            for one in self.repairs():
                one.at_ns + (one.pixel or 0) + (one.mended_ns or 0)
        except (ValueError, TypeError, KeyError) as error:
            raise sqlite3.DatabaseError(f"a row makes no sense: {error}") from None

    def _note_unknown_kinds(self) -> None:
        found = self._db.execute(f"SELECT DISTINCT kind FROM override WHERE kind NOT IN {KINDS} ORDER BY kind")
        if kinds := ", ".join(repr(str(kind)) for (kind,) in found):
            self._notices.append(f"overrides of kinds that this version does not know are kept and ignored: {kinds}")

    def _read_what_can_be(self) -> None:
        readable = read_only(self.path)
        try:
            if readable is not None:
                self._take_in(readable)
        except sqlite3.Error:
            self._forget()
            readable = None
        self._blind = readable is None

    def _put_aside(self, error: sqlite3.Error) -> None:
        self.set_aside = put_aside(self.path, self._now_s)
        self._notices.append(f"the state database was damaged ({error}) and is set aside as {self.set_aside.name}")

    def _take_in(self, file: sqlite3.Connection, how: str = "OR REPLACE") -> None:
        """Copy a file's rows into memory; of the journal, the newest. Its columns may have another order, and a newer
        version may have more of them."""
        for table in TABLES:
            names = [name for name in _columns(file, table) if name in _columns(self._db, table)]
            if not names:
                continue
            some = f"ORDER BY id DESC LIMIT {JOURNAL_ROWS_AT_HAND}" if table == "journal" else ""
            places = ",".join("?" * len(names))
            sql = f"INSERT {how} INTO {table} ({','.join(names)}) VALUES ({places})"
            self._db.executemany(sql, file.execute(f"SELECT {','.join(names)} FROM {table} {some}"))

    def _forget(self) -> None:
        for table in TABLES:
            self._db.execute(f"DELETE FROM {table}")

    def _highest(self, table: str) -> int:
        found = self._db.execute(f"SELECT max(id) FROM {table}").fetchone()[0]
        return int(found or (APART if self._blind else 0))

    def _opened(self) -> sqlite3.Connection:
        """Called in the writer's thread when a file can be opened that could not be at the start. If it could not be
        read either, its facts, and so its passcode, replace those in memory."""
        disk = open_file(self.path)
        if self._blind:
            for name, value in disk.execute("SELECT name, value FROM fact"):
                self._db.execute("INSERT OR REPLACE INTO fact VALUES (?, ?)", (name, value))
            self._take_in(disk, "OR IGNORE")
            self._blind = False
        return disk

    def _anew(self, error: sqlite3.Error) -> sqlite3.Connection:
        """Called in the writer's thread when the file was damaged while in use. A new one begins with what is in
        memory."""
        self._put_aside(error)
        disk = open_file(self.path)
        self._db.backup(disk)
        return disk

    def _write(self, *statements: Statement, soon: bool = True) -> None:
        """Change the memory now; the disk follows soon, or within minutes."""
        for sql, values in statements:
            self._db.execute(sql, values)
        self._writer.put(*statements, soon=soon)

    def _number(self, table: str) -> int:
        """A new id for a row; never one that was used before."""
        self._numbers[table] += 1
        return self._numbers[table]

    def next_id(self) -> int:
        """The id of the next override; never one that was used before, on another board neither."""
        highest = self._numbers["override"]
        if not self.board:
            return highest + 1
        return number_of(highest) + 1 << MARK_BITS | mark_of(self.fact("cid") or "")

    def share_earlier(self) -> dict[int, int]:
        """Give what was asked for before the site had boards ids that several boards know. Returns the ids by the old.

        Of a check without its pattern, which an older version has stored, other boards could make nothing.
        """
        earlier = overrides_in(self._db, f"kind IN {KINDS} AND id < ?", 1 << MARK_BITS)
        shared = {one.id: for_boards(one, self.board) for one in earlier if not (one.check and not one.check.pattern)}
        if shared:
            self._put(shared.values(), *(("DELETE FROM override WHERE id = ?", (id,)) for id in shared))
        return {old: one.id for old, one in shared.items()}

    def add(self, override: Override, ends: Iterable[Override] = ()) -> None:
        """Store an override under its id, and the end of those that it ends, in one transaction."""
        ended = [one.id for one in ends]
        self._put((override,), *(end_statement(id, override.at_ns, override.changed_by) for id in ended))
        self._report(override.id, *ended)

    def move(self, overrides: Iterable[Override], name: str, value: str) -> None:
        """Store moved overrides and a fact in one transaction."""
        moved = tuple(overrides)
        self._put(moved, ("INSERT OR REPLACE INTO fact (name, value) VALUES (?, ?)", (name, value)))
        self._report(*(one.id for one in moved))

    def end(self, id: int, at_ns: int, who: str = "") -> None:
        """End an override at an instant. `who` is the person who asks for that."""
        self._write(end_statement(id, at_ns, self.board, who))
        self._report(id)

    def take_over(self, overrides: Iterable[Override]) -> None:
        """Store overrides as another board has shared them. Nobody is told of them again."""
        self._put(overrides)

    def _put(self, overrides: Iterable[Override], *others: Statement) -> None:
        stored = tuple(overrides)
        self._numbers["override"] = max([self._numbers["override"], *(one.id for one in stored)])
        self._write(*map(override_statement, stored), *others)

    def _report(self, *ids: int) -> None:
        for id in ids if self.board else ():
            if (found := self.override(id)) and self.changed:
                self.changed(found)

    def override(self, id: int) -> Override | None:
        """An override; None where there is none, or one of a kind of a newer version."""
        return next(iter(overrides_in(self._db, f"kind IN {KINDS} AND id = ?", id)), None)

    def shared(self, since_ns: int) -> tuple[Override, ...]:
        """The overrides that several boards know, as far as they were asked to last until `since_ns` or later."""
        over = "CASE WHEN hold IS NULL THEN until_ns ELSE min(until_ns, ifnull(ended_ns, until_ns)) END"
        where = f"id >= {1 << MARK_BITS} AND kind IN {KINDS} AND {over} >= ?"
        return overrides_in(self._db, where, since_ns)

    def overrides(self, since_ns: int) -> tuple[Override, ...]:
        """The overrides that were in force at `since_ns` or later, without kinds of a newer version."""
        return overrides_in(self._db, SINCE, since_ns)

    def note(self, at_ns: int, kind: str, text: str, who: str = "", data: dict[str, object] | None = None) -> None:
        """Write a line to the journal and to the service's log. The oldest lines are deleted."""
        LOG.line(kind, text, who, data, STATE_LEVELS.get(kind))
        self.note_all(((at_ns, kind, text, who, data),))

    def note_seldom(
        self, at_ns: int, kind: str, text: str, alike: str = "", data: dict[str, object] | None = None, who: str = ""
    ) -> None:
        """Write a line that may repeat: once a minute at most, with the number of lines `alike` since."""
        held = self._seldom.passes((kind, alike or text), time.monotonic())
        if held is not None:
            self.note(at_ns, kind, with_count(text, held), who, data)

    def note_all(self, lines: Iterable[tuple[int, str, str, str, dict[str, object] | None]]) -> None:
        """Write lines to the journal, each `(at_ns, kind, text, who, data)`."""
        statements: list[Statement] = []
        kinds: set[str] = set()
        trim = False
        for at_ns, kind, text, who, data in lines:
            id = self._number("journal")
            values = (id, at_ns, kind, text, who, json.dumps(data or {}))
            statements.append((f"{LINE} (id, at_ns, kind, text, who, data) VALUES (?,?,?,?,?,?)", values))
            kinds.add(kind)
            trim |= id % TRIM_EVERY == 0
        newest = self._numbers["journal"]
        if trim:
            statements.append(("DELETE FROM journal WHERE id <= ?", (newest - JOURNAL_ROWS_MAX + TRIM_EVERY,)))
        self._write(*statements, soon=not kinds <= {*ROUTINE, ZONE_KIND})
        if trim:
            self._db.execute("DELETE FROM journal WHERE id <= ?", (newest - JOURNAL_ROWS_AT_HAND,))

    def journal(self, limit: int, before_id: int | None = None, kinds: tuple[str, ...] = ()) -> list[Row]:
        """The newest lines, newest first. Without `kinds`, of all kinds. Lines older than those in memory come from the
        file."""
        before = before_id if before_id is not None else (1 << 63) - 1
        rows = newest(self._db, before, limit, kinds)
        oldest = rows[-1]["id"] if rows else before
        if len(rows) < limit and oldest > 1 and (file := read_only(self.path)) is not None:
            with closing(file):
                rows += newest(file, oldest, limit - len(rows), kinds)
        return rows

    def journal_between(self, from_ns: int, until_ns: int, states: Collection[str]) -> Iterator[Row]:
        """The lines of a stretch of time, the oldest first, as `journal_lines.between` returns them."""
        file = read_only(self.path)
        with closing(file) if file else nullcontext():
            yield from between([file, self._db] if file else [self._db], from_ns, until_ns, states)

    def fact(self, name: str) -> str | None:
        """A fact; None if it is not known."""
        row = self._db.execute("SELECT value FROM fact WHERE name = ?", (name,)).fetchone()
        return str(row[0]) if row else None

    def set_fact(self, name: str, value: str, soon: bool = True) -> None:
        """Store a fact in place of the one before; on the disk soon, or within minutes."""
        self._db.execute("INSERT OR REPLACE INTO fact (name, value) VALUES (?, ?)", (name, value))
        how = "IGNORE" if self._blind else "REPLACE"
        self._writer.put((f"INSERT OR {how} INTO fact (name, value) VALUES (?, ?)", (name, value)), soon=soon)

    def add_device(self, token_sha256: str, name: str, kind: str, now_ns: int) -> None:
        """Store a device that has access from now on."""
        sql = "INSERT OR REPLACE INTO device (id, token_sha256, name, kind, made_ns, seen_ns) VALUES (?,?,?,?,?,?)"
        self._write((sql, (self._number("device"), token_sha256, name, kind, now_ns, now_ns)))

    def device(self, token_sha256: str) -> tuple[int, str, str, int] | None:
        """`(id, name, kind, seen_ns)` of the device with a token."""
        row = self._db.execute(
            "SELECT id, name, kind, seen_ns FROM device WHERE token_sha256 = ? AND revoked_ns IS NULL", (token_sha256,)
        ).fetchone()
        return (int(row[0]), str(row[1]), str(row[2]), int(row[3])) if row else None

    def devices(self) -> list[tuple[int, str, str, int, int]]:
        """`(id, name, kind, made_ns, seen_ns)` of every device with access, the newest first."""
        sql = "SELECT id, name, kind, made_ns, seen_ns FROM device WHERE revoked_ns IS NULL ORDER BY id DESC"
        return [
            (int(id), str(name), str(kind), int(made), int(seen))
            for id, name, kind, made, seen in self._db.execute(sql)
        ]

    def note_seen(self, id: int, now_ns: int) -> None:
        """Store when a device was last seen. The disk may get that minutes later."""
        self._write(("UPDATE device SET seen_ns = ? WHERE id = ?", (now_ns, id)), soon=False)

    def set_device_kind(self, id: int, kind: str) -> None:
        """Store another kind of a device."""
        self._write(("UPDATE device SET kind = ? WHERE id = ?", (kind, id)))

    def revoke_device(self, id: int, now_ns: int) -> None:
        """End a device's access."""
        self._write(("UPDATE device SET revoked_ns = ? WHERE id = ? AND revoked_ns IS NULL", (now_ns, id)))

    def drop_devices(self, name: str, now_ns: int) -> None:
        """End the access of all devices with a name."""
        self._write(("UPDATE device SET revoked_ns = ? WHERE name = ? AND revoked_ns IS NULL", (now_ns, name)))

    def repairs(self) -> tuple[Repair, ...]:
        """All marks, open and mended, without faults of a newer version."""
        return repairs_in(self._db)

    def add_repair(self, repair: Repair) -> Repair:
        """Store a mark under a new id."""
        repair = replace(repair, id=self._number("repair"))
        self._write(repair_statement(repair))
        return repair

    def change_repair(self, repair: Repair, kept: int) -> None:
        """Store a mark that was mended. Of the mended ones, the newest are `kept`."""
        sql = "mended_ns IS NOT NULL AND id NOT IN (SELECT id FROM repair WHERE mended_ns IS NOT NULL"
        old = f"DELETE FROM repair WHERE {sql} ORDER BY mended_ns DESC, id DESC LIMIT ?)"
        self._write(repair_statement(repair), (old, (kept,)))

    def drop_repair(self, id: int) -> None:
        """Forget a mark."""
        self._write(("DELETE FROM repair WHERE id = ?", (id,)))


def _columns(db: sqlite3.Connection, table: str) -> list[str]:
    return [str(row[1]) for row in db.execute(f"PRAGMA table_info({table})")]
