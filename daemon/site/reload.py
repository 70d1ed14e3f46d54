"""Whether the files of a site have changed and are complete, by regular looks at their stamps. Reads no contents."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.file_stamp import FileStamp, file_stamp

Stamp = tuple[FileStamp, ...]
STILL_LOOKS = 2
"""So many looks in a row must find the same files before they are read. A copy in progress changes between looks."""


def stamp(folder: Path, files: Iterable[Path]) -> Stamp:
    """The stamps of a site's files."""
    return tuple(file_stamp(path) for path in (folder / "site.toml", folder / "rig.toml", *sorted(files)))


def stamp_of(site: Site) -> Stamp:
    """The stamps of the files that a site has now."""
    files = (file for piece in site.pieces.values() for file in (piece.frames, piece.sound) if file)
    return stamp(site.folder, files)


class FileWatch:
    """Compares the files at each look with those that were read last."""

    def __init__(self, read: Stamp) -> None:
        self._read = self._last = read
        self._looks = 0

    def due(self, found: Stamp) -> bool:
        """Whether the files differ from those read last and no longer change. True once for each change."""
        self._looks = self._looks + 1 if found == self._last else 0
        self._last = found
        if found == self._read or self._looks < STILL_LOOKS:
            return False
        self._read = found
        return True

    def was_read(self, found: Stamp) -> None:
        """Take note of the files that were just read."""
        self._read = self._last = found
        self._looks = 0
