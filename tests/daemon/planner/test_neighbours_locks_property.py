"""Whatever happens on a board: no light in a window of the neighbours' hours that has begun, but after an edit of it.
And never a silence above a second on a universe that is lit.

What must hold is reckoned beside the program, in whole minutes of UTC: a window has begun once the clock that the
planner believes stands in it, and lasts from then on by the monotonic clock.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from fractions import Fraction
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gloaming.daemon.direction.requests import Refusal
from tests.cases import cases
from tests.daemon.boxed_board import FULL, BoxedBoard, Film, Rule, S

DAY = datetime(2026, 12, 12, tzinfo=UTC)
NOON = int(DAY.timestamp()) * S + 12 * 3600 * S
HOUR = 3600


@dataclass
class Watched:
    """A board, and the stretches of monotonic time in which each of its rules binds."""

    board: BoxedBoard
    binds: set[tuple[Rule, int, int]] = field(default_factory=set)
    apart_ns: int | None = None
    """How far the clock that is believed is ahead of the monotonic one, `since_ns`."""
    since_ns: int = 0

    def look(self) -> None:
        """What has begun by now, by the clock of before and by that of now."""
        board, before_ns = self.board, self.apart_ns
        self._begin()
        if board.planner:
            trusted = board.planner._parts.situation.trust.trusted
            self.apart_ns = board.planner.now_ns() - board.monotonic_ns if trusted else None
        if self.apart_ns != before_ns:
            self.since_ns = board.monotonic_ns
            self._begin()

    def _begin(self) -> None:
        if self.apart_ns is None:
            return
        for rule in self.board.rules:
            at_ns = self.board.monotonic_ns + self.apart_ns
            if left_ns := rule.left_ns(at_ns):
                end_ns = self.board.monotonic_ns + left_ns
                self.binds.add((rule, max(self.since_ns, end_ns - rule.lasts_ns), end_ns))

    def play(self, seconds: float, notices: bool = True) -> None:
        self.check(lambda: self.board.play(seconds, notices))

    def skip(self, seconds: float) -> None:
        """In stretches of ten minutes at the most: no window is shorter, so none comes and goes between two of them."""
        while seconds > 0:
            self.check(partial(self.board.skip, min(seconds, 600)))
            seconds -= 600

    def check(self, work: Callable[[], object]) -> None:
        """Do something, and look at what was lit meanwhile."""
        before = len(self.board.lit)
        self.look()
        work()
        self.look()
        for one in self.board.lit[before:]:
            for rule, begin_ns, end_ns in self.binds:
                if begin_ns <= one.monotonic_ns < end_ns:
                    most = {"dark": 0, "dim": round(FULL * rule.limit), "quiet": FULL}[rule.kind]
                    assert one.brightest <= most, (rule, one, end_ns)


class Acts:
    """What may happen. Each is drawn with a number of its own."""

    def __init__(self, watched: Watched) -> None:
        self.watched, self.board = watched, watched.board

    def steps(self, hours: float) -> None:
        """The machine's clock is set; the planner notices within a second, and something may be lit till then."""
        self.board.step(round(hours * HOUR))
        self.watched.play(0.4, notices=False)
        self.board.notice()

    def small_step(self, hours: float) -> None:
        self.steps(hours / 500)

    def a_phone_gives_the_time(self, hours: float) -> None:
        if self.board.planner:
            at_ns = self.board.planner.now_ns() + round(hours * HOUR) * S
            with suppress(Refusal):
                self.board.give(at_ns)

    def a_time_server(self, hours: float) -> None:
        self.board.synchronised = not self.board.synchronised
        self.board.notice()

    def a_call(self, hours: float) -> None:
        if self.board.planner:
            with suppress(Refusal):
                self.board.call(abs(hours) * 30 + 1)

    def a_rig_check(self, hours: float) -> None:
        if self.board.planner:
            with suppress(Refusal):
                self.board.check_rig()

    def the_planner_dies(self, hours: float) -> None:
        self.board.kill_planner()

    def the_planner_starts(self, hours: float) -> None:
        if not self.board.planner:
            self.board.start_planner()

    def the_transmitter_restarts(self, hours: float) -> None:
        self.board.kill_transmitter()
        self.board.start_transmitter()

    def power_goes_on_and_off(self, hours: float) -> None:
        """Of the processes alone: the boot is the same."""
        self.board.kill_planner()
        self.board.kill_transmitter()
        self.board.step(round(hours * HOUR))
        self.board.start_transmitter()
        self.board.start_planner()

    def the_state_is_lost(self, hours: float) -> None:
        """With a transmitter that lives, and a step beside."""
        self.board.kill_planner()
        (self.board.folder / "state" / "state.db").unlink()
        self.board.step(round(hours * HOUR))
        self.board.start_planner()

    def an_edit(self, hours: float) -> None:
        """The first rule ends by as much later as it was drawn; the others are as they were."""
        first, *others = self.board.rules
        minutes = (int(first.end[:2]) * 60 + int(first.end[3:]) + round(hours * 60)) % 1440
        edited = Rule(first.kind, first.begin, f"{minutes // 60:02}:{minutes % 60:02}", first.limit)
        self.watched.look()
        self.board.edit(edited, *others)
        if edited != first and first not in others:
            self.watched.binds = {one for one in self.watched.binds if one[0] != first}

    def an_evening(self, hours: float) -> None:
        self.watched.skip(abs(hours) * HOUR)

    def a_moment(self, hours: float) -> None:
        self.watched.play(2)


