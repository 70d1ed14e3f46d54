"""A program in a real pseudo-terminal."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import time
from collections.abc import Sequence
from pathlib import Path


def in_terminal(
    command: Sequence[object], folder: Path | None = None, timeout_s: float = 60, **environment: str
) -> tuple[int, str]:
    """Run a program with all three streams on a terminal of 80 columns. Its exit code, and all that it wrote."""
    ours, theirs = pty.openpty()
    settings = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "COLUMNS", "LINES")}
    process = subprocess.Popen(
        [*map(str, command)],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        cwd=folder,
        env={**settings, "TERM": "xterm-256color", **environment},
    )
    os.close(theirs)
    written, ends_s = bytearray(), time.monotonic() + timeout_s
    try:
        while True:
            assert select.select([ours], [], [], max(0.0, ends_s - time.monotonic()))[0], written.decode()
            try:
                data = os.read(ours, 65536)
            except OSError:  # EIO: the last process has closed its side
                break
            if not data:
                break
            written += data
    finally:
        os.close(ours)
        if process.poll() is None and time.monotonic() >= ends_s:
            process.kill()
        code = process.wait()
    return code, written.decode()
