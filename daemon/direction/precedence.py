"""The order of precedence, as one table that `decide`, `why` and the sound levels read.

The first line of PRECEDENCE that is in force decides what is on the wire. LIMITS then lower light and sound. The last
limit applies first, so that the first one always holds. No other module orders overrides.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from gloaming.daemon.direction.overrides import Kind
from gloaming.daemon.direction.score import State


class Source(StrEnum):
    """What decides besides overrides."""

    DARK_HOURS = "dark hours"
    PERFORMANCE = "performance"
    HOURS = "dim and quiet hours"


class LightSource(StrEnum):
    """Which light is shown."""

    NONE = "none"
    PATTERN = "the test pattern"
    SHOW = "the show"


Claim = Kind | Source


@dataclass(frozen=True, slots=True)
class Line:
    """What is on the wire where a claim decides. A show has the state of its piece: playing, waiting or fault."""

    claim: Claim
    state: State
    light: LightSource = LightSource.NONE
    sound: bool = False
    has_show: bool = False
    """A show is in force too, and `why` gives its reasons as well."""
    gives_way_to: Kind | None = None
    """The kind that decides instead if it is next in force and site.toml allows it (`neighbours.rig_check`)."""


@dataclass(frozen=True, slots=True)
class Limit:
    """What lowers the light, the sound or both."""

    claim: Claim
    light: bool = False
    sound: bool = False


PRECEDENCE = (
    Line(Source.DARK_HOURS, State.DARK, gives_way_to=Kind.RIG_CHECK),
    Line(Kind.HOLD_DARK, State.DARK),
    Line(Kind.DARK, State.DARK),
    Line(Kind.RIG_CHECK, State.RIG_CHECK, LightSource.PATTERN),
    Line(Kind.OUT_OF_SERVICE, State.DARK),
    Line(Kind.BURN_IN, State.RIG_CHECK, LightSource.PATTERN),
    Line(Kind.HOLD_PAUSE, State.PAUSED, has_show=True),
    Line(Kind.PAUSE, State.PAUSED, has_show=True),
    Line(Kind.CALL, State.PLAYING, LightSource.SHOW, sound=True, has_show=True),
    Line(Source.PERFORMANCE, State.PLAYING, LightSource.SHOW, sound=True, has_show=True),
)
LIMITS = (
    Limit(Source.HOURS, light=True, sound=True),
    Limit(Kind.HOLD_DIM, light=True),
    Limit(Kind.DIM, light=True),
    Limit(Kind.MUTE, sound=True),
)


def strongest(in_force: set[Claim], gives_way: bool) -> Line | None:
    """The line that decides, None where nothing is in force. With `gives_way`, dark hours give way to a rig check."""
    lines = [line for line in PRECEDENCE if line.claim in in_force]
    if gives_way and len(lines) > 1 and lines[0].gives_way_to == lines[1].claim:
        return lines[1]
    return lines[0] if lines else None


def place(claim: Claim) -> int:
    """How many claims are stronger."""
    return next((number for number, line in enumerate(PRECEDENCE) if line.claim == claim), len(PRECEDENCE))


def stronger_kinds(kind: Kind) -> tuple[Kind, ...]:
    """The kinds of override that are stronger than `kind`."""
    return tuple(line.claim for line in PRECEDENCE[: place(kind)] if isinstance(line.claim, Kind))


def as_diagram() -> str:
    """The table as lines of text."""
    rows = [("the strongest first", "state", "light", "sound")]
    rows += [(line.claim, line.state, line.light, "the show" if line.sound else "none") for line in PRECEDENCE]
    rows += [("then lowered by", "", "light", "sound")]
    rows += [(limit.claim, "", "yes" if limit.light else "no", "yes" if limit.sound else "no") for limit in LIMITS]
    lines = [f"{claim:<20} {state:<10} {light:<17} {sound}".rstrip() for claim, state, light, sound in rows]
    ways = [
        f"{line.claim} give way to a {line.gives_way_to} where site.toml allows it"
        for line in PRECEDENCE
        if line.gives_way_to
    ]
    return "\n".join([*lines, *ways])
