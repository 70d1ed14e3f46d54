"""Names that both processes use: the kinds of messages, the causes of a black wire, and the running program.

transmitter/PROTOCOL.md explains each of them.
"""

from __future__ import annotations

from enum import StrEnum
from hashlib import sha256
from pathlib import Path


class Op(StrEnum):
    """The kinds of messages."""

    SETUP = "setup"
    WINDOWS = "windows"
    SCORE = "score"
    STOP = "stop"
    VIEW = "view"
    """The planner asks, the transmitter answers."""
    HELLO = "hello"
    PLAYING = "playing"
    TELEMETRY = "telemetry"
    TROUBLE = "trouble"


class Black(StrEnum):
    """Why the wire is black: a code for each condition, in the order in which the transmitter checks them."""

    NO_OUTPUT = "no-output"
    NO_SCORE = "no-score"
    NO_WINDOWS = "no-windows"
    SCORE_TO_COME = "score-to-come"
    SCORE_OVER = "score-over"
    SCORE_GAP = "score-gap"
    SCORE = "score"
    UNKNOWN_HOURS = "unknown-hours"
    DARK_HOURS = "dark-hours"
    DARK_HOURS_BY_WALL_CLOCK = "dark-hours-by-wall-clock"
    DARK_HOURS_HELD = "dark-hours-held"
    STARTING = "starting"
    FILE = "file"
    DAMAGED = "damaged"
    UNREAD = "unread"
    REFRESH = "refresh"
    UNIVERSES = "universes"
    PICTURE = "picture"
    LEVEL = "level"
    LIMITER = "limiter"


def program_files() -> list[Path]:
    """The files of the transmitter's program. It does not load all those of `shows`."""
    top = Path(__file__).parents[2]
    rooms = (top / "shows", *(top / "daemon" / name for name in ("score", "service", "transmitter")))
    return sorted([*(path for room in rooms for path in room.rglob("*.py")), top / "daemon" / "__init__.py"])


def build() -> str:
    """The name of the program, 16 hex digits. Any change of a file of the program changes it."""
    digest = sha256()
    for path in program_files():
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:16]
