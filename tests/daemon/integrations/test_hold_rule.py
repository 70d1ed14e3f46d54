"""The rule of a hold: what a reading is, and the instants at which it begins and ends. `planner/test_holds.py` draws
histories against a reference."""

from __future__ import annotations

import pytest

from gloaming.daemon.integrations.hold_rule import (
    HoldState,
    UnreadableError,
    at,
    condition,
    heard,
    read_payload,
    resumed,
)
from gloaming.daemon.site.schema_outside import Hold

S = 1_000_000_000


def hold(**keys: object) -> Hold:
    given = {"name": "wind", "http": True, "if_silent": "ignore", "for": "30 s", "clear_for": "10 min", **keys}
    return Hold.model_validate(given if "equals" in keys or "below" in keys else {"above": 14, **given})


WORD = hold(equals="storm")
SPEED = hold(json_key="speed")


@pytest.mark.parametrize(
    ("of", "payload", "reading"),
    [
        (hold(), b"15.2", 15.2),
        (hold(), b" -3e1\n", -30.0),
        (SPEED, b'{"speed": 15.2, "unit": "m/s"}', 15.2),
        (SPEED, b'{"speed": "15.2"}', 15.2),
        (WORD, b"storm\n", "storm"),
        (WORD, "Sturmflut über 2 m".encode(), "Sturmflut über 2 m"),
        (hold(equals="true", json_key="open"), b'{"open": true}', "true"),
        (hold(equals="3", json_key="level"), b'{"level": 3}', "3"),
    ],
)
def test_a_payload_is_a_number_or_a_word(of: Hold, payload: bytes, reading: float | str) -> None:
    assert read_payload(of, payload) == reading


@pytest.mark.parametrize(
    ("of", "payload", "problem"),
    [
        (hold(), b"", "'' came; a number is expected"),
        (hold(), b"strong", "'strong' came; a number is expected"),
        (hold(), b"NaN", "'NaN' came; a number is expected"),
        (hold(), b"-inf", "'-inf' came; a number is expected"),
        (hold(), b"1e999", "'1e999' came; a number is expected"),
        (hold(), b"\xff\xfe", "'\ufffd\ufffd' came; a number is expected"),
        (hold(), b"9" * 10_001, "10001 bytes came; a number of 10000 bytes at most is expected"),
        (hold(), b"7 knots " * 9, f"{('7 knots ' * 5)!r} ... came; a number is expected"),
        (SPEED, b"15.2", "'15.2' came; a JSON object whose 'speed' is a number is expected"),
        (SPEED, b'{"speed": NaN}', "'{\"speed\": NaN}' came; a JSON object whose 'speed' is a number is expected"),
        (SPEED, b'{"speed": true}', "'{\"speed\": true}' came; a JSON object whose 'speed' is a number is expected"),
        (SPEED, b'{"gust": 1}', "'{\"gust\": 1}' came; a JSON object whose 'speed' is a number is expected"),
        (SPEED, b"[" * 9_999, f"{'[' * 40!r} ... came; a JSON object whose 'speed' is a number is expected"),
        (SPEED, b'{"speed": ' + b"9" * 9_000 + b"}", None),
        (WORD, b"", "'' came; a word is expected"),
        (WORD, b"sto\x00rm", "'sto\\x00rm' came; a word is expected"),
        (WORD, b"x" * 201, f"{'x' * 40!r} ... came; a word is expected"),
        (hold(equals="x", json_key="a"), b'{"a": "\\ud800"}', None),
        (hold(equals="x", json_key="a"), b'{"a": [1]}', None),
    ],
)
def test_anything_else_is_one_clear_line(of: Hold, payload: bytes, problem: str | None) -> None:
    with pytest.raises(UnreadableError) as caught:
        read_payload(of, payload)
    assert problem in (None, str(caught.value)) and "\n" not in str(caught.value) and len(str(caught.value)) < 200


def test_it_begins_after_for_and_ends_after_clear_for_to_the_nanosecond() -> None:
    rule = hold(until_below=10)
    state = heard(rule, HoldState(0), 15.2, 7)
    assert at(rule, state, 7 + 30 * S - 1).from_ns is None
    assert at(rule, state, 7 + 30 * S).from_ns == 7 + 30 * S  # whenever somebody looks
    assert at(rule, state, 900 * S).from_ns == 7 + 30 * S
    state = heard(rule, state, 12.0, 100 * S)  # below 14, not below 10
    state = heard(rule, state, 9.9, 200 * S)
    assert at(rule, state, 800 * S - 1).from_ns == 7 + 30 * S
    assert at(rule, state, 800 * S).from_ns is None


def test_a_reading_in_between_breaks_it_off() -> None:
    state = heard(hold(), HoldState(0), 15.2, 0)
    state = heard(hold(), state, 14.0, 29 * S)
    state = heard(hold(), state, 15.2, 31 * S)
    assert at(hold(), state, 60 * S).from_ns is None and at(hold(), state, 61 * S).from_ns == 61 * S


def test_a_silent_source_holds_from_its_last_reading_on_until_readings_are_clear_again() -> None:
    rule = hold(if_silent="hold", silent_after="5 min")
    assert at(rule, HoldState(9), 9 + 300 * S).from_ns == 9 + 300 * S  # never a reading
    state = heard(rule, HoldState(0), 3.0, 50 * S)
    state = at(rule, state, 400 * S)
    assert (state.from_ns, state.by, state.since_ns) == (350 * S, None, 50 * S)
    state = heard(rule, state, 3.0, 500 * S)
    for second in range(700, 1_100, 100):
        state = heard(rule, state, 3.0, second * S)
    assert at(rule, state, 1_100 * S - 1).from_ns == 350 * S and at(rule, state, 1_100 * S).from_ns is None
    assert at(hold(), heard(hold(), HoldState(0), 3.0, 0), 10**9 * S).from_ns is None  # ignore: it stays as it is


def test_a_restart_goes_on_and_a_hold_that_outlasts_it_ends_at_a_reading() -> None:
    rule = hold(if_silent="hold")
    state = heard(rule, HoldState(0), 15.0, 0)
    assert at(rule, resumed(state, 20 * S), 40 * S).from_ns == 30 * S
    state = heard(rule, at(rule, state, 60 * S), 9.0, 60 * S)
    state = at(rule, resumed(state, 5_000 * S), 5_100 * S)  # the power was off for more than an hour
    assert state.from_ns == 30 * S
    assert heard(rule, state, 9.0, 5_101 * S).from_ns is None
    assert heard(rule, state, 15.0, 5_101 * S).from_ns == 30 * S
    assert at(rule, state, 5_300 * S).by is None  # no reading for 5 minutes since the restart


def test_a_condition_in_words() -> None:
    assert condition(hold(), 15.2) == "15.2 is above 14" and condition(hold(), 9) == "9 is not above 14"
    assert condition(WORD, "storm") == "it is storm" and condition(WORD, "calm") == "calm is not storm"
