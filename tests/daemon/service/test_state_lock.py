"""A state folder has one user at a time."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from gloaming.daemon.service.state_lock import lock_state


def test_a_state_folder_is_locked_until_the_handle_is_closed(tmp_path: Path) -> None:
    handle = lock_state(tmp_path)
    assert handle is not None
    with pytest.raises(BlockingIOError):
        lock_state(tmp_path)
    os.close(handle)
    again = lock_state(tmp_path)
    assert again is not None
    os.close(again)
