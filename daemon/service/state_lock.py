"""The lock of a state folder, so that no two shows use it, and nobody restores over a show."""

from __future__ import annotations

import fcntl
import os
from pathlib import Path


def lock_state(state: Path) -> int | None:
    """Lock the state folder until the handle is closed. BlockingIOError where `gloaming run` has locked it.

    None where the folder may not be read: then the show has no state.
    """
    try:
        handle = os.open(state, os.O_RDONLY | os.O_DIRECTORY)
    except PermissionError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise
    return handle
