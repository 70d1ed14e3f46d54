"""The clocks of the other boards: measured by stamps over the broker, one board at a time, and reported if they differ.

The cost does not grow with the number of boards.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from statistics import median_low
from typing import Any, Protocol

from pydantic import BaseModel, ConfigDict, ValidationError

from gloaming.daemon.planner.clock import STEP_NS, Anchor
from gloaming.daemon.planner.clock_stamps import ClockFilter, Exchange, Offset
from gloaming.daemon.planner.contact import BoardSeen, for_each
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.troubles import Trouble, TroubleCode
from gloaming.daemon.site.site import Site
from gloaming.shows.time_units import SECOND_NS

ASK_S = 15.0
"""One board is asked for its stamps in this time."""
MEASURES = 3
"""So many measures in a row, each beyond half a frame, are a trouble."""
ANSWERS_MAX, ANSWERS_NS = 20, 10 * SECOND_NS
"""This board answers no more questions in this time. Each board asks four in a minute."""
ERROR_LOOKS = 40
"""This board publishes the greatest error of its clock in so many looks: each change goes to all boards."""
BOARDS_NAMED_MAX = 3
ASK, ANSWER = "stamp", "stamped"
"""The kinds of the two messages."""


class BoardMessages(Protocol):
    """What this part needs of the boards."""

    def on(self, kind: str, take: Callable[[dict[str, Any]], None]) -> None: ...
    def send(self, board: str, kind: str, message: dict[str, Any]) -> None: ...
    def say(self, key: str, value: object) -> None: ...
    def seen(self) -> tuple[BoardSeen, ...]: ...


class BoardClock(BaseModel):
    """What a board publishes of its clock: what keeps it, and the most that it is off."""

    model_config = ConfigDict(frozen=True)

    by: str = ""
    synchronised: bool = False
    error_ms: float | None = None
    trusted: bool = False


class _Question(BaseModel):
    model_config = ConfigDict(strict=True)

    sent_ns: int


class _Answer(_Question):
    heard_ns: int
    answered_ns: int


@dataclass(slots=True)
class _Measured:
    filter: ClockFilter = field(default_factory=ClockFilter)
    offset: Offset | None = None
    beyond: int = 0
    """How many measures in a row were beyond half a frame."""


class BoardClocks:
    """Asks the boards in turn and answers them. `look` is called once in `ASK_S`."""

    def __init__(self, situation: Situation, boards: BoardMessages) -> None:
        self._situation, self._boards = situation, boards
        self._measured: dict[str, _Measured] = {}
        self._asked: tuple[str, Anchor] | None = None
        """The board that was asked last, and when, until it answers."""
        self._last = ""
        self._apart_ns = 0
        self._half_ns = half_frame_ns(situation.site)
        self._answers = self._answers_ns = 0
        self._errors: deque[float] = deque(maxlen=ERROR_LOOKS)
        self._troubles: list[Trouble] = []
        boards.on(ASK, self._take_question)
        boards.on(ANSWER, self._take_answer)

    def look(self) -> None:
        """Publish how far this clock is trusted, and ask the next board for its stamps."""
        site, kernel = self._situation.site, self._situation.trust.kernel
        self._half_ns = half_frame_ns(site)
        names = {one.name for one in site.boards} - {site.board_name}
        in_contact = {one.name for one in self._boards.seen() if one.contact and one.name in names}
        for name in self._measured.keys() - in_contact:
            del self._measured[name]
        if kernel.error_ms is None:
            self._errors.clear()
        else:
            self._errors.append(kernel.error_ms)
        if site.boards:
            self._boards.say("clock", self._own().model_dump())
        self._troubles = self._judge()
        if in_contact:
            self._last = self._next(in_contact)
            now = self._now()
            self._asked = self._last, now
            self._boards.send(self._last, ASK, {"sent_ns": now.utc_ns})

    def offsets(self) -> dict[str, Offset]:
        """How far each board's clock is ahead of this one, for those that were measured, as of the last measure."""
        return {name: one.offset for name, one in self._measured.items() if one.offset}

    def offset_ms(self, board: str) -> float | None:
        """How far a board's clock is ahead of this one. None if that was not measured, or too coarsely to mean much."""
        found = self._measured.get(board)
        offset = found.offset if found else None
        known = offset and (offset.error_ns <= self._half_ns or offset.certainly_beyond(self._half_ns))
        return offset.offset_ns / 1e6 if offset and known else None

    def troubles(self) -> list[Trouble]:
        """The boards whose clocks have differed from this one by more than half a frame for some measures."""
        return self._troubles

    def _judge(self) -> list[Trouble]:
        differing = [name for name, one in self._measured.items() if one.beyond >= MEASURES]
        if not differing:
            return []
        own, offsets = self._own(), self.offsets()
        all_ns = sorted(one.offset_ns for one in offsets.values())
        said = {one.name: read_clock(one.status.get("clock")) for one in self._boards.seen()}
        judged = {name: judge(own, said[name], offsets[name].offset_ns, all_ns) for name in differing if name in said}
        return self._as_troubles(judged, offsets)

    def _as_troubles(self, judged: Mapping[str, Judgement], offsets: Mapping[str, Offset]) -> list[Trouble]:
        limit = f"more than half a frame ({self._half_ns / 1e6:.1f} ms)"
        own = [name for name, one in judged.items() if one.own_is_wrong]
        found = []
        if own:
            more = f" and {len(own) - BOARDS_NAMED_MAX} more" if len(own) > BOARDS_NAMED_MAX else ""
            text = f"it is {_apart(offsets[own[0]])} that of {', '.join(own[:BOARDS_NAMED_MAX])}{more}, {limit}"
            why = f"{text}; it is likely wrong: {judged[own[0]].why}"
            found.append(Trouble(TroubleCode.BOARD_CLOCK, "this board's clock", why))
        texts = {}
        for name in judged.keys() - own:
            why = f"it is likely wrong: {judged[name].why}" if judged[name].why else "either may be wrong"
            texts[name] = f"this board's clock is {_apart(offsets[name])} it, {limit}; {why}"
        return found + for_each(TroubleCode.BOARD_CLOCK, texts, "the clock of ")

    # the exchange

    def _next(self, names: Collection[str]) -> str:
        """The board to ask: the next by its name, beginning after this one's, so that boards that began together ask
        different ones. One that has just differed is asked again."""
        last = self._measured.get(self._last)
        if last and self._asked is None and 0 < last.beyond < MEASURES:
            return self._last
        after = self._last or self._situation.site.board_name
        return min((name for name in names if name > after), default=min(names))

    def _now(self) -> Anchor:
        """Both clocks. What was measured before a step is forgotten. A machine that was suspended sees one, too."""
        now = self._situation.clock.anchor()
        apart_ns = now.utc_ns - now.monotonic_ns
        if abs(apart_ns - self._apart_ns) >= STEP_NS:
            self._apart_ns, self._asked = apart_ns, None
            self._measured.clear()
        return now

    def _take_question(self, message: dict[str, Any]) -> None:
        """Answer a board of this site. ValueError for what is no question."""
        heard, question = self._now(), _Question.model_validate(message)
        if heard.monotonic_ns - self._answers_ns >= ANSWERS_NS:
            self._answers, self._answers_ns = 0, heard.monotonic_ns
        self._answers += 1
        if self._answers <= ANSWERS_MAX and any(one.name == message["from"] for one in self._situation.site.boards):
            stamps = {"sent_ns": question.sent_ns, "heard_ns": heard.utc_ns, "answered_ns": self._now().utc_ns}
            self._boards.send(message["from"], ANSWER, stamps)

    def _take_answer(self, message: dict[str, Any]) -> None:
        """Take the stamps of the board that was asked. ValueError for what is no answer."""
        now, answer = self._now(), _Answer.model_validate(message)
        if self._asked is None or (self._asked[0], self._asked[1].utc_ns) != (message["from"], answer.sent_ns):
            return  # too late, or this clock was set meanwhile
        name, self._asked = self._asked[0], None
        exchange = Exchange(answer.sent_ns, answer.heard_ns, answer.answered_ns, now.utc_ns)
        if exchange.delay_ns < 0 or answer.answered_ns < answer.heard_ns:
            return  # the other clock was set meanwhile
        measured = self._measured.setdefault(name, _Measured())
        measured.filter.add(exchange, now.monotonic_ns)
        offset = measured.offset = measured.filter.offset(now.monotonic_ns)
        differs = offset is not None and offset.certainly_beyond(self._half_ns)
        measured.beyond = measured.beyond + 1 if differs else 0
        self._troubles = self._judge()

    # this clock

    def _own(self) -> BoardClock:
        verdict, kernel = self._situation.trust.verdict, self._situation.trust.kernel
        return BoardClock(
            by=kernel.program or verdict.by,
            synchronised=kernel.synchronised,
            error_ms=_rounded_up(max(self._errors)) if self._errors else None,
            trusted=verdict.trusted,
        )


