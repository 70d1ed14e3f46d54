"""One UTC day of the show: all its segments, from occurrences, neighbours' hours and overrides.

Pure and self-contained: two days agree where they meet, so any score is a cut through days.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from gloaming.daemon.direction.fades import Fades, fades
from gloaming.daemon.direction.rules_in_force import DayFacts, RulesInForce, strength, sweep
from gloaming.daemon.direction.rundown import Occurrence, Rundown, RundownPart
from gloaming.daemon.direction.score import DecidedSegment, State
from gloaming.daemon.direction.why import Why
from gloaming.shows.time_units import DAY_NS, SECOND_NS

MARGIN_NS = 7_200 * SECOND_NS


class _Stretch(NamedTuple):
    """A stretch in which nothing changes but the parts of the rundown.

    `occurrence` is the one in force, or the last one, whose light may still fade.
    """

    from_ns: int
    until_ns: int
    rules: RulesInForce
    occurrence: Occurrence | None


class DayPlan:
    """The segments of the UTC day that begins at `day_ns`, each computed when it is first needed."""

    def __init__(self, day_ns: int, facts: DayFacts) -> None:
        self.facts = facts
        self.from_ns, self.until_ns = day_ns, day_ns + DAY_NS
        self._reasons = Why(facts)
        self._segments: dict[int, DecidedSegment] = {}  # by their beginning, because their reasons are costly
        self.occurrences = tuple(
            occurrence for occurrence in facts.occurrences if occurrence.opens_ns < self.until_ns + MARGIN_NS
        )
        self._rundowns: dict[Occurrence, Rundown] = {}
        self._ends = {occurrence: facts.end_of(occurrence) for occurrence in self.occurrences}
        rules_by_time = tuple(sweep(facts, self._ends, self.from_ns - MARGIN_NS, self.until_ns + MARGIN_NS))
        self.fades: Fades = self._light(rules_by_time)
        self.sound: Fades = self._sound(rules_by_time)
        self._stretches = tuple(self._cut(rules_by_time))

    @property
    def segments(self) -> tuple[DecidedSegment, ...]:
        """All the segments of this day."""
        return tuple(self.segments_between(self.from_ns, self.until_ns))

    def segment_at(self, at_ns: int) -> DecidedSegment:
        """The segment that holds an instant of this day."""
        stretch = self._stretches[self._place(at_ns)]
        from_ns, until_ns = stretch.from_ns, stretch.until_ns
        given = self.rundown(stretch.occurrence) if stretch.occurrence else None
        part = given.part_at(at_ns) if given else None
        if part:
            from_ns, until_ns = max(from_ns, part.from_ns), min(until_ns, part.until_ns)
        elif given and given.until_ns is not None:
            from_ns = max(from_ns, given.until_ns)
        if from_ns not in self._segments:
            self._segments[from_ns] = self._filled_in(stretch, from_ns, until_ns, part)
        return self._segments[from_ns]

    def rules_at(self, at_ns: int) -> RulesInForce:
        """What is in force together at an instant of this day."""
        return self._stretches[self._place(at_ns)].rules

    def claim_on_sound(self, at_ns: int) -> tuple[int, ...]:
        """The strength of the show with sound that is given at an instant, or whose sound fades out, and whether it
        sounds now. Empty without one.

        Between two pieces with sound the claim remains, so that no other show is heard for seconds.
        """
        stretch = self._stretches[self._place(at_ns)]
        decides, show = stretch.rules.decides, stretch.occurrence
        given = bool(decides and decides.sound)
        fades = not given and self.sound.level_at(at_ns) > 0
        if show is None or not show.has_sound or not (given or fades):
            return ()
        part = self.rundown(show).part_at(at_ns)
        return (*strength(show), bool(part and part.sound) if fades else self.segment_at(at_ns).sound)

    def segments_between(self, from_ns: int, until_ns: int) -> Iterator[DecidedSegment]:
        """The whole segments of this day that overlap an interval."""
        at_ns = max(from_ns, self.from_ns)
        while at_ns < min(until_ns, self.until_ns):
            segment = self.segment_at(at_ns)
            yield segment
            at_ns = segment.until_ns

    def lit_between(self, from_ns: int, until_ns: int) -> Iterator[tuple[str, float, int]]:
        """What is lit in an interval of this day: `(piece, mean level, nanoseconds)`.

        Rounds that repeat at an unchanged level are added up.
        """
        for stretch in self._stretches:
            begin_ns, end_ns = max(from_ns, stretch.from_ns), min(until_ns, stretch.until_ns)
            if begin_ns >= end_ns or not stretch.occurrence:
                continue
            low, high = self.fades.level_at(stretch.from_ns), self.fades.level_before(stretch.until_ns)
            if not low and not high:
                continue
            for part, times in self.rundown(stretch.occurrence).counted(begin_ns, end_ns, rounds=low == high):
                first_ns, last_ns = max(begin_ns, part.from_ns), min(end_ns, part.until_ns)
                if part.picture and not part.picture.ended:
                    level = (self.fades.level_at(first_ns) + self.fades.level_before(last_ns)) / 2
                    yield part.picture.piece, level, times * (last_ns - first_ns)

    def change_after(self, at_ns: int, state: State) -> tuple[int, State] | None:
        """The first instant of this day after `at_ns` at which the state is not `state`, and the state then."""
        at_ns = max(at_ns, self.from_ns)
        while at_ns < self.until_ns:
            segment = self.segment_at(at_ns)
            if segment.state != state:
                return segment.from_ns, segment.state
            stretch = self._stretches[self._place(at_ns)]
            changes_ns = self.rundown(stretch.occurrence).change_after(at_ns) if stretch.occurrence else None
            at_ns = min(stretch.until_ns, changes_ns or stretch.until_ns)
        return None

    def rundown(self, occurrence: Occurrence) -> Rundown:
        """The rundown of an occurrence of this day, computed when it is first needed."""
        if occurrence not in self._rundowns:
            self._rundowns[occurrence] = self.facts.rundown(occurrence)
        return self._rundowns[occurrence]

    def end_of(self, occurrence: Occurrence) -> int:
        """When an occurrence ends: its closing, the end of a piece that finishes, or the end of the call."""
        return self._ends[occurrence]

    def _place(self, at_ns: int) -> int:
        return bisect_right(self._stretches, at_ns, key=lambda stretch: stretch.from_ns) - 1

    def _planned(self) -> set[int]:
        """The ends of the occurrences, except calls that a person ended, and called pieces that were skipped."""
        ended = {id for id, call in self.facts.calls.items() if call.undone}
        ended |= {one.call.id for one in self.facts.called if one.skipped}
        return {end_ns for occurrence, end_ns in self._ends.items() if occurrence.called not in ended}

    def _light(self, rules_by_time: tuple[RulesInForce, ...]) -> Fades:
        planned = self._planned() | {window.from_ns for window in self.facts.windows if not window.quiet}
        steps = tuple((rules.from_ns, rules.level(self.facts.brightness)) for rules in rules_by_time)
        ceilings = tuple((rules.from_ns, rules.ceiling) for rules in rules_by_time)
        return fades(steps, ceilings, frozenset(planned), self.facts.fade_ns)

    def _sound(self, rules_by_time: tuple[RulesInForce, ...]) -> Fades:
        """The volume, with the same fades as the light."""
        if not self.facts.has_sound:
            return Fades((self.from_ns,), (0.0,))
        planned = self._planned() | {window.from_ns for window in self.facts.windows}
        steps = tuple((rules.from_ns, rules.volume(self.facts.volume)) for rules in rules_by_time)
        ceilings = tuple((rules.from_ns, rules.loudest) for rules in rules_by_time)
        return fades(steps, ceilings, frozenset(planned), self.facts.fade_ns)

    def _cut(self, rules_by_time: tuple[RulesInForce, ...]) -> Iterator[_Stretch]:
        """The stretches of this day, cut where a level turns and where waiting for the evening begins."""
        fading: Occurrence | None = None
        turns = sorted({*self.fades.at_ns, *self.sound.at_ns})
        for rules in rules_by_time:
            fading = rules.occurrence or fading
            from_ns, until_ns = max(rules.from_ns, self.from_ns), min(rules.until_ns, self.until_ns)
            if from_ns >= until_ns:
                continue
            edges = {from_ns, until_ns, *turns[bisect_right(turns, from_ns) : bisect_right(turns, until_ns - 1)]}
            waits_ns = None if rules.occurrence else self._reasons.waits_from(from_ns)
            if waits_ns and from_ns < waits_ns < until_ns:
                edges.add(waits_ns)
            for begin_ns, end_ns in pairwise(sorted(edges)):
                yield _Stretch(begin_ns, end_ns, rules, fading)

    def _filled_in(self, stretch: _Stretch, from_ns: int, until_ns: int, part: RundownPart | None) -> DecidedSegment:
        rules, occurrence = stretch.rules, stretch.occurrence
        low, high = self.fades.level_at(from_ns), self.fades.level_before(until_ns)
        state, reasons = self._reasons.why(rules, part, from_ns)
        show = rules.show or occurrence
        picture = rules.pattern or (part.picture if part else None)
        shown = bool(low or high) and picture is not None
        lit = shown and not (picture and picture.ended)
        sounding = shown and state != State.FAULT and rules.volume(self.facts.volume) > 0
        return DecidedSegment(
            from_ns=from_ns,
            until_ns=until_ns,
            state=state,
            reasons=reasons,
            show=(show.show or None) if show and (rules.occurrence or shown) and state != State.RIG_CHECK else None,
            picture=picture if shown or (state == State.PAUSED and rules.occurrence) else None,
            level_from=low if lit else 0.0,
            level_until=high if lit else 0.0,
            sound=bool(part and part.sound and sounding),
            sound_from=self.sound.level_at(from_ns),
            sound_until=self.sound.level_before(until_ns),
            mix=part.mix if part and lit and picture is part.picture else None,
        )
