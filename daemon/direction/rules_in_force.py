"""The occurrences, neighbours' hours and overrides that are in force together, for every stretch of a day.

A held window is a window of the neighbours' hours that had begun when the clock was set. It lasts as long as it would
have lasted: each step of the clock moves it, so that its end stays the same instant of the monotonic clock. Held
windows are facts that `decide` is given. Only an edit of its rule in site.toml ends one early.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

from gloaming.daemon.direction import precedence
from gloaming.daemon.direction.overrides import PAUSES, Kind, Override
from gloaming.daemon.direction.pauses import Interval, StandStill, stand_stills
from gloaming.daemon.direction.precedence import Claim, LightSource, Line, Source, place, strongest
from gloaming.daemon.direction.rundown import Occurrence, Rundown
from gloaming.daemon.direction.running_order import rundown
from gloaming.daemon.direction.score import Reason
from gloaming.daemon.score.score import Picture
from gloaming.shows.time_units import DAY_NS


@dataclass(frozen=True, slots=True)
class HoursWindow:
    """A stretch of neighbours' hours: no light (`ceiling` 0), a lower ceiling, or (`quiet`) no sound above a volume."""

    from_ns: int
    until_ns: int
    reason: Reason
    ceiling: float | None = None
    quiet: bool = False
    volume: float = 0.0
    rule: str = ""
    """The id of its rule (`rule_id`)."""
    hours: str = ""
    """The hours as the reason names them."""
    zone: str | None = None
    """The part of the rig that it is for, None: all of it."""


class CalledPiece(NamedTuple):
    """When a called piece is given, as looked up. `skipped`: a skip ends it."""

    call: Override
    from_ns: int
    until_ns: int
    skipped: bool = False


@dataclass(frozen=True)
class DayFacts:
    """The facts of a day: occurrences, neighbours' hours, overrides, brightness and volume.

    `called` has the called pieces; each is also an occurrence.
    """

    occurrences: tuple[Occurrence, ...]
    windows: tuple[HoursWindow, ...]
    overrides: tuple[Override, ...]
    zone: ZoneInfo
    brightness: float
    brightness_reason: Reason
    fade_ns: int
    volume: float = 1.0
    check_in_dark: float | None = None
    called: tuple[CalledPiece, ...] = ()

    @property
    def has_sound(self) -> bool:
        """Whether any piece has sound."""
        return any(occurrence.has_sound for occurrence in self.occurrences)

    @cached_property
    def stand_stills(self) -> tuple[StandStill, ...]:
        """The stretches in which pauses stop all that is given."""
        return stand_stills(tuple(one for one in self.overrides if one.kind in PAUSES), self.fade_ns)

    @cached_property
    def skips(self) -> tuple[int, ...]:
        """The instants of the skips."""
        return tuple(one.at_ns for one in self.overrides if one.kind == Kind.SKIP and not one.undone)

    @cached_property
    def calls(self) -> dict[int, Override]:
        """The calls by their ids."""
        return {one.id: one for one in self.overrides if one.kind == Kind.CALL}

    def rundown(self, occurrence: Occurrence) -> Rundown:
        """The rundown of an occurrence. A show stands still while a piece is given that was called after it for the
        whole rig; a skip of that piece does not concern the show."""
        if not occurrence.show:
            return rundown(occurrence, self.stand_stills, (), self.zone)
        above = [one for one in self.called if one.call.zone is None and one.from_ns < one.until_ns]
        if occurrence.called is not None:
            above = [one for one in above if one.from_ns >= occurrence.opens_ns]
        skipped = {one.until_ns for one in above if one.skipped}
        skips = tuple(at_ns for at_ns in self.skips if at_ns not in skipped)
        called = tuple(Interval(one.from_ns, one.until_ns) for one in above)
        return rundown(occurrence, self.stand_stills, skips, self.zone, called)

    def end_of(self, occurrence: Occurrence) -> int:
        """When an occurrence ends: its closing, the end of a piece that finishes, or the end of the call."""
        end_ns = (occurrence.finish and self.rundown(occurrence).until_ns) or occurrence.to_ns
        call = None if occurrence.called is None else self.calls.get(occurrence.called)
        return min(end_ns, call.end_ns) if call else end_ns

    def show_at(self, at_ns: int) -> Occurrence | None:
        """What is given at an instant, beneath lights off and checks."""
        given = [one for one in self.occurrences if one.opens_ns <= at_ns < self.end_of(one)]
        return max(given, key=strength, default=None)


