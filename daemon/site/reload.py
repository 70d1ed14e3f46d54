"""Whether a site's files have changed and hold still: by their stamps, looked at now and then. Reads no contents."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from gloaming.shows.config_files.file_stamp import FileStamp, file_stamp

Stamp = tuple[FileStamp, ...]
STILL_LOOKS = 2
"""How many looks in a row must find the same files before they are read: a copy that is under way is not."""


def stamp(folder: Path, files: Iterable[Path]) -> Stamp:
    """What the inodes of a site's files say."""
    return tuple(file_stamp(path) for path in (folder / "site.toml", folder / "rig.toml", *sorted(files)))


class FileWatch:
    """Compares each look with the files that were read last."""

    def __init__(self, read: Stamp) -> None:
        self._read = self._last = read
        self._looks = 0

    def due(self, found: Stamp) -> bool:
        """Whether the files differ from those read last, and were the same the last times; said once for each."""
        self._looks = self._looks + 1 if found == self._last else 0
        self._last = found
        if found == self._read or self._looks < STILL_LOOKS:
            return False
        self._read = found
        return True

    def was_read(self, found: Stamp) -> None:
        """The files as they were when somebody had them read."""
        self._read = self._last = found
        self._looks = 0
