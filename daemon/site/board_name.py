"""The name of this board, among those of the site."""

from __future__ import annotations

import os
import socket
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from gloaming.shows.rig.model import Named

VARIABLE = "GLOAMING_BOARD"
FILE = Path("/etc/gloaming/board")
NAMED_MAX = 12
"""So many of the site's boards are named."""


class _Found(NamedTuple):
    """A name, and where it is written."""

    name: str
    source: str


def board_name() -> str:
    """$GLOAMING_BOARD, else the first line of /etc/gloaming/board, else the host's name without its domain."""
    return _find().name


def _find() -> _Found:
    if named := os.environ.get(VARIABLE):
        return _Found(named, f"${VARIABLE}")
    unread = ""
    try:
        if named := FILE.read_text(encoding="utf-8", errors="replace").split("\n", 1)[0].strip():
            return _Found(named, str(FILE))
    except FileNotFoundError:
        pass
    except OSError as error:
        unread = f"; {FILE} cannot be read: {error.strerror}"
    return _Found(socket.gethostname().partition(".")[0], f"the name of this host{unread}")


class UnknownBoard(NamedTuple):
    """What is wrong with this board's name, and what to do."""

    problem: str
    hint: str


def unknown_board(name: str, boards: Sequence[Named]) -> UnknownBoard | None:
    """The problem that a site has boards, and none of this board's name."""
    names = [one.name for one in boards]
    if not names or name in names:
        return None
    found = _find()
    source = f" ({found.source})" if found.name == name else ""
    listed = ", ".join(names[:NAMED_MAX]) + (f" and {len(names) - NAMED_MAX} more" if names[NAMED_MAX:] else "")
    problem = f"no board of site.toml has the name {name!r}{source}; its boards are {listed}"
    return UnknownBoard(problem, f"write one of these names to {FILE}, or set ${VARIABLE} to it")
