"""The state of a stretch of time, and the reasons for it."""

from __future__ import annotations

from datetime import datetime

from gloaming.daemon.direction import precedence
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.precedence import LightSource, Source
from gloaming.daemon.direction.reasons import reason
from gloaming.daemon.direction.rules_in_force import DayFacts, HoursWindow, RulesInForce
from gloaming.daemon.direction.rundown import Occurrence, RundownPart
from gloaming.daemon.direction.score import Reason, ReasonCode, State
from gloaming.shows.time_units import SECOND_NS


class Why:
    """Gives state and reasons from the facts of a day."""

    def __init__(self, facts: DayFacts) -> None:
        self.facts = facts
        self._opened: dict[Occurrence, Reason] = {}  # one reason for all segments of an occurrence

    def why(self, rules: RulesInForce, part: RundownPart | None, at_ns: int) -> tuple[State, tuple[Reason, ...]]:
        """The state and the reasons for it, the deciding one first."""
        line = rules.decides
        if line is None:
            return self._idle(at_ns)
        if rules.dark:
            return line.state, (rules.dark.reason,)
        asked = rules.standing(line.claim)
        deciding = (self._asked(asked),) if asked else ()
        of_the_show = self._given(rules, part, at_ns) if line.has_show else ()
        state = _state_of(part) if line.light == LightSource.SHOW else line.state
        return state, (*deciding, *of_the_show, *self._limits(rules))

    def _limits(self, rules: RulesInForce) -> tuple[Reason, ...]:
        """The reasons for less light or sound than the pieces have."""
        reasons: list[Reason] = []
        for limit in precedence.LIMITS:
            if limit.claim == Source.HOURS:
                reasons += [_of_hours(window, rules.check_in_dark) for window in rules.windows]
            asked = [self._asked(one) for one in rules.overrides if one.kind == limit.claim]
            reasons += asked if limit.light else asked[:1]  # a second mute adds nothing
        return (*reasons, self.facts.brightness_reason) if rules.occurrence and not rules.check else tuple(reasons)

    def _given(self, rules: RulesInForce, part: RundownPart | None, at_ns: int) -> tuple[Reason, ...]:
        """The reasons of a called piece and of the show beneath, or of the show."""
        occurrence = rules.occurrence
        if occurrence is None or occurrence.show:
            return self._show_reasons(occurrence, part, at_ns) if occurrence else ()
        call = self.facts.calls[occurrence.called or 0]
        stands = f"; {rules.show.show} stands still" if rules.show and call.zone is None else ""
        began = reason(
            ReasonCode.CALLED_PIECE,
            occurrence.place,
            zone=call.zone,
            more=f"{_one_ended(part) if part else ''}{stands}",
            override=call.id,
            piece=call.piece,
            at=self._clock(occurrence.opens_ns, seconds=True),
            by=f" by {call.who}" if call.who else "",
        )
        return (began, self._opening(rules.show)) if rules.show else (began,)

    def _opening(self, occurrence: Occurrence) -> Reason:
        if occurrence not in self._opened:
            self._opened[occurrence] = reason(
                ReasonCode.OPENED,
                occurrence.place,
                show=occurrence.show,
                opens=self._clock(occurrence.opens_ns),
                opens_by=occurrence.opens_by,
                closes=self._clock(occurrence.to_ns),
                closes_by=occurrence.closes_by,
            )
        return self._opened[occurrence]

    def _show_reasons(self, occurrence: Occurrence, part: RundownPart | None, at_ns: int) -> tuple[Reason, ...]:
        reasons = [self._opening(occurrence)]
        if part and part.note:
            filling = f", {part.piece.name} fills the time" if part.piece else ""
            more = f"{filling}{_one_ended(part)}"
            reasons.insert(0, reason(part.note, occurrence.show_place, more=more, piece=part.awaited))
        elif part and part.piece:
            at = self._clock(part.begins_ns, seconds=True)
            order = f"{'shuffled' if occurrence.shuffled else 'in order'}{_one_ended(part)}"
            begun = reason(ReasonCode.PIECE, occurrence.show_place, piece=part.piece.name, at=at, order=order)
            reasons.insert(0, begun)
        damaged = {piece.name for piece in occurrence.order if piece.is_damaged(at_ns)}
        names = sorted({*occurrence.left_out, *damaged})
        return (*reasons, *(reason(ReasonCode.LEFT_OUT, occurrence.show_place, piece=name) for name in names))

    def _idle(self, at_ns: int) -> tuple[State, tuple[Reason, ...]]:
        coming, closed = self._next_opening(at_ns), self._closed(at_ns)
        if coming is None:
            return State.DARK, (reason(ReasonCode.NOTHING_OPENS, "timetable"), *closed)
        why = reason(
            ReasonCode.OPENS,
            coming.place,
            show=coming.show,
            day=self._local(coming.opens_ns),
            opens=self._clock(coming.opens_ns),
            opens_by=coming.opens_by,
        )
        return State.WAITING if at_ns >= self._midnight(coming) else State.DARK, (why, *closed)

    def _closed(self, at_ns: int) -> tuple[Reason, ...]:
        """The closing of this date, where one is past."""
        over = [one for one in self.facts.occurrences if one.to_ns <= at_ns and one.called is None]
        last = max(over, key=lambda occurrence: occurrence.to_ns, default=None)
        if last is None or self._local(last.to_ns).date() != self._local(at_ns).date():
            return ()
        closes = self._clock(last.to_ns)
        return (reason(ReasonCode.CLOSED, last.place, show=last.show, closes=closes, closes_by=last.closes_by),)

    def waits_from(self, at_ns: int) -> int | None:
        """When an idle stretch changes from dark to waiting: at midnight, site time, before the next opening."""
        coming = self._next_opening(at_ns)
        return self._midnight(coming) if coming else None

    def _next_opening(self, at_ns: int) -> Occurrence | None:
        later = [
            occurrence
            for occurrence in self.facts.occurrences
            if occurrence.opens_ns > at_ns and occurrence.called is None
        ]
        return min(later, key=lambda occurrence: occurrence.opens_ns, default=None)

    def _midnight(self, occurrence: Occurrence) -> int:
        day = self._local(occurrence.opens_ns).replace(hour=0, minute=0, second=0, microsecond=0, fold=0)
        return int(day.timestamp()) * SECOND_NS

    def _asked(self, override: Override) -> Reason:
        when = self._clock_and_date if override.kind in (Kind.OUT_OF_SERVICE, Kind.BURN_IN) else self._clock
        return reason(
            ReasonCode(override.kind.value),
            f"override {override.id} {override.kind}",
            zone=override.zone,
            more=f": {override.why}" if override.why else "",
            override=override.id,
            by=f" by {override.who}" if override.who else "",
            at=when(override.at_ns),
            until=when(override.until_ns),
            level=override.level or 0.0,
            hold=override.hold,
            check=override.check.text if override.check else "nothing",
        )

    def _local(self, at_ns: int) -> datetime:
        return datetime.fromtimestamp(at_ns // SECOND_NS, self.facts.zone)

    def _clock_and_date(self, at_ns: int) -> str:
        return f"{self._clock(at_ns)} on {self._local(at_ns):%d %B %Y}"

    def _clock(self, at_ns: int, seconds: bool = False) -> str:
        local = self._local(at_ns)
        return f"{local:%H:%M:%S}" if seconds or local.second else f"{local:%H:%M}"


def _state_of(part: RundownPart | None) -> State:
    """The state of a show by its part now."""
    if part and part.fault:
        return State.FAULT
    return State.WAITING if part is None or part.filler else State.PLAYING


def _of_hours(window: HoursWindow, check_in_dark: float | None) -> Reason:
    """The reason of a window that lowers the light. Dark hours are among these only where they allow a rig check."""
    if window.ceiling != 0:
        return window.reason
    return reason(
        ReasonCode.RIG_CHECK_IN_DARK_HOURS, window.reason.rule, hours=window.hours, level=check_in_dark or 0.0
    )


def _one_ended(part: RundownPart) -> str:
    """Whether the frames or the sound have ended, where one is shorter than the other."""
    if part.picture and part.picture.ended:
        return "; its frames have ended, its sound continues"
    return "; its sound has ended" if part.piece and part.piece.sound and not part.sound else ""
