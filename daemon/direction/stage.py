"""One day of the show, worked out: every segment of a UTC day, from the givings, the hours and the overrides.

Pure and self-contained: two days worked out apart agree where they meet, so any score is a cut through days.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

from gloaming.daemon.direction.envelope import Envelope, envelope
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.programme import DAY_NS, Giving, Part, Programme, holds, programme
from gloaming.daemon.direction.score import SECOND_NS, Picture, Reason, Segment, State

MARGIN_NS = 7_200 * SECOND_NS
NEVER_NS = 1 << 62


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of neighbours' hours: no light (`ceiling` 0), a lower ceiling, or (`quiet`) no sound above a volume."""

    from_ns: int
    until_ns: int
    reason: Reason
    ceiling: float | None = None
    quiet: bool = False
    volume: float = 0.0


@dataclass(frozen=True)
class Facts:
    """All that bears on a day: what is given, the neighbours' hours, the overrides, and how it is shown."""

    givings: tuple[Giving, ...]
    windows: tuple[Window, ...]
    overrides: tuple[Override, ...]
    zone: ZoneInfo
    brightness: float
    brightness_reason: Reason
    fade_ns: int
    volume: float = 1.0
    check_in_dark: float | None = None

    @property
    def has_sound(self) -> bool:
        """Whether any piece has sound."""
        return any(p and p.sound for giving in self.givings for p in (*giving.order, giving.between))


@dataclass(frozen=True, slots=True)
class _Scene:
    """A stretch in which the same givings, windows and overrides are in force."""

    from_ns: int
    until_ns: int
    giving: Giving | None
    windows: tuple[Window, ...]
    overrides: tuple[Override, ...]
    check_in_dark: float | None = None

    def standing(self, kind: Kind) -> Override | None:
        return next((override for override in self.overrides if override.kind == kind), None)

    @property
    def check(self) -> Override | None:
        """The rig check that is to be seen: somebody's dark is stronger."""
        return None if self.standing(Kind.DARK) else self.standing(Kind.RIG_CHECK)

    @property
    def dark(self) -> Window | None:
        """The dark hours, unless the site lets a rig check be dimly lit in them."""
        if self.check and self.check_in_dark:
            return None
        return next((window for window in self.windows if window.ceiling == 0), None)

    @property
    def ceiling(self) -> float:
        """What the neighbours' hours allow."""
        ceilings = [window.ceiling for window in self.windows if window.ceiling is not None]
        if self.check and self.check_in_dark:
            ceilings = [ceiling or self.check_in_dark for ceiling in ceilings]
        return min([1.0, *ceilings])

    def level(self, brightness: float) -> float:
        """What the show is to come to once no fade is under way."""
        if self.check and not self.dark:
            brightness = 1.0
        elif not self.giving or self.dark or self.standing(Kind.DARK) or self.standing(Kind.PAUSE):
            return 0.0
        dims = [override.level for override in self.overrides if override.level is not None]
        return min([brightness, self.ceiling, *dims])

    @property
    def loudest(self) -> float:
        """The volume that the neighbours' hours allow."""
        return 0.0 if self.dark else min([1.0, *(window.volume for window in self.windows if window.quiet)])

    def volume(self, volume: float) -> float:
        """What the sound is to come to once no fade is under way."""
        silent = (Kind.DARK, Kind.PAUSE, Kind.MUTE, Kind.RIG_CHECK)
        return 0.0 if not self.giving or any(map(self.standing, silent)) else min(volume, self.loudest)


class _Outline(NamedTuple):
    """What a segment will be made of; `giving` is the one that is on, or the last one, whose light may still fade."""

    from_ns: int
    until_ns: int
    scene: _Scene
    part: Part | None
    giving: Giving | None