ACTS = [name for name in vars(Acts) if not name.startswith("_")]
clock = st.integers(0, 95).map(lambda quarter: f"{quarter // 4:02}:{quarter % 4 * 15:02}")
rules = st.builds(
    Rule, st.sampled_from(["dark", "dark", "dim", "quiet"]), clock, clock, st.sampled_from([0.125, 0.25, 0.5])
)
RATES = (Fraction(1, 60), Fraction(1, 5), Fraction(1), Fraction(25), Fraction(60))
LENGTHS_S = (1 / 60, 1, 60, 3600, 12 * 3600)
films = st.builds(
    lambda fps, length_s: Film(max(1, round(length_s * fps)), fps), st.sampled_from(RATES), st.sampled_from(LENGTHS_S)
)
"""Pieces from one frame to twelve hours."""
acts = st.tuples(st.sampled_from(ACTS), st.floats(-14, 14))


@settings(max_examples=cases(25), deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(rules, min_size=1, max_size=3, unique=True),
    st.integers(-30, 4 * 60),
    films,
    st.sampled_from(["synchronised", "plausible"]),
    st.sampled_from(["host", "host", None]),
    st.booleans(),
    st.lists(acts, min_size=1, max_size=8),
)
def test_nothing_lights_a_window_that_has_begun(
    hours: list[Rule],
    minutes: int,
    film: Film,
    trust: str,
    outside: str | None,
    synchronised: bool,
    happens: list[tuple[str, float]],
) -> None:
    with TemporaryDirectory(prefix="gloaming-") as name:
        at_ns = hours[0].begins_on(DAY) + minutes * 60 * S
        board = BoxedBoard(Path(name), at_ns, tuple(hours), film, trust, synchronised, outside)
        try:
            board.start_transmitter()
            board.start_planner()
            watched = Watched(board)
            watched.play(1.5)
            for act, number in happens:
                watched.look()
                getattr(Acts(watched), act)(number)
                watched.play(1.5)
            Acts(watched).the_planner_starts(0)
            watched.play(3)
            watched.skip(3 * HOUR)
            watched.play(1.5)
            assert board.longest_silence_ns <= S + 41_000_000  # E1.31 6.6.2, and what a rate of its own may add
        finally:
            board.close()


def test_the_acts_do_light_the_board_up(tmp_path: Path) -> None:
    """The property would hold of a board that is never lit."""
    board = BoxedBoard(tmp_path, NOON, (Rule("dark", "10:00", "13:00"),), outside="host")
    board.start_transmitter()
    board.start_planner()
    watched = Watched(board)
    watched.play(2)
    assert not board.lit
    watched.skip(2 * HOUR)
    assert board.lit
    watched.binds.add((board.rules[0], board.monotonic_ns, board.monotonic_ns + S))
    with pytest.raises(AssertionError, match="13:00"):
        watched.play(2)
    board.close()
