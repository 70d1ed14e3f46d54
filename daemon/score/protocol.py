"""What both processes name alike: the kinds of messages, why the wire is black, and the program that runs.

transmitter/PROTOCOL.md says what each of them means.
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
    """Asked for by the planner, and answered by the transmitter."""
    HELLO = "hello"
    PLAYING = "playing"
    TELEMETRY = "telemetry"
    TROUBLE = "trouble"


class Black(StrEnum):
    """Why nothing is lit on the wire: a code for each condition, in the order in which light passes them."""

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


def made_of() -> list[Path]:
    """The files that a transmitter is made of; some of `shows` it does not load."""
    top = Path(__file__).parents[2]
    rooms = (top / "shows", *(top / "daemon" / name for name in ("score", "service", "transmitter")))
    return sorted([*(path for room in rooms for path in room.rglob("*.py")), top / "daemon" / "__init__.py"])


def build() -> str:
    """Names the program: another name with any change in a file that a transmitter is made of."""
    digest = sha256()
    for path in made_of():
        digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:16]
