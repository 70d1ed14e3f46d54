"""Files on their way to the board. What has arrived of each is on the disk, and the length of that is its offset."""

from __future__ import annotations

import asyncio
import os
import re
import secrets
import shutil
from collections.abc import AsyncIterator, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from gloaming.shows.media.piece_worker import SYNC_BYTES
from gloaming.shows.time_units import DAY_NS

UPLOADS_MAX = 16
KEEP_NS = DAY_NS
RESERVE_BYTES = 64 << 20
"""So much of the disk stays free for the state and the journal."""
BLOCK_BYTES = 256 << 10
NAME_BYTES_MAX = 120
LENGTH = ".length"


class PieceFileProblem(StrEnum):
    """Why a file of a piece, or a piece, is refused."""

    NAME = "name"
    KIND = "kind"
    LENGTH = "length"
    NO_SPACE = "no-space"
    TOO_MANY = "too-many"
    UNKNOWN = "unknown"
    OFFSET = "offset"
    BUSY = "busy"
    TAKEN = "taken"
    IN_ORDER = "in-order"
    CONTENT = "content"


class PieceFileError(Exception):
    """A file or a piece that is refused: `code` for programs, the text for people."""

    def __init__(self, code: PieceFileProblem, text: str) -> None:
        super().__init__(text)
        self.code = code


@dataclass(frozen=True, slots=True)
class Upload:
    """A file of `length` bytes, of which `offset` bytes have arrived."""

    id: str
    path: Path
    length: int
    offset: int

    @property
    def name(self) -> str:
        """The name that the file has on the computer that sends it."""
        return self.path.name

    @property
    def whole(self) -> bool:
        return self.offset == self.length


