"""A stamp that changes when a file is replaced or written. The file is not read."""

from __future__ import annotations

from pathlib import Path

FileStamp = tuple[str, int, int, int]


def file_stamp(path: Path) -> FileStamp:
    """Name, inode, length and last change of a file. All zeros for a file that is missing."""
    try:
        status = path.stat()
    except OSError:
        return str(path), 0, 0, 0
    return str(path), status.st_ino, status.st_size, status.st_mtime_ns
