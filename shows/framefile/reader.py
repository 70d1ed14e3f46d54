"""Reads frame files: metadata, frames as a stream, and a check of every byte.

A damaged or hostile file must not crash a reader, hang it or fill the memory. So sizes are checked before they are
used, the schema must be exactly ours, and SQLite has a limit of steps.
"""

from __future__ import annotations

import sqlite3
import stat
import struct
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import zstandard

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.framefile.layout import (
    APPLICATION_ID,
    CHUNK_BYTES_MAX,
    SCHEMA,
    VERSION,
    FrameFileInfo,
    Frames,
    Universe,
    decode_chunk,
    fps_problem,
    max_refresh_hz,
    seal,
    universes_problem,
)
from gloaming.shows.framefile.writer import FrameWriter, mend
from gloaming.shows.protocols.e131 import UNIVERSE_MAX
from gloaming.shows.time_units import FRAMES_MAX

__all__ = [
    "DamagedChunkError",
    "FrameFileInfo",
    "FrameReader",
    "FrameWriter",
    "Frames",
    "Universe",
    "inspect",
    "max_refresh_hz",
    "mend",
    "verify",
]

_MAGIC = b"SQLite format 3\0"
_STEPS = 200_000  # between two checks of the limit
_STEPS_MAX = 50_000_000  # several hundred times the need of the longest file
_OTHER_KINDS = (
    (b"\x93NUMPY", "a NumPy array: `gloaming frames import` makes a frame file of it"),
    (b"PK\x03\x04", "a zip archive"),
    (b"\x0a\x0d\x0d\x0a", "a network capture"),
    (b"\xd4\xc3\xb2\xa1", "a network capture"),
    (b"GIF8", "a GIF: `gloaming frames import` makes a frame file of it"),
    (b"\x89PNG", "a PNG picture"),
    (b"fLaC", "a sound file"),
    (b"RIFF", "a sound or video file"),
)


class DamagedChunkError(Exception):
    """A chunk that cannot be played: `frames` frames from `first_frame` on. Other chunks may be whole."""

    def __init__(self, first_frame: int, frames: int, path: Path, text: str) -> None:
        super().__init__(first_frame, frames, path, text)
        self.first_frame = first_frame
        self.frames = frames
        self.path = path
        self.text = text

    def __str__(self) -> str:
        return f"{self.path}: {self.text}"


def _error(path: Path, problem: str, hint: str | None = None) -> InputError:
    return InputError(ConfigError(path, None, None, problem, hint))


