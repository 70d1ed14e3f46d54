"""Offset, delay and clock filter of RFC 5905."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from gloaming.daemon.planner.clock_stamps import ClockFilter, Exchange, Offset

MS, S = 1_000_000, 1_000_000_000
BEGIN = 1_800_000_000 * S
delays = st.integers(0, 5 * S)


def exchange(ahead_ns: int, there_ns: int, back_ns: int, answering_ns: int = MS) -> Exchange:
    """With a clock that is so far ahead, over a network with these delays."""
    heard_ns = BEGIN + there_ns
    answered_ns = heard_ns + answering_ns
    return Exchange(BEGIN, heard_ns + ahead_ns, answered_ns + ahead_ns, answered_ns + back_ns)


@given(st.integers(-(10**18), 10**18), delays, delays, delays)
def test_the_offset_is_wrong_by_half_the_delay_at_most(ahead: int, there: int, back: int, answering: int) -> None:
    """RFC 5905 section 8; the bound follows from its two formulas."""
    found = exchange(ahead, there, back, answering)
    assert found.delay_ns == there + back
    assert abs(found.offset_ns - ahead) <= found.delay_ns / 2 + 1


def test_stamps_of_the_same_delay_both_ways_give_the_offset_itself() -> None:
    assert exchange(250 * MS, 20 * MS, 20 * MS).offset_ns == 250 * MS


def test_of_the_last_eight_samples_that_of_the_least_delay_counts() -> None:
    """RFC 5905 section 10: a filter of eight stages."""
    filter = ClockFilter()
    assert filter.offset(0) is None
    filter.add(exchange(10 * MS, 0, 2 * MS), 0)
    for _ in range(7):
        filter.add(exchange(10 * MS, 0, 40 * MS), 0)
    assert filter.offset(0) == Offset(9 * MS, MS)
    filter.add(exchange(10 * MS, 0, 30 * MS), 0)
    assert filter.offset(0) == Offset(-5 * MS, 15 * MS), "the first of nine is gone"


def test_the_error_grows_with_the_age_of_the_sample() -> None:
    """RFC 5905 section 7.2: PHI is 15 ppm, so that a fresh sample with a little more delay counts in the end."""
    filter = ClockFilter()
    filter.add(exchange(0, MS, MS), 0)
    assert filter.offset(1000 * S) == Offset(0, 16 * MS)
    filter.add(exchange(20 * MS, 4 * MS, 4 * MS), 1000 * S)
    assert filter.offset(1000 * S) == Offset(20 * MS, 4 * MS)


def test_an_earlier_sample_that_cannot_be_true_beside_a_new_one_is_forgotten() -> None:
    """The clock was set or slewed between them. One that may be true stays."""
    filter = ClockFilter()
    filter.add(exchange(50 * MS, MS, MS), 0)
    filter.add(exchange(47 * MS, 2 * MS, 2 * MS), 0)
    assert filter.offset(0) == Offset(50 * MS, MS)
    filter.add(exchange(46 * MS, 2 * MS, 2 * MS), 0)
    assert filter.offset(0) == Offset(47 * MS, 2 * MS), "50 and 46 differ by more than 1 and 2"


def test_clocks_differ_only_as_far_as_the_error_allows_no_doubt() -> None:
    assert Offset(20 * MS, 7 * MS).certainly_beyond(12 * MS)
    assert Offset(-20 * MS, 7 * MS).certainly_beyond(12 * MS)
    assert not Offset(20 * MS, 8 * MS).certainly_beyond(12 * MS)
