"""What people ask for by hand, as stored facts. An override says when it began, when it ends, and who asked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction

from gloaming.shows.time_units import DAY_NS, SECOND_NS


class Kind(StrEnum):
    """The kinds of override."""

    PAUSE = "pause"
    DARK = "dark"
    CALL = "call"
    DIM = "dim"
    MUTE = "mute"
    SKIP = "skip"
    RIG_CHECK = "rig-check"


WEEK_MINUTES, DAY_MINUTES = 7 * 24 * 60, 24 * 60


@dataclass(frozen=True, slots=True)
class KindTerms:
    """What goes with a kind of override. Requests, commands, the schema of HTTP and the page are made of it."""

    name: str
    """What a person calls it while it is in force."""
    help: str
    """What its command does."""
    ends: frozenset[Kind] = frozenset()
    """What ends when it is asked for: what it takes the place of; and a rig check, when lights go off."""
    key: str | None = None
    """What a request of it may say besides its kind and its end."""
    needed: bool = False
    """Whether a request must say that."""
    usual_minutes: float | None = None
    """How long it lasts where nothing is said; None: until the end of the night."""
    longest_minutes: int = WEEK_MINUTES
    lasts: bool = True
    """Whether it has an end that can be asked for."""
    lights_off: bool = False
    of_its_own: bool = False
    """Whether it has a request and a command of its own."""


TERMS = {
    Kind.PAUSE: KindTerms(
        "Paused",
        "lights off; the show waits where it is",
        frozenset({Kind.PAUSE, Kind.RIG_CHECK}),
        "show_continues",
        usual_minutes=15,
        lights_off=True,
    ),
    Kind.DARK: KindTerms(
        "Off", "lights off for tonight, or as long as said", frozenset({Kind.DARK, Kind.RIG_CHECK}), lights_off=True
    ),
    Kind.CALL: KindTerms(
        "Show called", "give a show now", key="show", needed=True, usual_minutes=30, longest_minutes=DAY_MINUTES
    ),
    Kind.DIM: KindTerms(
        "Dimmed",
        "light at a share of the brightness that is set: LEVEL, 0 to 1",
        frozenset({Kind.DIM}),
        "level",
        needed=True,
    ),
    Kind.MUTE: KindTerms("Muted", "no sound", frozenset({Kind.MUTE})),
    Kind.SKIP: KindTerms("Next piece", "the next piece, at once", lasts=False),
    Kind.RIG_CHECK: KindTerms(
        "Rig check",
        "test patterns on the rig; they end by themselves after ten minutes",
        frozenset({Kind.RIG_CHECK}),
        of_its_own=True,
    ),
}
ASKED = tuple(kind for kind, terms in TERMS.items() if not terms.of_its_own)
LIGHTS_OFF = tuple(kind for kind, terms in TERMS.items() if terms.lights_off)


@dataclass(frozen=True, slots=True)
class Check:
    """What a rig check shows: a test pattern, rendered into a frame file; what it is in words; the strings that it is
    for, none where it is for more than strings."""

    text: str
    path: str
    frames: int
    fps: Fraction
    strings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Override:
    """Something asked for by hand, in force over `[at_ns, end_ns)`.

    `until_ns` is the end it was given, `ended_ns` the instant at which somebody ended it before that. A skip acts at
    `at_ns` alone; undone before `until_ns` it has not happened. `show` belongs to a call, `level` (0..1) to a dim
    (a share of the brightness that is set) or a rig check (its brightness),
    `check` to a rig check, and `show_continues` to a pause during which the show continues behind the dark.
    """

    id: int
    kind: Kind
    at_ns: int
    until_ns: int
    who: str = ""
    ended_ns: int | None = None
    show: str | None = None
    level: float | None = None
    show_continues: bool = False
    check: Check | None = None

    @property
    def end_ns(self) -> int:
        """The instant from which it is no longer in force."""
        return self.until_ns if self.ended_ns is None else min(self.until_ns, self.ended_ns)

    @property
    def undone(self) -> bool:
        """Whether somebody ended it before its time."""
        return self.ended_ns is not None and self.ended_ns < self.until_ns

    def stands_at(self, at_ns: int) -> bool:
        """Whether it is in force at an instant."""
        return self.at_ns <= at_ns < self.end_ns

    def end_known_at(self, at_ns: int) -> int:
        """The end as it was known at an instant: nobody then knew that it would be undone later."""
        return self.end_ns if self.ended_ns is not None and self.ended_ns <= at_ns else self.until_ns


def after_step(override: Override, now_ns: int, step_ns: int) -> Override:
    """An override of before the wall clock was set, by `step_ns` to `now_ns`: what stood stands on for as long as was
    asked, and what was over does not come again. An end at a whole second was given by the clock, and stays; where the
    clock was on another day, by whole days."""
    before_ns = now_ns - step_ns
    if override.at_ns > before_ns or override.end_ns <= min(before_ns, now_ns):
        return override
    days_ns = round(step_ns / DAY_NS) * DAY_NS
    until_ns = override.until_ns + (days_ns if override.until_ns % SECOND_NS == 0 else step_ns)
    if step_ns > 0 and not days_ns:
        return replace(override, until_ns=max(until_ns, override.at_ns))
    ended_ns = None if override.ended_ns is None else override.ended_ns + step_ns
    at_ns = override.at_ns + step_ns
    return replace(override, at_ns=at_ns, until_ns=max(until_ns, at_ns), ended_ns=ended_ns)