@dataclass(frozen=True)
class RulesInForce:
    """A stretch in which the same occurrence, windows and overrides are in force."""

    from_ns: int
    until_ns: int
    occurrence: Occurrence | None
    windows: tuple[HoursWindow, ...]
    overrides: tuple[Override, ...]
    check_in_dark: float | None = None
    show: Occurrence | None = None
    """The show that is given, also beneath a called piece."""

    def standing(self, kind: Claim) -> Override | None:
        return next((override for override in self.overrides if override.kind == kind), None)

    @cached_property
    def decides(self) -> Line | None:
        """The line of the precedence that decides here, None where nothing is in force."""
        in_force: set[Claim] = {override.kind for override in self.overrides}
        in_force |= {Source.DARK_HOURS for window in self.windows if window.ceiling == 0}
        in_force |= {claim_of(self.occurrence)} if self.occurrence else set()
        return strongest(in_force, gives_way=bool(self.check_in_dark))

    @property
    def check(self) -> Override | None:
        """The rig check or the burn-in that is shown."""
        return self.standing(self.decides.claim) if self.decides and self.decides.light == LightSource.PATTERN else None

    @property
    def dark(self) -> HoursWindow | None:
        """The dark hours that decide here."""
        windows = self.windows if self.decides and self.decides.claim == Source.DARK_HOURS else ()
        return next((window for window in windows if window.ceiling == 0), None)

    @property
    def ceiling(self) -> float:
        """The brightness that the neighbours' hours allow."""
        ceilings = [window.ceiling for window in self.windows if window.ceiling is not None]
        if self.check and self.check_in_dark:
            ceilings = [ceiling or self.check_in_dark for ceiling in ceilings]
        return min([1.0, *ceilings])

    def level(self, brightness: float) -> float:
        """The level after all fades. A dim is a share of `brightness`; a ceiling is absolute."""
        if self.decides is None or self.decides.light == LightSource.NONE:
            return 0.0
        full = level = (self.check.level or 0.0) if self.check else brightness
        for limit in reversed(precedence.LIMITS):
            if limit.light:
                level = min(level, self.ceiling if limit.claim == Source.HOURS else full * self._share(limit.claim))
        return level

    def _share(self, claim: Claim) -> float:
        """The share of the light that overrides of a kind leave."""
        return min((one.level or 0.0 for one in self.overrides if one.kind == claim), default=1.0)

    @property
    def loudest(self) -> float:
        """The volume that the neighbours' hours allow."""
        return 0.0 if self.dark else min([1.0, *(window.volume for window in self.windows if window.quiet)])

    def volume(self, volume: float) -> float:
        """The volume after all fades."""
        if self.decides is None or not self.decides.sound:
            return 0.0
        for limit in reversed(precedence.LIMITS):
            if limit.sound:
                allowed = self.loudest if limit.claim == Source.HOURS else 0.0 if self.standing(limit.claim) else 1.0
                volume = min(volume, allowed)
        return volume

    @property
    def pattern(self) -> Picture | None:
        """The test pattern of a rig check, from its beginning."""
        check = self.check
        if check is None or check.check is None:
            return None
        found = check.check
        return Picture(found.piece, found.path, found.frames, found.fps, check.at_ns, found.still)


def claim_of(occurrence: Occurrence) -> Claim:
    return Source.PERFORMANCE if occurrence.called is None else Kind.CALL


def strength(occurrence: Occurrence) -> tuple[int, int, int]:
    """Of occurrences that are in force together, the one with the greatest strength is given."""
    return -place(claim_of(occurrence)), occurrence.rank, occurrence.opens_ns


def sweep(facts: DayFacts, ends: Mapping[Occurrence, int], begin_ns: int, end_ns: int) -> Iterator[RulesInForce]:
    """The stretches of an interval, cut at every beginning and end in it. `ends` has the ends of the occurrences."""
    things: list[tuple[int, int, Occurrence | HoursWindow | Override]] = [
        *((occurrence.opens_ns, ends_ns, occurrence) for occurrence, ends_ns in ends.items()),
        *((window.from_ns, window.until_ns, window) for window in facts.windows),
        *((o.at_ns, o.end_ns, o) for o in facts.overrides if o.kind not in (Kind.SKIP, Kind.CALL)),
    ]
    things = [thing for thing in things if thing[0] < end_ns and thing[1] > begin_ns and thing[0] < thing[1]]
    edges = sorted({begin_ns, end_ns} | {max(t[0], begin_ns) for t in things} | {min(t[1], end_ns) for t in things})
    things.sort(key=lambda thing: thing[0])
    coming, active = 0, list[tuple[int, int, Occurrence | HoursWindow | Override]]()
    for from_ns, until_ns in pairwise(edges):
        active = [thing for thing in active if thing[1] > from_ns]
        while coming < len(things) and things[coming][0] <= from_ns:
            active.append(things[coming])
            coming += 1
        values = [thing[2] for thing in active]
        occurrences = [value for value in values if isinstance(value, Occurrence)]
        shows = [occurrence for occurrence in occurrences if occurrence.show]
        yield RulesInForce(
            from_ns,
            until_ns,
            max(occurrences, key=strength, default=None),
            tuple(value for value in values if isinstance(value, HoursWindow)),
            tuple(value for value in values if isinstance(value, Override)),
            facts.check_in_dark,
            max(shows, key=strength, default=None),
        )


class HeldRule(NamedTuple):
    """A held window, by the clock of now. `rule` is the id of its rule (`rule_id`)."""

    rule: str
    from_ns: int
    until_ns: int


def after_step(
    held: Iterable[HeldRule], windows: Iterable[HoursWindow], now_ns: int, step_ns: int
) -> tuple[HeldRule, ...]:
    """The held windows after the clock was set, by `step_ns` to `now_ns`: also the windows that had begun."""
    before_ns = now_ns - step_ns
    begun = [
        HeldRule(one.rule, one.from_ns, one.until_ns) for one in windows if one.from_ns <= before_ns < one.until_ns
    ]
    moved = (HeldRule(one.rule, one.from_ns + step_ns, one.until_ns + step_ns) for one in (*held, *begun))
    return tuple(dict.fromkeys(one for one in moved if one.until_ns > now_ns - DAY_NS))


def with_reported(
    held: tuple[HeldRule, ...],
    windows: Iterable[HoursWindow],
    others: Iterable[tuple[str, int]],
    now_ns: int,
    slack_ns: int,
) -> tuple[HeldRule, ...]:
    """The held windows, with the unknown ones that a transmitter reports. `others` has rules and their ends."""
    known = [*held, *(HeldRule(one.rule, one.from_ns, one.until_ns) for one in windows)]
    new = [
        HeldRule(rule, now_ns, until_ns)
        for rule, until_ns in others
        if until_ns > now_ns + slack_ns
        and not any(one.rule == rule and one.from_ns <= now_ns and one.until_ns >= until_ns - slack_ns for one in known)
    ]
    return (*held, *new)