class _Kept(NamedTuple):
    """What is taken over from another working-out of a day: nothing of it differs before `differs_ns`."""

    differs_ns: int = 0
    scenes: tuple[_Scene, ...] = ()
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
        self._opened: dict[Giving, Reason] = {}  # one for all the segments of a giving
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
        anew = tuple(self._scenes(kept.scenes[-1].until_ns if kept.scenes else self.from_ns - MARGIN_NS))
        self.scenes: tuple[_Scene, ...] = (*kept.scenes, *anew)
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

    def _scenes(self, begin_ns: int) -> Iterator[_Scene]:
        """Sweeps over every beginning and end from an instant on, in reach of the day."""
        end_ns = self.until_ns + MARGIN_NS
        things: list[tuple[int, int, Giving | Window | Override]] = [
            *((giving.opens_ns, self.end_of(giving), giving) for giving in self.givings),
            *((window.from_ns, window.until_ns, window) for window in self.facts.windows),
            *((o.at_ns, o.end_ns, o) for o in self.facts.overrides if o.kind not in (Kind.SKIP, Kind.CALL)),
        ]
        things = [thing for thing in things if thing[0] < end_ns and thing[1] > begin_ns and thing[0] < thing[1]]
        edges = sorted({begin_ns, end_ns} | {max(t[0], begin_ns) for t in things} | {min(t[1], end_ns) for t in things})
        things.sort(key=lambda thing: thing[0])
        coming, active = 0, list[tuple[int, int, Giving | Window | Override]]()
        for from_ns, until_ns in pairwise(edges):
            active = [thing for thing in active if thing[1] > from_ns]
            while coming < len(things) and things[coming][0] <= from_ns:
                active.append(things[coming])
                coming += 1
            values = [thing[2] for thing in active]
            givings = [value for value in values if isinstance(value, Giving)]
            yield _Scene(
                from_ns,
                until_ns,
                max(
                    givings, key=lambda giving: (giving.called is not None, giving.rank, giving.opens_ns), default=None
                ),
                tuple(value for value in values if isinstance(value, Window)),
                tuple(value for value in values if isinstance(value, Override)),
                self.facts.check_in_dark,
            )

    def _foreseen(self) -> set[int]:
        """The ends of what is given, but of a call that was ended by hand."""
        calls = self._calls
        return {
            end_ns
            for giving, end_ns in self._ends.items()
            if not (giving.called in calls and calls[giving.called].undone)
        }

    def _envelope(self, scenes: tuple[_Scene, ...], kept: _Kept) -> Envelope:
        foreseen = self._foreseen() | {window.from_ns for window in self.facts.windows if not window.quiet}
        steps = tuple((scene.from_ns, scene.level(self.facts.brightness)) for scene in scenes)
        ceilings = tuple((scene.from_ns, scene.ceiling) for scene in scenes)
        return envelope(steps, ceilings, frozenset(foreseen), self.facts.fade_ns, kept.envelope, kept.differs_ns)

    def _sound(self, scenes: tuple[_Scene, ...], kept: _Kept) -> Envelope:
        """The volume, which fades as the light does."""
        if not self.facts.has_sound:
            return Envelope((self.from_ns,), (0.0,))
        foreseen = self._foreseen() | {window.from_ns for window in self.facts.windows}
        steps = tuple((scene.from_ns, scene.volume(self.facts.volume)) for scene in scenes)
        ceilings = tuple((scene.from_ns, scene.loudest) for scene in scenes)
        return envelope(steps, ceilings, frozenset(foreseen), self.facts.fade_ns, kept.sound, kept.differs_ns)

    def _outline(self, scenes: tuple[_Scene, ...], kept: _Kept) -> Iterator[_Outline]:
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
            edges = {from_ns, until_ns, *inner, *self._local_edges(scene, from_ns, until_ns)}
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
        state, reasons = self._why(scene, part, from_ns)
        picture = _check_picture(scene) or (part.picture if part else None)
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

    def _why(self, scene: _Scene, part: Part | None, at_ns: int) -> tuple[State, tuple[Reason, ...]]:
        """The state, and the rules that made it, the deciding one first."""
        if scene.dark:
            return State.DARK, (scene.dark.reason,)
        also = self._limits(scene)
        if dark := scene.standing(Kind.DARK):
            return State.DARK, (self._asked(dark, "dark"), *also)
        if check := scene.check:
            what = f"rig check, {check.check.text if check.check else 'nothing'}"
            return State.RIG_CHECK, (self._asked(check, what), *also)
        if pause := scene.standing(Kind.PAUSE):
            return State.PAUSED, (self._asked(pause, "paused"), *self._giving_reasons(scene.giving, part), *also)
        if not scene.giving:
            return self._idle(at_ns)
        given = self._giving_reasons(scene.giving, part)
        if not scene.giving.order:
            return State.FAULT, (*given, *also)
        return (State.WAITING if part is None or part.filler else State.PLAYING), (*given, *also)

    def _limits(self, scene: _Scene) -> tuple[Reason, ...]:
        """What makes it dimmer or quieter than the pieces are."""
        reasons = [window.reason for window in scene.windows if window.ceiling != 0]
        reasons += [self._asked(o, f"no brighter than {o.level:g}") for o in scene.overrides if o.kind == Kind.DIM]
        if mute := scene.standing(Kind.MUTE):
            reasons.append(self._asked(mute, "without sound"))
        return (*reasons, self.facts.brightness_reason) if scene.giving else tuple(reasons)

    def _giving_reasons(self, giving: Giving | None, part: Part | None) -> tuple[Reason, ...]:
        if giving is None:
            return ()
        if giving not in self._opened:
            opened = f"{giving.show} opened {self._clock(giving.opens_ns)} ({giving.opens_by}), "
            self._opened[giving] = Reason(
                giving.place, f"{opened}closes {self._clock(giving.to_ns)} ({giving.closes_by})"
            )
        reasons = [self._opened[giving]]
        if part and part.filler:
            filling = f", {part.piece.name} fills the time" if part.piece else ""
            reasons.insert(0, Reason(giving.show_place, f"{part.note}{filling}{_one_ended(part)}"))
        elif part and part.piece:
            begun = f"{part.piece.name} began {self._clock(part.begins_ns, seconds=True)}"
            order = "shuffled" if giving.shuffled else "in order"
            reasons.insert(0, Reason(giving.show_place, f"{begun}, {order}{_one_ended(part)}"))
        reasons += [Reason(giving.show_place, f"{name} is left out: its files are hurt") for name in giving.left_out]
        return tuple(reasons)

    def _idle(self, at_ns: int) -> tuple[State, tuple[Reason, ...]]:
        coming = self._next_opening(at_ns)
        if coming is None:
            return State.DARK, (Reason("timetable", "no performance opens tonight or tomorrow"),)
        day = self._local(coming.opens_ns)
        text = f"{coming.show} opens {day:%A %d %B} at {self._clock(coming.opens_ns)} ({coming.opens_by})"
        state = State.WAITING if at_ns >= self._midnight(coming) else State.DARK
        return state, (Reason(coming.place, text),)

    def _local_edges(self, scene: _Scene, from_ns: int, until_ns: int) -> tuple[int, ...]:
        """Where an idle stretch turns from "closed" to "waiting for tonight": midnight, site time."""
        coming = None if scene.giving else self._next_opening(from_ns)
        midnight_ns = self._midnight(coming) if coming else from_ns
        return (midnight_ns,) if from_ns < midnight_ns < until_ns else ()

    def _next_opening(self, at_ns: int) -> Giving | None:
        later = [giving for giving in self.facts.givings if giving.opens_ns > at_ns and giving.called is None]
        return min(later, key=lambda giving: giving.opens_ns, default=None)

    def _midnight(self, giving: Giving) -> int:
        day = self._local(giving.opens_ns).replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
        return int(day.timestamp()) * SECOND_NS

    def _asked(self, override: Override, what: str) -> Reason:
        who = f" by {override.who}" if override.who else ""
        text = f"{what}{who} at {self._clock(override.at_ns)} until {self._clock(override.until_ns)}"
        return Reason(f"override {override.id} {override.kind}", text)

    def _local(self, at_ns: int) -> datetime:
        return datetime.fromtimestamp(at_ns // SECOND_NS, self.facts.zone)

    def _clock(self, at_ns: int, seconds: bool = False) -> str:
        local = self._local(at_ns)
        return f"{local:%H:%M:%S}" if seconds or local.second else f"{local:%H:%M}"


def _one_ended(part: Part) -> str:
    """What is over where the frames and the sound of a piece are not as long as each other."""
    if part.picture and part.picture.ended:
        return "; its frames have ended, its sound goes on"
    return "; its sound has ended" if part.piece and part.piece.sound and not part.sound else ""


def _check_picture(scene: _Scene) -> Picture | None:
    """The test pattern of a rig check, which begins when it was asked for."""
    found = scene.check.check if scene.check and not scene.dark else None
    if found is None or scene.check is None:
        return None
    return Picture(f"rig check: {found.text}", found.path, found.frames, found.fps, scene.check.at_ns)


def _parting(before: tuple[Override, ...], after: tuple[Override, ...]) -> int:
    """The beginning of the first override that is not in both."""
    same = 0
    for one, other in zip(before, after, strict=False):
        if one is not other and one != other:
            break
        same += 1
    return min((one.at_ns for one in (*before[same:], *after[same:])), default=NEVER_NS)
