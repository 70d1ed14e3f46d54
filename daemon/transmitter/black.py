"""Why nothing is lit on the wire: a code for each condition. Each is decided where PROTOCOL.md says, and named here."""

from __future__ import annotations

from enum import StrEnum


class Black(StrEnum):
    """In the order in which light passes them."""

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
