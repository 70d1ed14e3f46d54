"""A window of the neighbours' hours that has begun holds to its end, whatever is said of the time meanwhile."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gloaming.daemon.direction.requests import Refusal
from tests.daemon.boxed_board import FULL, BoxedBoard, Rule, S

DARK = Rule("dark", "10:00", "13:00")
MORNING = int(datetime(2026, 12, 12, 11, 36, tzinfo=UTC).timestamp()) * S
MINUTE = 60
LEFT = 84 * MINUTE
"""How long the window lasts at 11:36."""


@pytest.fixture
def board(tmp_path: Path) -> Iterator[BoxedBoard]:
    """In dark hours; the clock is believed, since the host set it."""
    board = BoxedBoard(tmp_path, MORNING, (DARK,), outside="host")
    board.start_transmitter()
    board.start_planner()
    yield board
    board.close()


def reasons(board: BoxedBoard) -> str:
    assert board.planner
    return " / ".join(one.text for one in board.planner._parts.situation.current(board.planner.now_ns()).reasons)


def assert_dark_until_it_would_have_ended(board: BoxedBoard) -> None:
    """From 11:36 by the clock of before, some seconds later."""
    left_s = (1000 * S + LEFT * S - board.monotonic_ns) / S
    board.skip(left_s - 2)
    assert not board.play(1.9)
    assert not board.lit
    assert board.play(3), "it is light again as soon as it has ended"


@pytest.mark.parametrize(
    ("outside", "rule", "synchronised"),
    [("host", "synchronised", False), ("rtc", "synchronised", False), (None, "plausible", False)],
)
def test_the_time_of_a_phone_is_not_taken_while_the_clock_is_believed(
    board: BoxedBoard, outside: str | None, rule: str, synchronised: bool
) -> None:
    board.kill_planner()
    board.outside, board.trust, board.synchronised = outside, rule, synchronised
    board.write()
    board.start_planner()
    for _ in range(2):  # a second later it is one that was trusted earlier
        with pytest.raises(Refusal, match="the board takes no time from you"):
            board.give(MORNING + 3 * 3600 * S)
        board.play(2)
    assert not board.lit


@pytest.mark.parametrize("step_s", [3.4 * 3600, -6 * 3600, 302 * 86_400 + 5 * 3600, 84 * MINUTE])
def test_a_step_of_the_clock_ends_no_dark_hours(board: BoxedBoard, step_s: float) -> None:
    board.play(2)
    board.step(step_s)
    board.play(2)
    with pytest.raises(Refusal, match="no light"):
        board.call()
    with pytest.raises(Refusal, match="no light"):
        board.check_rig()
    board.play(2)
    assert "dark hours 10:00 to 13:00 began before the clock was set, and last until" in reasons(board)
    assert_dark_until_it_would_have_ended(board)


@pytest.mark.parametrize("step_s", [2 * 86_400 + 7200, -96.5 * MINUTE, 0.5 * MINUTE])
def test_hours_that_begin_again_by_the_new_clock_are_dark_as_long_as_either_clock_says(
    board: BoxedBoard, step_s: float
) -> None:
    board.play(2)
    board.step(step_s)
    board.skip(LEFT - 60)
    assert not board.lit


def test_steps_upon_steps_and_restarts_end_no_dark_hours(board: BoxedBoard) -> None:
    """The transmitter is fresh after the first step, and no planner runs at the second and the third."""
    board.step(5 * 3600)
    board.play(3)
    board.kill_transmitter()
    board.start_transmitter()
    board.play(3)
    board.kill_planner()
    board.step(-9 * 3600)
    board.play(3)
    board.step(7 * 3600)
    board.play(3)
    board.kill_transmitter()
    board.start_transmitter()
    board.play(3)
    board.start_planner()
    assert_dark_until_it_would_have_ended(board)


def test_a_step_while_nothing_runs_ends_no_dark_hours(board: BoxedBoard) -> None:
    board.play(1)
    board.kill_planner()
    board.kill_transmitter()
    board.step(5 * 3600)
    board.start_transmitter()
    board.start_planner()
    assert_dark_until_it_would_have_ended(board)


def test_a_planner_that_has_lost_its_state_is_told_by_the_transmitter(board: BoxedBoard) -> None:
    board.play(1)
    board.kill_planner()
    (board.folder / "state" / "state.db").unlink()
    board.step(5 * 3600)
    board.start_planner()
    board.play(3)
    assert "dark hours 10:00 to 13:00 began before the clock was set" in reasons(board)
    with pytest.raises(Refusal, match="no light"):
        board.call()
    assert_dark_until_it_would_have_ended(board)


def test_dark_hours_into_which_the_clock_was_set_hold_too(board: BoxedBoard) -> None:
    """From 16:00 to 11:00, and back a minute later: they last two hours, as by the clock that had them."""
    board.step(3 * 3600)
    board.skip(LEFT)
    assert board.play(3)
    board.lit.clear()
    board.step(-5 * 3600)
    board.play(60)
    board.lit.clear()
    board.step(5 * 3600)
    assert not board.play(60)
    assert "began before the clock was set" in reasons(board)
    board.skip(117 * MINUTE)
    assert not board.lit
    board.skip(MINUTE)
    assert board.play(5)


def test_an_edit_of_the_rule_on_the_board_ends_it(board: BoxedBoard) -> None:
    board.step(5 * 3600)
    assert not board.play(5)
    board.edit(DARK, Rule("quiet", "10:00", "13:00"))
    assert not board.play(5), "the rule is as it was"
    board.edit(Rule("dark", "10:00", "12:55"))
    assert board.play(5)


def test_a_rule_that_moves_in_the_file_is_the_same_rule(board: BoxedBoard) -> None:
    board.step(5 * 3600)
    assert not board.play(5)
    path = board.folder / "site.toml"
    board.kill_planner()
    path.write_text("# Pier Road\n\n" + path.read_text().replace("[neighbours]", "[neighbours] # as agreed"))
    board.start_planner()
    assert_dark_until_it_would_have_ended(board)


def test_dim_hours_hold_as_dark_hours_do(tmp_path: Path) -> None:
    board = BoxedBoard(tmp_path, MORNING, (Rule("dim", "10:00", "13:00", 0.25),), outside="host")
    board.start_transmitter()
    board.start_planner()
    assert {one.brightest for one in board.play(3)} == {FULL // 4}
    board.step(5 * 3600)
    assert {one.brightest for one in board.play(3)} == {FULL // 4}
    board.kill_planner()
    board.step(5 * 3600)
    board.play(3)
    board.start_planner()
    assert {one.brightest for one in board.play(3)} == {FULL // 4}
    assert "brightness 0.25 at most" in reasons(board)
    board.skip(LEFT)
    assert FULL in {one.brightest for one in board.play(5)}
    board.close()


def test_a_clock_that_nobody_believes_begins_no_dark_hours(tmp_path: Path) -> None:
    """A board without a battery wakes in the dark hours of the day before; then it is told the right time."""
    board = BoxedBoard(tmp_path, MORNING, (DARK,))
    board.start_transmitter()
    board.start_planner()
    board.play(30)
    board.give(MORNING + 5 * 3600 * S)
    assert board.play(3)
    board.close()


def test_a_time_that_was_given_may_be_corrected_and_ends_no_dark_hours(tmp_path: Path) -> None:
    board = BoxedBoard(tmp_path, MORNING - 86_400 * S, (DARK,))
    board.start_transmitter()
    board.start_planner()
    board.give(MORNING)
    board.play(10)
    board.give(MORNING + 5 * 3600 * S)
    board.play(2)
    assert "began before the clock was set" in reasons(board)
    board.skip(LEFT - 60)
    assert not board.lit
    board.skip(60)
    assert board.play(5)
    board.close()


def test_a_given_time_that_gives_way_to_a_time_server_makes_no_dark_hours_of_the_moment_between(tmp_path: Path) -> None:
    """The machine's clock stands at 22:00 of the day before, and the time is given: 15:00. A time server sets the
    machine's clock. With the offset of before that would be 08:00, in dark hours, until the planner has noticed."""
    evening = MORNING - (13 * 3600 + 36 * 60) * S
    board = BoxedBoard(tmp_path, evening, (Rule("dark", "06:00", "10:00"),))
    board.start_transmitter()
    board.start_planner()
    board.give(evening + 17 * 3600 * S)
    assert board.play(5)
    board.synchronised = True
    board.step(17 * 3600)
    board.play(3)
    assert board.play(3), "the planner has said by now how far the wall clock is off"
    board.close()


