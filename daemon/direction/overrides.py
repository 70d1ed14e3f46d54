"""Overrides: what people ask for and what holds do, as stored facts. Each has its beginning, its end, and who asked."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from gloaming.shows.time_units import DAY_NS, SECOND_NS

if TYPE_CHECKING:  # every command knows the overrides, and loads no numpy for that
    from gloaming.shows.rig.patterns import Pattern


class Kind(StrEnum):
    """The kinds of override."""

    PAUSE = "pause"
    DARK = "dark"
    CALL = "call"
    DIM = "dim"
    MUTE = "mute"
    SKIP = "skip"
    RIG_CHECK = "rig-check"
    BURN_IN = "burn-in"
    OUT_OF_SERVICE = "out-of-service"
    HOLD_DARK = "hold-dark"
    HOLD_PAUSE = "hold-pause"
    HOLD_DIM = "hold-dim"

    @property
    def words(self) -> str:
        """The kind in a sentence."""
        return self.value if self == Kind.BURN_IN else self.replace("-", " ")


WEEK_MINUTES, DAY_MINUTES = 7 * 24 * 60, 24 * 60
WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
"""The days that an end may be, in the order of `date.weekday`."""
RIG_CHECK_MINUTES = 10
OUT_OF_SERVICE_DAYS = 400
"""The longest time out of service: more than a year, so that a part stays dark until the next season."""
CHECKS = (Kind.RIG_CHECK, Kind.BURN_IN)
"""The kinds that show a test pattern. A burn-in goes on beneath a rig check."""


@dataclass(frozen=True, slots=True)
class KindTerms:
    """What belongs to a kind of override. Requests, commands, the HTTP schema and the page are made from it."""

    name: str
    """Its name for people while it is in force."""
    help: str
    """What its command does."""
    ends: frozenset[Kind] = frozenset()
    """The kinds that it ends: an override replaces one of its own kind, and lights off ends a rig check."""
    key: str | None = None
    """The key that its request may have besides its kind and its end."""
    needed: bool = False
    """Whether a request must have that key."""
    instead: tuple[str, ...] = ()
    """What a request may have in place of that key and of an end: first the key that it must have then."""
    usual_minutes: float | None = None
    """Its default length; None: until the end of the night."""
    longest_minutes: int = WEEK_MINUTES
    lasts: bool = True
    """Whether a request may give its end."""
    lights_off: bool = False
    of_its_own: bool = False
    """Whether it has a separate request and command."""
    in_zones: bool = False
    """Whether it may be for a zone. The others are always for the whole rig."""
    zone_needed: bool = False
    """Whether a request must have a zone: it is never for the whole rig."""
    of_a_hold: bool = False
    """Whether a hold makes it. Nobody can ask for it."""
    caution: str = ""
    """What whoever asks for it must mind."""


TERMS = {
    Kind.PAUSE: KindTerms(
        "Paused",
        "lights off; the show stops where it is",
        frozenset({Kind.PAUSE, *CHECKS}),
        "show_continues",
        usual_minutes=15,
        lights_off=True,
    ),
    Kind.DARK: KindTerms(
        "Off",
        "lights off for tonight, or for a given time",
        frozenset({Kind.DARK, *CHECKS}),
        lights_off=True,
        in_zones=True,
    ),
    Kind.CALL: KindTerms(
        "Called",
        "give a show or a piece now",
        key="show",
        needed=True,
        instead=("piece", "after"),
        usual_minutes=30,
        longest_minutes=DAY_MINUTES,
        in_zones=True,
    ),
    Kind.DIM: KindTerms(
        "Dimmed",
        "light at a share of the brightness that is set: LEVEL, 0 to 1",
        frozenset({Kind.DIM}),
        "level",
        needed=True,
        in_zones=True,
    ),
    Kind.MUTE: KindTerms("Muted", "no sound", frozenset({Kind.MUTE})),
    Kind.SKIP: KindTerms("Next piece", "the next piece, at once", lasts=False),
    Kind.RIG_CHECK: KindTerms(
        "Rig check",
        "test patterns on the rig; they end after ten minutes",
        frozenset({Kind.RIG_CHECK}),
        usual_minutes=RIG_CHECK_MINUTES,
        longest_minutes=RIG_CHECK_MINUTES,
        of_its_own=True,
    ),
    Kind.BURN_IN: KindTerms(
        "Burn-in",
        "a test pattern for hours, outside dark hours",
        frozenset(CHECKS),
        usual_minutes=DAY_MINUTES / 2,
        longest_minutes=DAY_MINUTES,
        of_its_own=True,
        caution="At the first full load somebody stays within reach. Feel fuses and connectors for warmth only after "
        "the supply is switched off, and leave the mains to a licensed electrician.",
    ),
    Kind.OUT_OF_SERVICE: KindTerms(
        "Out of service",
        "a zone, string, fixture or controller stays dark until it is mended",
        frozenset({Kind.OUT_OF_SERVICE}),
        "why",
        usual_minutes=OUT_OF_SERVICE_DAYS * DAY_MINUTES,
        longest_minutes=OUT_OF_SERVICE_DAYS * DAY_MINUTES,
        in_zones=True,
        zone_needed=True,
    ),
    Kind.HOLD_DARK: KindTerms(
        "Dark by a hold", "dark while a hold lasts", of_its_own=True, in_zones=True, of_a_hold=True
    ),
    Kind.HOLD_PAUSE: KindTerms("Paused by a hold", "paused while a hold lasts", of_its_own=True, of_a_hold=True),
    Kind.HOLD_DIM: KindTerms(
        "Dimmed by a hold", "dimmed while a hold lasts", of_its_own=True, in_zones=True, of_a_hold=True
    ),
}
ASKED = tuple(kind for kind, terms in TERMS.items() if not terms.of_its_own)
LIGHTS_OFF = tuple(kind for kind, terms in TERMS.items() if terms.lights_off)
PAUSES = (Kind.PAUSE, Kind.HOLD_PAUSE)
"""The kinds that stop the show where it is."""


@dataclass(frozen=True, slots=True)
class Check:
    """What a rig check shows: a test pattern, rendered into a frame file. `text` describes it.

    `pattern` is None in a state that an older version has stored.
    """

    text: str
    path: str
    frames: int
    fps: Fraction
    pattern: Pattern | None = None

    @property
    def still(self) -> int | None:
        """The frame that stays; None if the frames move."""
        return self.pattern.still if self.pattern else None

    @property
    def piece(self) -> str:
        """What is played, without the number of a single pixel."""
        return f"rig check: {self.pattern.file.text if self.pattern else self.text}"

    @property
    def strings(self) -> tuple[str, ...]:
        """The strings to which the pattern is limited."""
        return self.pattern.only if self.pattern else ()

    @property
    def fixture(self) -> str | None:
        """The fixture to which the pattern is limited."""
        return self.pattern.fixture if self.pattern else None


@dataclass(frozen=True, slots=True)
class Override:
    """What a person asked for, or what a hold does, in force over `[at_ns, end_ns)`.

    `until_ns` is the end that was asked for. `ended_ns` is the instant at which somebody ended it earlier. A skip acts
    at `at_ns` only; a skip that is undone before `until_ns` has no effect. A call has a `show`, or a `piece` that is
    given once: at `at_ns`, or with `after` when the piece that plays then ends. `until_ns` is the latest end of such a
    piece; `called_pieces.py` looks up when it begins and ends. A dim has a `level` (0..1, a share of the set
    brightness). A rig check and a burn-in have a `check`, and a `level` (0..1, the brightness). With `show_continues`,
    the show moves on during a pause. `zone` is the part of the rig that it is for, None: all of it. Out of service,
    that part may also be a string, a fixture or a controller, and `why` says what is wrong with it. Of the kinds of a
    hold, `hold` is its name, and `why` the condition. `author` is the board that stored it first. `version` counts its
    changes; `changed_by` is the board that made the last one. `ended_by` is the person who ended it.
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
    zone: str | None = None
    why: str = ""
    hold: str = ""
    piece: str | None = None
    after: bool = False
    author: str = ""
    version: int = 1
    changed_by: str = ""
    ended_by: str = ""

    @property
    def end_ns(self) -> int:
        """The instant from which it is no longer in force."""
        return self.until_ns if self.ended_ns is None else min(self.until_ns, self.ended_ns)

    @property
    def undone(self) -> bool:
        """Whether somebody ended it early."""
        return self.ended_ns is not None and self.ended_ns < self.until_ns

    @property
    def lights_off(self) -> bool:
        """Whether it puts the whole rig out."""
        return self.zone is None and TERMS[self.kind].lights_off

    def changed(self, board: str, **values: Any) -> Override:
        """Its next version, with other values, as a board makes it."""
        return replace(self, **values, version=self.version + 1, changed_by=board)

    def in_force_at(self, at_ns: int) -> bool:
        """Whether it is in force at an instant."""
        return self.at_ns <= at_ns < self.end_ns

    def replaces(self, other: Override) -> bool:
        """Whether it ends another override that is in force. Each is for the same part of the rig.

        A called show ends all called pieces. A piece that is called for now ends the one that plays, or that waits for
        its sound alone: `other` has the begin that was looked up.
        """
        if other.zone != self.zone:
            return False
        if self.kind == Kind.CALL and other.piece:
            return bool(self.show) or not (self.after or (other.after and other.at_ns > self.at_ns))
        return other.kind in TERMS[self.kind].ends

    def moves(self, other: Override) -> bool:
        """Whether it is the rig check `other` with another pixel or another brightness."""
        if not (self.check and other.check and self.check.pattern and other.check.pattern):
            return False
        same = self.check.pattern.file == other.check.pattern.file and (self.kind, self.who) == (other.kind, other.who)
        return same and (self.check.pattern, self.level) != (other.check.pattern, other.level)

    def end_known_at(self, at_ns: int) -> int:
        """The end as it was known at an instant, when a later undo was not known."""
        return self.end_ns if self.ended_ns is not None and self.ended_ns <= at_ns else self.until_ns


def after_step(override: Override, now_ns: int, step_ns: int, begins_too: bool = False) -> Override:
    """An override after the wall clock was set, by `step_ns` to `now_ns`.

    An override in force keeps the time that it has left. An override that is over does not return. An end at a whole
    second is a time of the clock: it stays, or moves by whole days where the clock was on another day. A clock
    that was behind moves the begin only with `begins_too`: boards whose clocks were right know of it.
    """
    before_ns = now_ns - step_ns
    if override.at_ns > before_ns or override.end_ns <= min(before_ns, now_ns):
        return override
    days_ns = round(step_ns / DAY_NS) * DAY_NS
    until_ns = override.until_ns + (days_ns if override.until_ns % SECOND_NS == 0 else step_ns)
    if step_ns > 0 and not days_ns and not begins_too:
        return replace(override, until_ns=max(until_ns, override.at_ns))
    ended_ns = None if override.ended_ns is None else override.ended_ns + step_ns
    at_ns = override.at_ns + step_ns
    return replace(override, at_ns=at_ns, until_ns=max(until_ns, at_ns), ended_ns=ended_ns)
