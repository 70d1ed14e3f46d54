"""Decisions and their reasons, as frozen values."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from gloaming.daemon.score.score import Segment


class State(StrEnum):
    """The states that people see."""

    PLAYING = "playing"
    PAUSED = "paused"
    WAITING = "waiting"
    DARK = "dark"
    RIG_CHECK = "rig-check"
    NO_CLOCK = "no-clock"
    FAULT = "fault"


class ReasonCode(StrEnum):
    """The meaning of a reason. `reasons.py` has the text of each code."""

    DARK_HOURS = "dark-hours"
    QUIET_HOURS = "quiet-hours"
    DIM_HOURS = "dim-hours"
    RIG_CHECK_IN_DARK_HOURS = "rig-check-in-dark-hours"
    PAUSE = "pause"
    DARK = "dark"
    DIM = "dim"
    MUTE = "mute"
    RIG_CHECK = "rig-check"
    BURN_IN = "burn-in"
    OUT_OF_SERVICE = "out-of-service"
    HOLD_DARK = "hold-dark"
    HOLD_PAUSE = "hold-pause"
    HOLD_DIM = "hold-dim"
    HOLD_STAYS = "hold-stays"
    PIECE = "piece"
    CALLED_PIECE = "called-piece"
    BETWEEN = "between-pieces"
    ORDER_BEGINS_LATER = "order-begins-later"
    COULD_NOT_END = "could-not-end"
    NOTHING_PLAYABLE = "nothing-playable"
    LEFT_OUT = "left-out"
    OPENED = "opened"
    OPENS = "opens"
    CLOSED = "closed"
    NOTHING_OPENS = "nothing-opens"
    BRIGHTNESS = "brightness"
    NO_CLOCK = "no-clock"
    WIRE_BLACK = "wire-black"
    STRONGER = "stronger-override"
    LIGHTS_OFF_SINCE = "lights-off-since"
    NO_COLOUR = "no-colour"
    TIME_NOT_TAKEN = "time-not-taken"
    TOO_MANY_REPAIRS = "too-many-repairs"
    NO_FRAMES = "no-frames"
    TOO_MANY_CALLS = "too-many-calls"
    COOL_DOWN = "cool-down"
    MOST_PER_HOUR = "most-per-hour"
    NO_SHOW = "no-show"
    OTHER_SHOW = "other-show"
    PLAYS_ALREADY = "plays-already"
    WAITS_ALREADY = "waits-already"
    NO_TRIGGER = "no-trigger"


@dataclass(frozen=True, slots=True)
class Reason:
    """A rule that decides: its place ("site.toml:12 neighbours.dark"), its text and its code.

    `brief` is the text without what differs from night to night; it is empty where the text is the same every night.
    `override` is the id, where the rule is an override.
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
    """A segment with what only the planner knows: the state, the reasons, and whether there is sound."""

    state: State
    reasons: tuple[Reason, ...]
    sound: bool = False

    @property
    def given(self) -> bool:
        """Whether a show or a called piece is given."""
        return self.state == State.PLAYING or (self.state == State.WAITING and self.show is not None)