def test_a_wall_clock_that_visits_dark_hours_while_no_planner_runs_makes_them_hold(board: BoxedBoard) -> None:
    """It is 16:00, and 11:00 by the wall clock for a minute: the transmitter alone sees it, and tells the planner."""
    board.step(3 * 3600)
    board.skip(LEFT)
    board.kill_planner()
    board.play(2)
    board.step(-5 * 3600)
    board.play(60)
    board.lit.clear()
    board.step(5 * 3600)
    assert not board.play(5)
    board.start_planner()
    board.play(3)
    assert "began before the clock was set" in reasons(board)
    board.skip(110 * MINUTE)
    assert not board.lit


def test_a_wall_clock_that_only_flickers_makes_nothing_hold(board: BoxedBoard) -> None:
    board.step(3 * 3600)
    board.skip(LEFT)
    board.kill_planner()
    board.play(2)
    board.step(-5 * 3600)
    board.lit.clear()
    assert not board.play(3)
    board.step(5 * 3600)
    assert board.play(5)


def guessing(folder: Path) -> BoxedBoard:
    """Power comes back at 17:00. The board has no battery, and goes on from 11:36, where it stood when power went."""
    board = BoxedBoard(folder, MORNING, (DARK,), trust="plausible", monotonic_ns=20 * S)
    board.start_transmitter()
    board.start_planner()
    return board


def test_a_guess_that_a_time_server_corrects_within_five_minutes_costs_no_evening(tmp_path: Path) -> None:
    board = guessing(tmp_path)
    assert not board.play(30)
    board.kill_planner()
    board.kill_transmitter()
    board.start_transmitter()
    board.start_planner()
    assert not board.play(240), "it is dark as long as the clock says so"
    board.synchronised = True
    board.step(5.4 * 3600)
    assert board.play(5)
    board.step(-5.4 * 3600)
    board.play(3)
    board.lit.clear()
    board.step(5.4 * 3600)
    assert not board.play(5), "what begins by a clock that is no guess any more holds"
    board.close()


def test_a_guess_that_has_stood_for_five_minutes_is_the_time(tmp_path: Path) -> None:
    board = guessing(tmp_path)
    assert not board.play(290)
    board.synchronised = True
    board.step(5.4 * 3600)
    board.play(5)
    left_s = LEFT - 295
    board.skip(left_s - 60)
    assert not board.lit
    board.skip(120)
    assert board.lit
    board.close()
