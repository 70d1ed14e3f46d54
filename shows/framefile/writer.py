"""Writes frame files: to a temporary name, chunk by chunk. Each chunk is safe on the disk before the next begins.

The file gets its name when it is whole, so no name ever means half a file.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import sqlite3
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.framefile.layout import (
    APPLICATION_ID,
    SCHEMA,
    VERSION,
    Frames,
    Packers,
    Universe,
    chunk_frames,
    fps_problem,
    seal,
    universes_problem,
)

PACKERS_MAX = 4
SUFFIX = ".part"
NAME_BYTES_MAX = 255 - len(f".01234567{SUFFIX}-journal")
"""The longest name, so that the temporary's name still fits in a file system."""
PAGE_BYTES_SMALL, PAGE_BYTES = 1024, 4096
"""Page sizes for files with small chunks and for others. In every file about five pages are half empty."""


def place_problem(path: Path) -> str | None:
    """The problem with a path for a new file, or None."""
    if os.path.isdir(path):  # noqa: PTH112  # is_dir() raises if a name is too long
        return "this is a folder, not a frame file"
    if os.path.exists(path) and not os.path.isfile(path):  # noqa: PTH110, PTH113  # as above: a long name
        return "this is a device or a pipe, and a frame file would take its place"
    if len(os.fsencode(path.name)) > NAME_BYTES_MAX:
        return f"its name is longer than {NAME_BYTES_MAX} bytes"
    return None if os.path.isdir(path.parent) else f"there is no folder {path.parent}"  # noqa: PTH112  # the same


class FrameWriter:
    """Writes one frame file. The end of the `with` block finishes it; an exception removes the temporary.

    `crash_safe`: every chunk is safe on the disk before the next begins. Without it writing is faster: threads compress
    the chunks, and all are made safe at the end. That is enough for a file that can be made again. `rig` is the JSON of
    the rig that it is made for (`rig.made_for`), or empty.

    InputError for impossible universes or rates, and for a disk that is full or read-only.
    """

    def __init__(
        self, path: Path | str, fps: Fraction, universes: Sequence[Universe], crash_safe: bool = True, rig: str = ""
    ) -> None:
        self.path = Path(path)
        if problem := fps_problem(fps) or universes_problem(universes) or place_problem(self.path):
            raise InputError(ConfigError(self.path, None, None, problem))
        self.temporary = self.path.with_name(f"{self.path.name}.{secrets.token_hex(4)}{SUFFIX}")
        self.frames = 0
        self._id = os.urandom(8)
        self._meta = {"fps": f"{fps.numerator}/{fps.denominator}", "frames": "0", "id": self._id.hex(), "seal": ""}
        self._meta |= {"rig": rig} if rig else {}
        self._universes = tuple(universes)
        self._packers = Packers(self._id, 0 if crash_safe else min(PACKERS_MAX, os.cpu_count() or 1))
        frame_bytes = sum(one.slots for one in universes)
        self._tail = np.empty((chunk_frames(fps, frame_bytes), frame_bytes), np.uint8)
        self._tail_frames = 0
        page_bytes = PAGE_BYTES if self._tail.nbytes > 1024 * 1024 else PAGE_BYTES_SMALL
        try:
            with self._as_input_error():
                self._connection = _create(self.temporary, page_bytes, crash_safe, self._meta, self._universes)
        except BaseException:  # a Ctrl-C may come as soon as the file is there
            _remove(self.temporary)
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if kind:
            self.discard()
        else:
            self.close()

    @property
    def empty(self) -> bool:
        """Whether nothing was written yet."""
        return self.frames == 0 and self._tail_frames == 0 and self._meta["frames"] == "0"

    def write(self, frames: Frames) -> None:
        """Append frames, `(n, frame_bytes) uint8`."""
        if frames.ndim != 2 or frames.shape[1] != self._tail.shape[1] or frames.dtype != np.uint8:
            raise ValueError(f"frames are {frames.shape} {frames.dtype}, not (n, {self._tail.shape[1]}) uint8")
        while len(frames):
            room = frames[: len(self._tail) - self._tail_frames]
            self._tail[self._tail_frames : self._tail_frames + len(room)] = room
            self._tail_frames += len(room)
            frames = frames[len(room) :]
            if self._tail_frames == len(self._tail):
                for chunk in self._packers.give(self.frames, self._tail):
                    self._store(*chunk)
                self._tail = np.empty_like(self._tail)
                self.frames += self._tail_frames
                self._tail_frames = 0

    def flush(self) -> None:
        """Make all that was written safe on the disk. The last chunk may still grow."""
        for chunk in self._packers.finish():
            self._store(*chunk)
        if self._tail_frames:
            data = self._packers.pack(self.frames, self._tail[: self._tail_frames])
            self._store(self.frames, self._tail_frames, data)

    def _store(self, first: int, frames: int, data: bytes) -> None:
        safe = str(first + frames)
        with self._as_input_error(), _transaction(self._connection):
            self._connection.execute("REPLACE INTO chunk VALUES (?, ?, ?)", (first, frames, data))
            self._connection.execute("UPDATE meta SET value = ? WHERE key = 'frames'", (safe,))
        self._meta["frames"] = safe

    def retime(self, fps: Fraction) -> None:
        """Change the frame rate of the file, for a writer that learns it while frames arrive."""
        if problem := fps_problem(fps):
            raise InputError(ConfigError(self.path, None, None, problem))
        text = f"{fps.numerator}/{fps.denominator}"
        with self._as_input_error(), _transaction(self._connection):
            self._connection.execute("UPDATE meta SET value = ? WHERE key = 'fps'", (text,))
        self._meta["fps"] = text

    def drop_tail(self) -> None:
        """Discard the frames that are not safe yet, so that a writer on a full disk can still close."""
        self._tail_frames = 0
        self._packers.drop()

    def close(self) -> None:
        """Seal the file and give it its name. InputError if it has no frames."""
        try:
            self.flush()
            if self._meta["frames"] == "0":
                raise InputError(ConfigError(self.path, None, None, "there are no frames to write"))
            with self._as_input_error():
                _seal(self._connection, self._meta, self._universes)
                self._connection.close()
                _rename(self.temporary, self.path)
        except BaseException:
            self.discard()
            raise

    def discard(self) -> None:
        """Remove the temporary. An older file of the same name stays as it is."""
        self._packers.drop()
        self._connection.close()
        _remove(self.temporary)

    @contextlib.contextmanager
    def _as_input_error(self) -> Iterator[None]:
        try:
            yield
        except (OSError, sqlite3.OperationalError) as error:
            problem = f"it cannot be written ({getattr(error, 'strerror', None) or error})"
            raise InputError(ConfigError(self.path, None, None, problem)) from error


