"""The name of this board, among those of the site."""

from __future__ import annotations

import os
import socket
from pathlib import Path

VARIABLE = "GLOAMING_BOARD"
FILE = Path("/etc/gloaming/board")


def board_name() -> str:
    """$GLOAMING_BOARD, else the first line of /etc/gloaming/board, else the host's name without its domain."""
    if named := os.environ.get(VARIABLE):
        return named
    try:
        if lines := FILE.read_text(encoding="utf-8", errors="replace").split("\n", 1)[0].strip():
            return lines
    except OSError:  # there is none
        pass
    return socket.gethostname().partition(".")[0]
