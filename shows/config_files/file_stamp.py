"""What tells a file from another of the same name, without reading it."""

from __future__ import annotations

from pathlib import Path

FileStamp = tuple[str, int, int, int]


def file_stamp(path: Path) -> FileStamp:
    """What an inode says: name, inode, length, last change. A file that is not there has zeros."""
    try:
        status = path.stat()
    except OSError:
        return str(path), 0, 0, 0
    return str(path), status.st_ino, status.st_size, status.st_mtime_ns