class Uploads:
    """The uploads in a folder, which only their owner can read. `free` gives the bytes that are free there.

    Each has a folder of its own, by its id. So two of one name do not meet. There are `most` at once.
    """

    def __init__(self, folder: Path, free: Callable[[Path], int] | None = None, most: int = UPLOADS_MAX) -> None:
        self.folder, self._free = folder, free or (lambda path: shutil.disk_usage(path).free)
        self._most = most
        self._busy: set[str] = set()
        self._thread = ThreadPoolExecutor(1, "uploads")
        """One thread writes them all, so that they do not crowd the disk."""

    def begin(self, name: str, length: int, now_ns: int) -> Upload:
        """Make an empty upload. PieceFileError where the name, the length or the disk does not permit it; OSError."""
        if problem := name_problem(name):
            raise PieceFileError(PieceFileProblem.NAME, problem)
        if length < 1:
            raise PieceFileError(PieceFileProblem.LENGTH, f"{name} is empty")
        uploads = self.all()
        if len(uploads) >= self._most:
            raise PieceFileError(
                PieceFileProblem.TOO_MANY,
                f"there are {self._most} uploads already: finish or remove one of them first",
            )
        needed, free = length + sum(one.length - one.offset for one in uploads), self.free_bytes()
        if needed > free:
            others = " with the other uploads" if needed > length else ""
            raise PieceFileError(
                PieceFileProblem.NO_SPACE,
                f"{name} does not fit on the disk: {size(needed)} are needed{others}, {size(free)} are free",
            )
        id = secrets.token_hex(16)
        folder = self.folder / id
        folder.mkdir(0o700, parents=True)
        (folder / LENGTH).write_text(str(length), "ascii")
        os.close(os.open(folder / name, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        os.utime(folder / name, ns=(now_ns, now_ns))
        return Upload(id, folder / name, length, 0)

    def free_bytes(self) -> int:
        """The bytes that uploads may use."""
        return self.free_of(next(path for path in (self.folder, *self.folder.parents) if path.is_dir()))

    def free_of(self, folder: Path) -> int:
        """The bytes that may be used on the disk of a folder."""
        return max(0, self._free(folder) - RESERVE_BYTES)

    def find(self, id: str) -> Upload:
        """An upload by its id. PieceFileError if there is none."""
        found = self._read(self.folder / id) if re.fullmatch("[0-9a-f]{32}", id) else None
        if found is None:
            raise PieceFileError(
                PieceFileProblem.UNKNOWN, "there is no such upload: it was finished, removed, or a day old"
            )
        return found

    def all(self) -> list[Upload]:
        """All uploads, in no certain order."""
        folders = self.folder.iterdir() if self.folder.is_dir() else ()
        return [found for folder in folders if (found := self._read(folder))]

    async def append(self, id: str, offset: int, parts: AsyncIterator[bytes], now_ns: Callable[[], int]) -> Upload:
        """Add bytes, which begin at `offset`. What arrives before an error or a cut stays, and is safe on the disk.

        PieceFileError; OSError where the disk is full; whatever `parts` raises.
        """
        upload = self.find(id)
        if offset != upload.offset:
            problem = (
                f"{upload.offset} bytes of {upload.name} are on the board, so the next begin there, not at {offset}"
            )
            raise PieceFileError(PieceFileProblem.OFFSET, problem)
        with self.held(upload):
            await self._append(upload, parts, now_ns)
        return self.find(id)

    async def _append(self, upload: Upload, parts: AsyncIterator[bytes], now_ns: Callable[[], int]) -> None:
        run, loop = self._thread, asyncio.get_running_loop()
        room, unsafe = upload.length - upload.offset, 0
        block = bytearray()
        number = os.open(upload.path, os.O_WRONLY | os.O_APPEND)
        try:
            async for part in parts:
                if len(part) > room:
                    raise PieceFileError(
                        PieceFileProblem.LENGTH, f"{upload.name} has more bytes than its {upload.length}"
                    )
                room -= len(part)
                block += part
                if len(block) >= BLOCK_BYTES:
                    unsafe += len(block)
                    data, block = block, bytearray()
                    await loop.run_in_executor(run, _write, number, data, unsafe >= SYNC_BYTES)
                    unsafe %= SYNC_BYTES
        finally:
            at_ns = now_ns()
            await asyncio.shield(loop.run_in_executor(run, _finish, number, block, at_ns))

    @property
    def busy(self) -> bool:
        """Whether one is in use, as while its bytes arrive."""
        return bool(self._busy)

    @contextmanager
    def held(self, upload: Upload) -> Iterator[None]:
        """Keep others from an upload meanwhile. PieceFileError if somebody has it already."""
        if upload.id in self._busy:
            raise PieceFileError(PieceFileProblem.BUSY, f"{upload.name} is in use: wait until that has ended")
        self._busy.add(upload.id)
        try:
            yield
        finally:
            self._busy.discard(upload.id)

    def remove(self, id: str) -> None:
        """Remove an upload. PieceFileError if there is none, or if it is in use."""
        with self.held(self.find(id)):
            shutil.rmtree(self.folder / id)

    def remove_old(self, now_ns: int) -> None:
        """Remove the uploads that were not continued for a day."""
        for upload in self.all():
            if upload.id not in self._busy and now_ns - upload.path.stat().st_mtime_ns > KEEP_NS:
                shutil.rmtree(upload.path.parent)

    def _read(self, folder: Path) -> Upload | None:
        """The upload in a folder. None for a folder that a power cut left incomplete."""
        try:
            length = int((folder / LENGTH).read_text("ascii"))
            path = next(path for path in folder.iterdir() if not path.name.startswith("."))
            return Upload(folder.name, path, length, path.stat().st_size)
        except (OSError, ValueError, StopIteration):
            return None


def _write(number: int, data: bytearray, safe: bool) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(number, view) :]
    if safe:
        os.fdatasync(number)


def _finish(number: int, data: bytearray, now_ns: int) -> None:
    try:
        _write(number, data, False)
        os.utime(number, ns=(now_ns, now_ns))
        os.fsync(number)
    finally:
        os.close(number)


def name_problem(name: str) -> str | None:
    """Why a name cannot be that of a file. None if it can."""
    shown = name if len(name) <= 40 else f"{name[:40]}..."
    if not name or name.startswith(".") or re.search(r"[/\\\x00-\x1f\x7f]", name):
        return f"{shown!r} is not the name of a file: it may have no folder and no control characters, and no dot first"
    if len(name.encode(errors="surrogatepass")) > NAME_BYTES_MAX:
        return f"{shown!r} is longer than {NAME_BYTES_MAX} bytes: give the file a shorter name"
    return None


def size(bytes_: int) -> str:
    """A number of bytes for a person: "2.1 GB"."""
    for unit, factor in (("GB", 10**9), ("MB", 10**6), ("kB", 10**3)):
        if bytes_ >= factor:
            return f"{bytes_ / factor:.1f} {unit}"
    return f"{bytes_} bytes"
