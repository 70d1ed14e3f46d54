"""Files of the state folder that their owner alone may read. Each is replaced whole."""

from __future__ import annotations

import os
import pwd
from pathlib import Path


def write_private(path: Path, text: str) -> None:
    """Write a file with mode 0600. The text is on the disk before the file gets its name. OSError."""
    fresh = path.with_name(f".{path.name}.new")
    fresh.unlink(missing_ok=True)
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    fresh.rename(path)


def error_text(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error)


def why_closed(folder: Path, error: Exception) -> str:
    """Why a file in a folder cannot be opened, and what to do."""
    try:
        status, read_only = folder.stat(), os.statvfs(folder).f_flag & os.ST_RDONLY
    except OSError as found:
        return error_text(found)
    if read_only:
        return "its file system is read-only"
    if not os.access(folder, os.W_OK | os.X_OK):
        owner, own = _user(status.st_uid), _user(os.geteuid())
        return f"{folder} belongs to {owner}, and {own} may not write there: chown -R {own} {folder}"
    return error_text(error)


def _user(number: int) -> str:
    try:
        return pwd.getpwuid(number).pw_name
    except KeyError:
        return str(number)