def _check_header(path: Path) -> None:
    """The checks that need no SQLite: a plain file of our kind and version, with the length of its header."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise _error(path, "this is a folder, not a frame file")
        if not stat.S_ISREG(status.st_mode):
            raise _error(path, "this is not a plain file")
        with path.open("rb") as file:
            head = file.read(100)
    except FileNotFoundError:
        raise _error(path, "there is no such file") from None
    except (OSError, ValueError) as error:
        raise _error(path, f"it cannot be read ({getattr(error, 'strerror', None) or error})") from None
    if not head:
        raise _error(path, "the file is empty")
    if not head.startswith(_MAGIC[: len(head)]):
        kind = next((f"this is {name}" for magic, name in _OTHER_KINDS if head.startswith(magic)), "")
        raise _error(path, kind or "this is not a frame file")
    if len(head) < 100:
        raise _error(path, f"the file is cut short: it has only {len(head)} bytes")
    page_bytes = struct.unpack_from(">H", head, 16)[0]
    page_bytes = 65536 if page_bytes == 1 else page_bytes
    pages, version, application = (struct.unpack_from(">I", head, at)[0] for at in (28, 60, 68))
    if application != APPLICATION_ID:
        raise _error(path, "this is an SQLite database, but not a frame file")
    if version != VERSION:
        hint = f"this program reads version {VERSION}: import or record the piece again"
        raise _error(path, f"this is a frame file of version {version}", hint)
    if status.st_size < pages * page_bytes:
        raise _error(path, f"the file is cut short: it has {status.st_size} of {pages * page_bytes} bytes")
    if status.st_size > pages * page_bytes or not pages:
        raise _error(path, f"the file is damaged: it has {status.st_size} bytes instead of {pages * page_bytes}")


class _Database:
    """The SQLite side of a reader: read-only, within limits. Any damage raises sqlite3.Error."""

    def __init__(self, path: Path) -> None:
        # immutable: SQLite looks for no lock and no journal, so a read-only disk works
        self.connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)
        self.connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, 40_000_000)  # the largest frame has 32,767,488 bytes
        self.connection.set_progress_handler(self._step, _STEPS)
        self._steps = 0
        self.rows("PRAGMA trusted_schema=OFF")
        self.rows("PRAGMA cell_size_check=ON")

    def _step(self) -> int:
        self._steps += _STEPS
        return self._steps > _STEPS_MAX

    def rows(self, query: str, *values: int) -> Iterator[tuple[Any, ...]]:
        self._steps = 0
        return self.connection.execute(query, values)


def _read_info(path: Path, database: _Database) -> tuple[FrameFileInfo, bytes]:
    """The metadata of a file, and its id. Damage raises sqlite3.Error or ValueError."""
    schema = {str(sql) for (sql,) in database.rows("SELECT sql FROM sqlite_schema LIMIT 10")}
    if schema != set(SCHEMA):
        raise ValueError("its tables are not those of a frame file")
    meta = {str(key): str(value) for key, value in database.rows("SELECT key, value FROM meta LIMIT 1000")}
    rows = database.rows(f"SELECT number, slots, offset FROM universe ORDER BY number LIMIT {UNIVERSE_MAX + 1}")
    universes = tuple(Universe(*row) for row in rows if all(isinstance(value, int) for value in row))
    if meta.get("seal") == "":
        raise ValueError("it was never finished; `gloaming frames mend` saves its frames")
    if meta.get("seal") != seal(meta, universes):
        raise ValueError("its metadata do not match its seal")
    problem = universes_problem(universes)
    numerator, _, denominator = meta["fps"].partition("/")
    fps = Fraction(int(numerator), int(denominator))
    problem = problem or fps_problem(fps)
    frames = int(meta["frames"])
    if not problem and not 1 <= frames <= FRAMES_MAX:
        problem = f"it has {frames} frames"
    if problem:
        raise ValueError(problem)
    slots = sum(one.slots for one in universes)
    info = FrameFileInfo(path, fps, frames, slots, universes, meta.get("rig", ""), meta["id"])
    _check_coverage(info, database)
    return info, bytes.fromhex(meta["id"])


def _extents(database: _Database) -> Iterator[tuple[int, int]]:
    return database.rows("SELECT first_frame, frames FROM chunk INDEXED BY chunk_extent ORDER BY first_frame")


def _check_coverage(info: FrameFileInfo, database: _Database) -> None:
    most = max(1, CHUNK_BYTES_MAX // info.frame_bytes)
    due = 0
    for first, frames in _extents(database):
        if first != due or not isinstance(frames, int) or not 1 <= frames <= most:
            raise ValueError(f"its chunks do not follow each other at {_seconds(info, due)} s")
        due += frames
    if due != info.frames:
        raise ValueError(f"its chunks end at {_seconds(info, due)} s of {_seconds(info, info.frames)} s")


def _seconds(info: FrameFileInfo, frame: int) -> str:
    return f"{float(frame / info.fps):.2f}"


class FrameReader:
    """The frames of a frame file. It holds one chunk at a time. Use it in the thread that opens it.

    InputError if the file cannot be opened. Decompression releases the interpreter's lock.
    """

    def __init__(self, path: Path | str) -> None:
        path = Path(path)
        _check_header(path)
        database = None
        try:
            database = _Database(path)
            self.info, self._id = _read_info(path, database)
        except (sqlite3.Error, ValueError, KeyError, ZeroDivisionError) as error:
            if database:
                database.connection.close()
            raise _error(path, f"the frame file is damaged: {error}") from None
        self._database = database
        self._decompressor = zstandard.ZstdDecompressor()
        self._held: tuple[int, Frames] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file and free the chunk."""
        self._held = None
        self._database.connection.close()

    def frame(self, number: int) -> Frames:
        """Frame `number`, `(frame_bytes,) uint8`, a view of its chunk. DamagedChunkError, IndexError."""
        first, frames = self.chunk(number)
        row: Frames = frames[number - first]
        return row

    def chunk(self, frame: int) -> tuple[int, Frames]:
        """The chunk that holds `frame`: its first frame's number, and `(frames, frame_bytes) uint8`, C-contiguous."""
        if not 0 <= frame < self.info.frames:
            raise IndexError(f"frame {frame} of {self.info.frames}")
        if self._held is None or not 0 <= frame - self._held[0] < len(self._held[1]):
            self._held = None
            self._held = self._read(frame)
        return self._held

    def _read(self, frame: int) -> tuple[int, Frames]:
        first, frames = frame, self.info.frames - frame
        try:
            first, frames = next(
                self._database.rows(
                    "SELECT first_frame, frames FROM chunk INDEXED BY chunk_extent"
                    " WHERE first_frame <= ? ORDER BY first_frame DESC LIMIT 1",
                    frame,
                )
            )
            if not first <= frame < first + frames or frames > max(1, CHUNK_BYTES_MAX // self.info.frame_bytes):
                raise ValueError("the chunks do not follow each other")
            row = next(self._database.rows("SELECT frames, data FROM chunk WHERE first_frame = ?", first), (0, b""))
            if row[0] != frames or not isinstance(row[1], bytes):
                raise ValueError("it is not there")
            return first, decode_chunk(self._decompressor, self._id, first, (frames, self.info.frame_bytes), row[1])
        except (sqlite3.Error, ValueError, TypeError, StopIteration) as error:
            until = first + frames
            text = (
                f"the chunk from {_seconds(self.info, first)} s to {_seconds(self.info, until)} s is damaged: {error}"
            )
            raise DamagedChunkError(first, frames, self.info.path, text) from None


def inspect(path: Path | str) -> FrameFileInfo:
    """The metadata of a frame file, after the quick checks. InputError if it is no whole frame file."""
    with FrameReader(path) as reader:
        return reader.info


def verify(path: Path | str, progress: Callable[[int, int], None] | None = None) -> list[tuple[int, int, str]]:
    """Read every chunk. Returns the damaged ones: (first frame, frames, text with the seconds).

    `progress` gets the frames done and the frames in all. InputError as `inspect`.
    """
    damaged = []
    with FrameReader(path) as reader:
        frame = 0
        while frame < reader.info.frames:
            try:
                first, frames = reader.chunk(frame)
                frame = first + len(frames)
            except DamagedChunkError as error:
                damaged.append((error.first_frame, error.frames, error.text))
                frame = error.first_frame + error.frames
            if progress:
                progress(frame, reader.info.frames)
    return damaged
