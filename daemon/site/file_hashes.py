"""The SHA-256 of files (FIPS 180-4). What was computed is remembered by the stamp of the file, beside other state."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from hashlib import sha256
from pathlib import Path

from gloaming.daemon.service.private_file import write_private
from gloaming.shows.config_files.errors import input_error
from gloaming.shows.config_files.file_stamp import file_stamp

BLOCK_BYTES = 1 << 20
Read = Callable[[int], None]
"""Takes how many more bytes were read."""


class FileHashes:
    """The hashes that are remembered in the file `path`."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._known: dict[str, list[object]] = {}
        with suppress(OSError, ValueError):  # there is none yet, or it cannot be read: the files are read again
            found = json.loads(path.read_text(encoding="utf-8"))
            self._known = found if isinstance(found, dict) else {}

    def of(self, path: Path, read: Read = lambda _: None) -> str:
        """The hash of a file, in hexadecimal digits. OSError; InputError for a file that changes meanwhile."""
        name, *stamp = file_stamp(path)
        if (known := self._known.get(name)) and known[:-1] == stamp:
            read(path.stat().st_size)
            return str(known[-1])
        found = hash_of(path, read)
        if [*file_stamp(path)][1:] != stamp:
            raise input_error(path, "the file changes while it is read", "wait until it is written, then try again")
        self._known[name] = [*stamp, found]
        return found

    def save(self) -> None:
        """Remember the hashes of files that are still there. OSError."""
        self._known = {name: known for name, known in self._known.items() if Path(name).exists()}
        self._path.parent.mkdir(0o700, parents=True, exist_ok=True)
        write_private(self._path, json.dumps(self._known))


def hash_of(path: Path, read: Read = lambda _: None) -> str:
    """The hash of a file. OSError."""
    found = sha256()
    with path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            found.update(block)
            read(len(block))
    return found.hexdigest()
