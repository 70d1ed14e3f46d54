"""What has been decided, and why, as plain frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from gloaming.daemon.score.score import Segment


class State(StrEnum):
    """The states a person sees."""

    PLAYING = "playing"
    PAUSED = "paused"
    WAITING = "waiting"
    DARK = "dark"
    RIG_CHECK = "rig-check"
    NO_CLOCK = "no-clock"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Reason:
    """A rule that had its say: where it stands ("site.toml:12 neighbours.dark") and what it said."""

    rule: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DecidedSegment(Segment):
    """A segment, and what only the planner knows of it: the state, why, and whether sound is heard."""

    state: State
    reasons: tuple[Reason, ...]
    sound: bool = False
