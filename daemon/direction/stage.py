"""One day of the show, worked out: every segment of a UTC day, from the givings, the hours and the overrides.

Pure and self-contained: two days worked out apart agree where they meet, so any score is a cut through days.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

from gloaming.daemon.direction.envelope import Envelope, envelope
from gloaming.daemon.direction.holds import holds
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.programme import Giving, Part, Programme, programme
from gloaming.daemon.direction.scene import Facts, Scene, sweep
from gloaming.daemon.direction.score import DAY_NS, SECOND_NS, Segment, State
from gloaming.daemon.direction.why import Why

MARGIN_NS = 7_200 * SECOND_NS
NEVER_NS = 1 << 62


class _Outline(NamedTuple):
    """What a segment will be made of; `giving` is the one that is on, or the last one, whose light may still fade."""

    from_ns: int
    until_ns: int
    scene: Scene
    part: Part | None
    giving: Giving | None


class _Kept(NamedTuple):
    """What is taken over from another working-out of a day: nothing of it differs before `differs_ns`."""

    differs_ns: int = 0
    scenes: tuple[Scene, ...] = ()
    outlines: tuple[_Outline, ...] = ()
    envelope: Envelope | None = None
    sound: Envelope | None = None


class Stage:
    """The segments of the UTC day that begins at `day_ns`.

    `before` is the same day, worked out with other overrides, as a rule all but the last one: no later fact rewrites
    an earlier instant, so what it has up to the first that differs is kept, and only the rest worked out anew.
    """

    def __init__(self, day_ns: int, facts: Facts, before: Stage | None = None) -> None:
        self.facts = facts
        self.from_ns, self.until_ns = day_ns, day_ns + DAY_NS
        self._reasons = Why(facts)
        self._segments: dict[int, Segment] = {}  # those that were asked for: most of the work is in their reasons
        self._calls = {one.id: one for one in facts.overrides if one.kind == Kind.CALL}
        parting_ns = _parting(before.facts.overrides, facts.overrides) if before else 0
        known = {giving: giving for giving in before.givings} if before else {}
        givings = (known.get(giving, giving) for giving in facts.givings)
        self.givings: tuple[Giving, ...] = tuple(
            giving for giving in givings if giving.opens_ns < self.until_ns + MARGIN_NS
        )
        self.programmes: dict[Giving, Programme] = self._programmes(before.programmes if before else {}, parting_ns)
        self._ends = {giving: self._end_of(giving) for giving in self.givings}
        kept = self._kept(before, parting_ns) if before else _Kept()
        begin_ns = kept.scenes[-1].until_ns if kept.scenes else self.from_ns - MARGIN_NS
        anew = tuple(sweep(facts, self._ends, begin_ns, self.until_ns + MARGIN_NS))
        self.scenes: tuple[Scene, ...] = (*kept.scenes, *anew)
        self.envelope: Envelope = self._envelope(anew, kept)
        self.sound: Envelope = self._sound(anew, kept)
        self._outlines: tuple[_Outline, ...] = (*kept.outlines, *self._outline(anew, kept))
        self._begins = [outline.from_ns for outline in self._outlines]

    @property
    def segments(self) -> tuple[Segment, ...]:
        """All the segments of this day."""
        return self.segments_between(self.from_ns, self.until_ns)

    def segment_at(self, at_ns: int) -> Segment:
        """The segment of an instant of this day."""
        return self._segment(bisect_right(self._begins, at_ns) - 1)

    def segments_after(self, at_ns: int) -> Iterator[Segment]:
        """The segments of this day that begin after an instant."""
        return map(self._segment, range(bisect_right(self._begins, at_ns), len(self._begins)))

    def segments_between(self, from_ns: int, until_ns: int) -> tuple[Segment, ...]:
        """The segments of this day that meet an interval, whole."""
        first = max(0, bisect_right(self._begins, from_ns) - 1)
        return tuple(map(self._segment, range(first, bisect_left(self._begins, until_ns))))

    def end_of(self, giving: Giving) -> int:
        """When a giving ends: its closing, the end of a piece that finishes, or the end of the call."""
        return self._ends[giving]

    def _end_of(self, giving: Giving) -> int:
        end_ns = self.programmes[giving].until_ns or giving.to_ns
        call = None if giving.called is None else self._calls.get(giving.called)
        return min(end_ns, call.end_ns) if call else end_ns

    def _programmes(self, before: dict[Giving, Programme], parting_ns: int) -> dict[Giving, Programme]:
        overrides, zone = self.facts.overrides, self.facts.zone
        held = holds(tuple(one for one in overrides if one.kind == Kind.PAUSE), self.facts.fade_ns)
        skips = tuple(one.at_ns for one in overrides if one.kind == Kind.SKIP and not one.undone)
        return {giving: programme(giving, held, skips, zone, before.get(giving), parting_ns) for giving in self.givings}

    def _kept(self, before: Stage, parting_ns: int) -> _Kept:
        """What can be kept of a day whose overrides part from these at an instant.

        What is under way then was laid out as a whole, and a fall that is foreseen begins before it is due.
        """
        begun = [parting_ns - self.facts.fade_ns, before.scenes[-1].until_ns]
        for giving, found in self.programmes.items():
            known = before.programmes.get(giving)
            if found is not known and giving.opens_ns < parting_ns:
                mark = known.mark_before(parting_ns) if known else None
                begun.append(mark.at_ns if mark else giving.opens_ns)
        differs_ns = min(begun)
        scenes = before.scenes[: bisect_left(before.scenes, differs_ns, key=lambda scene: scene.until_ns)]
        if not scenes or before.facts.has_sound != self.facts.has_sound:
            return _Kept()
        outlines = before._outlines[: bisect_left(before._begins, scenes[-1].until_ns)]
        return _Kept(differs_ns, scenes, outlines, before.envelope, before.sound)

    def _foreseen(self) -> set[int]:
        """The ends of what is given, but of a call that was ended by hand."""
        calls = self._calls
        return {
            end_ns
            for giving, end_ns in self._ends.items()
            if not (giving.called in calls and calls[giving.called].undone)
        }

    def _envelope(self, scenes: tuple[Scene, ...], kept: _Kept) -> Envelope:
        foreseen = self._foreseen() | {window.from_ns for window in self.facts.windows if not window.quiet}
        steps = tuple((scene.from_ns, scene.level(self.facts.brightness)) for scene in scenes)
        ceilings = tuple((scene.from_ns, scene.ceiling) for scene in scenes)
        return envelope(steps, ceilings, frozenset(foreseen), self.facts.fade_ns, kept.envelope, kept.differs_ns)

    def _sound(self, scenes: tuple[Scene, ...], kept: _Kept) -> Envelope:
        """The volume, which fades as the light does."""
        if not self.facts.has_sound:
            return Envelope((self.from_ns,), (0.0,))
        foreseen = self._foreseen() | {window.from_ns for window in self.facts.windows}
        steps = tuple((scene.from_ns, scene.volume(self.facts.volume)) for scene in scenes)
        ceilings = tuple((scene.from_ns, scene.loudest) for scene in scenes)
        return envelope(steps, ceilings, frozenset(foreseen), self.facts.fade_ns, kept.sound, kept.differs_ns)

    def _outline(self, scenes: tuple[Scene, ...], kept: _Kept) -> Iterator[_Outline]:
        """What the segments of some scenes will be made of, after those that are kept."""
        fading = next((scene.giving for scene in reversed(kept.scenes) if scene.giving), None)
        knots = sorted({*self.envelope.at_ns, *self.sound.at_ns})
        parts = self.programmes[fading].parts if fading else ()
        begins = [part.from_ns for part in parts]
        for scene in scenes:
            if scene.giving and scene.giving is not fading:
                fading, parts = scene.giving, self.programmes[scene.giving].parts
                begins = [part.from_ns for part in parts]
            from_ns, until_ns = max(scene.from_ns, self.from_ns), min(scene.until_ns, self.until_ns)
            if from_ns >= until_ns:
                continue
            inner = knots[bisect_right(knots, from_ns) : bisect_right(knots, until_ns - 1)]
            edges = {from_ns, until_ns, *inner}
            waits_ns = None if scene.giving else self._reasons.waits_from(from_ns)
            if waits_ns and from_ns < waits_ns < until_ns:
                edges.add(waits_ns)
            edges.update(begins[bisect_right(begins, from_ns) : bisect_left(begins, until_ns)])
            if parts and from_ns < parts[-1].until_ns < until_ns:
                edges.add(parts[-1].until_ns)
            ordered = sorted(edges)
            for begin_ns, end_ns in pairwise(ordered):
                place = bisect_right(begins, begin_ns) - 1
                part = parts[place] if place >= 0 and begin_ns < parts[place].until_ns else None
                yield _Outline(begin_ns, end_ns, scene, part, fading)

    def _segment(self, place: int) -> Segment:
        if place not in self._segments:
            self._segments[place] = self._filled_in(self._outlines[place])
        return self._segments[place]

    def _filled_in(self, outline: _Outline) -> Segment:
        from_ns, until_ns, scene, part, giving = outline
        low, high = self.envelope.level_at(from_ns), self.envelope.level_before(until_ns)
        state, reasons = self._reasons.why(scene, part, from_ns)
        picture = scene.pattern or (part.picture if part else None)
        shown = bool(low or high) and picture is not None
        lit = shown and not (picture and picture.ended)
        muted = scene.standing(Kind.MUTE) or not min(scene.loudest, self.facts.volume)
        sounding = state in (State.PLAYING, State.WAITING) and scene.giving is not None and shown
        return Segment(
            from_ns=from_ns,
            until_ns=until_ns,
            state=state,
            reasons=reasons,
            show=giving.show if giving and (scene.giving or shown) and state != State.RIG_CHECK else None,
            picture=picture if shown or (state == State.PAUSED and scene.giving) else None,
            level_from=low if lit else 0.0,
            level_until=high if lit else 0.0,
            sound=bool(part and part.sound and sounding and not muted),
            sound_from=self.sound.level_at(from_ns),
            sound_until=self.sound.level_before(until_ns),
            mix=part.mix if part and lit and picture is part.picture else None,
        )


def _parting(before: tuple[Override, ...], after: tuple[Override, ...]) -> int:
    """The beginning of the first override that is not in both."""
    same = 0
    for one, other in zip(before, after, strict=False):
        if one is not other and one != other:
            break
        same += 1
    return min((one.at_ns for one in (*before[same:], *after[same:])), default=NEVER_NS)