def mend(temporary: Path | str, path: Path | str) -> int:
    """Finish a file whose writer was killed, under the name `path`. Returns the number of frames.

    All frames that the writer had made safe are kept. InputError if nothing can be saved.
    """
    temporary, path = Path(temporary), Path(path)
    if not temporary.exists():
        raise InputError(ConfigError(temporary, None, None, "there is no such file"))
    if path.exists() and path != temporary:
        raise InputError(ConfigError(path, None, None, "there is already a file with this name"))
    try:
        uri = f"{temporary.absolute().as_uri()}?mode=rw"
        connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=0)
        with contextlib.closing(connection):
            if connection.execute("PRAGMA application_id").fetchone() != (APPLICATION_ID,):
                raise InputError(ConfigError(temporary, None, None, "this is not a frame file"))
            meta = dict(connection.execute("SELECT key, value FROM meta"))
            if meta["seal"] and temporary.suffix != SUFFIX:
                raise InputError(
                    ConfigError(temporary, None, None, "this frame file is finished; there is nothing to mend")
                )
            if meta["frames"] == "0":
                raise InputError(
                    ConfigError(temporary, None, None, "its writer ended before the first frame was written")
                )
            if not meta["seal"]:  # otherwise the writer ended after the seal and before the rename
                rows = connection.execute("SELECT number, slots, offset FROM universe")
                _seal(connection, meta, tuple(Universe(*row) for row in rows))
        _rename(temporary, path)
    except (OSError, sqlite3.Error, KeyError, TypeError) as error:
        busy = getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY
        problem = "it is still being written" if busy else f"it cannot be mended ({error})"
        raise InputError(ConfigError(temporary, None, None, problem)) from error
    return int(meta["frames"])


def is_written(temporary: Path) -> bool:
    """Whether the writer of a temporary still runs."""
    try:
        uri = f"{temporary.absolute().as_uri()}?mode=ro"
        with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=0)) as connection:
            connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except sqlite3.Error as error:
        return getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY
    return False


def _create(
    path: Path, page_bytes: int, crash_safe: bool, meta: dict[str, str], universes: Sequence[Universe]
) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        connection.execute(f"PRAGMA page_size = {page_bytes}")
        connection.execute(f"PRAGMA synchronous = {'FULL' if crash_safe else 'OFF'}")
        connection.execute("PRAGMA locking_mode = EXCLUSIVE")  # a file that is still being written cannot be mended
        # the journal keeps its space, so a file on a full disk can still be sealed
        connection.execute("PRAGMA journal_mode = PERSIST")
        with _transaction(connection):
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {VERSION}")
            for statement in SCHEMA:
                connection.execute(statement)
            connection.executemany("INSERT INTO meta VALUES (?, ?)", meta.items())
            rows = ((one.number, one.slots, one.offset) for one in universes)
            connection.executemany("INSERT INTO universe VALUES (?, ?, ?)", rows)
    except BaseException:
        connection.close()
        raise
    return connection


def _remove(temporary: Path) -> None:
    temporary.unlink(missing_ok=True)
    Path(f"{temporary}-journal").unlink(missing_ok=True)


@contextlib.contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def _seal(connection: sqlite3.Connection, meta: dict[str, str], universes: Sequence[Universe]) -> None:
    with _transaction(connection):
        connection.execute("UPDATE meta SET value = ? WHERE key = 'seal'", (seal(meta, universes),))
    connection.execute("PRAGMA journal_mode = DELETE")


def _rename(temporary: Path, path: Path) -> None:
    """Make the bytes safe on the disk, rename, and make the rename safe."""
    _sync(temporary)
    temporary.replace(path)
    _sync(path.parent)


def _sync(path: Path) -> None:
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