@dataclass(frozen=True, slots=True)
class Judgement:
    """Which of two clocks is likely wrong, and why; neither where `why` is empty."""

    own_is_wrong: bool = False
    why: str = ""


def judge(own: BoardClock, other: BoardClock, offset_ns: int, offsets_ns: Collection[int]) -> Judgement:
    """Which of two clocks is likely wrong: the one that is not synchronised; else the one that is farther from where
    most clocks stand; else that of the greater error. `offsets_ns` are those of all boards to this clock."""
    if own.synchronised != other.synchronised:
        return Judgement(other.synchronised, "it is not synchronised")
    clocks, near_ns = (0, *offsets_ns), abs(offset_ns) / 2
    middle_ns = median_low(clocks)
    agree = sum(abs(one - middle_ns) < near_ns for one in clocks)
    if 2 * agree > len(clocks) and (abs(middle_ns) < near_ns) != (abs(offset_ns - middle_ns) < near_ns):
        return Judgement(abs(middle_ns) >= near_ns, f"{agree} of {len(clocks)} boards agree on another time")
    if own.error_ms is not None and other.error_ms is not None and own.error_ms != other.error_ms:
        worse = max(own.error_ms, other.error_ms)
        return Judgement(own.error_ms > other.error_ms, f"its error is up to {worse:g} ms")
    return Judgement()


def half_frame_ns(site: Site) -> int:
    """Half a frame of the fastest piece; a second where no piece can be played."""
    rates = [piece.info.fps for piece in site.pieces.values() if piece.info]
    return int(SECOND_NS / (2 * max(rates))) if rates else SECOND_NS


def read_clock(status: object) -> BoardClock:
    """What another board publishes of its clock; that nothing is known, where it cannot be read."""
    try:
        return BoardClock.model_validate(status)
    except ValidationError:
        return BoardClock()


def _rounded_up(ms: float) -> float:
    """To 1, 2 or 5 of a power of ten, so that it changes seldom."""
    steps = (step * 10.0**power for power in range(-2, 5) for step in (1, 2, 5))
    return next((round(step, 2) for step in steps if step >= ms), ms)


def _apart(offset: Offset) -> str:
    """In few digits: a text that changes is sent to all phones."""
    side = "behind" if offset.offset_ns > 0 else "ahead of"
    return f"{abs(offset.offset_ns) / 1e6:.0f} ms (to within {_rounded_up(offset.error_ns / 1e6):g} ms) {side}"
