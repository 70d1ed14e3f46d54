"""Writes a file beside its place and renames it at the end. So a name never means half a file."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from gloaming.shows.config_files.errors import input_error


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """A temporary name for a new file. At the end the file takes the name `path`. After an error, or a Ctrl-C, an older
    file stays as it is.

    A device or a pipe has no old content to keep: its own name is given. InputError if the file cannot be written.
    """
    device = os.path.exists(path) and not (path.is_file() or path.is_dir())  # noqa: PTH110  # exists() of Path raises
    temporary = path if device else path.with_name(f"{path.name}.{secrets.token_hex(4)}.part")
    try:
        yield temporary
        if not device:
            _sync(temporary)
            temporary.replace(path)
    except OSError as error:
        raise input_error(path, f"it cannot be written ({error.strerror or error})") from error
    finally:
        if not device:
            with suppress(OSError):  # the name may be impossible
                temporary.unlink(missing_ok=True)


def _sync(path: Path) -> None:
    """Bring the bytes of a file to the disk before it takes the place of an older one."""
    with path.open("rb") as file:
        os.fsync(file.fileno())
