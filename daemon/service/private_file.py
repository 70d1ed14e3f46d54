"""Files of the state folder that are for nobody else's eyes: written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path


def write_private(path: Path, text: str) -> None:
    """A file that its owner alone may read; on the disk when it has its name, since power may fail. OSError."""
    fresh = path.with_name(f".{path.name}.new")
    fresh.unlink(missing_ok=True)
    handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    fresh.rename(path)
