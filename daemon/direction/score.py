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


class ReasonCode(StrEnum):
    """What a reason says. `reasons.py` has the text of each."""

    DARK_HOURS = "dark-hours"
    QUIET_HOURS = "quiet-hours"
    DIM_HOURS = "dim-hours"
    RIG_CHECK_IN_DARK_HOURS = "rig-check-in-dark-hours"
    PAUSE = "pause"
    DARK = "dark"
    DIM = "dim"
    MUTE = "mute"
    RIG_CHECK = "rig-check"
    PIECE = "piece"
    BETWEEN = "between-pieces"
    ORDER_BEGINS_LATER = "order-begins-later"
    COULD_NOT_END = "could-not-end"
    NOTHING_PLAYABLE = "nothing-playable"
    LEFT_OUT = "left-out"
    OPENED = "opened"
    OPENS = "opens"
    NOTHING_OPENS = "nothing-opens"
    BRIGHTNESS = "brightness"
    NO_CLOCK = "no-clock"
    WIRE_BLACK = "wire-black"
    STRONGER = "stronger-override"
    LIGHTS_OFF_SINCE = "lights-off-since"
    NO_WHITE = "no-white"
    TIME_NOT_TAKEN = "time-not-taken"


@dataclass(frozen=True, slots=True)
class Reason:
    """A rule that decides: where it stands ("site.toml:12 neighbours.dark"), what it says, in words and as a code.

    `brief` is the text without what differs from night to night, empty where that is the text. `override` is the id
    of the override that it is.
    """

    rule: str
    text: str
    code: ReasonCode
    brief: str = ""
    override: int | None = None

    def as_json(self) -> dict[str, str]:
        return {"code": str(self.code), "rule": self.rule, "text": self.text}


@dataclass(frozen=True, slots=True, kw_only=True)
class DecidedSegment(Segment):
    """A segment, and what only the planner knows of it: the state, why, and whether sound is heard."""

    state: State
    reasons: tuple[Reason, ...]
    sound: bool = False
