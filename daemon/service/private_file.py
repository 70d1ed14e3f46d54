"""Files that are replaced whole: a power cut leaves the old text or the new one."""

from __future__ import annotations

import os
import pwd
from contextlib import suppress
from pathlib import Path


def write_private(path: Path, text: str) -> None:
    """Write a file of the state folder, with mode 0600: its owner alone may read it. OSError."""
    replace_file(path, text.encode())


def replace_file(path: Path, data: bytes, like: os.stat_result | None = None) -> None:
    """Replace a file. The data are on the disk before the file gets its name. OSError.

    The file has mode 0600, or the mode of `like`. It has the owner of `like` where the system permits that.
    """
    fresh = path.with_name(f".{path.name}.new")
    fresh.unlink(missing_ok=True)
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            if like:
                for owner in ((like.st_uid, -1), (-1, like.st_gid)):
                    with suppress(OSError):  # EPERM; EINVAL for a user that the service's namespace does not know
                        os.fchown(file.fileno(), *owner)
                os.fchmod(file.fileno(), like.st_mode & 0o777)
            file.flush()
            os.fsync(file.fileno())
        fresh.rename(path)
    except OSError:
        fresh.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Wait until the names in a folder are on the disk. OSError."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


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
