"""What is stronger than what, as one table that `decide`, `why` and the sound levels read.

Of all that is in force, the first line of PRECEDENCE decides what the wire has. LIMITS then lower it, the last line
first, so that the first line has the last word. No other module orders overrides.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from gloaming.daemon.direction.overrides import Kind
from gloaming.daemon.direction.score import State


class Source(StrEnum):
    """What bears on the wire besides overrides."""

    DARK_HOURS = "dark hours"
    PERFORMANCE = "performance"
    HOURS = "dim and quiet hours"


class LightSource(StrEnum):
    """Whose light there is."""

    NONE = "none"
    PATTERN = "the test pattern"
    SHOW = "the show"


Claim = Kind | Source


@dataclass(frozen=True, slots=True)
class Line:
    """What the wire has where a claim decides. Of a show, the state is that of its piece: playing, waiting or fault."""

    claim: Claim
    state: State
    light: LightSource = LightSource.NONE
    sound: bool = False
    holds_show: bool = False
    """The show waits behind it, and `why` tells of the show as well."""
    gives_way_to: Kind | None = None
    """What comes first where site.toml allows it (`neighbours.rig_check`), if it is the next in force."""


@dataclass(frozen=True, slots=True)
class Limit:
    """What lowers the light, the sound or both."""

    claim: Claim
    light: bool = False
    sound: bool = False


PRECEDENCE = (
    Line(Source.DARK_HOURS, State.DARK, gives_way_to=Kind.RIG_CHECK),
    Line(Kind.DARK, State.DARK),
    Line(Kind.RIG_CHECK, State.RIG_CHECK, LightSource.PATTERN),
    Line(Kind.PAUSE, State.PAUSED, holds_show=True),
    Line(Kind.CALL, State.PLAYING, LightSource.SHOW, sound=True, holds_show=True),
    Line(Source.PERFORMANCE, State.PLAYING, LightSource.SHOW, sound=True, holds_show=True),
)
LIMITS = (
    Limit(Source.HOURS, light=True, sound=True),
    Limit(Kind.DIM, light=True),
    Limit(Kind.MUTE, sound=True),
)


def strongest(in_force: set[Claim], gives_way: bool) -> Line | None:
    """The line that decides, None where nothing is in force. `gives_way`: whether site.toml lets dark hours do so."""
    lines = [line for line in PRECEDENCE if line.claim in in_force]
    if gives_way and len(lines) > 1 and lines[0].gives_way_to == lines[1].claim:
        return lines[1]
    return lines[0] if lines else None


def place(claim: Claim) -> int:
    """How many claims are stronger."""
    return next((number for number, line in enumerate(PRECEDENCE) if line.claim == claim), len(PRECEDENCE))


def stronger_kinds(kind: Kind) -> tuple[Kind, ...]:
    """The overrides that are stronger than one."""
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
