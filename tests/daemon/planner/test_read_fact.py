"""Facts: an override goes to another board and comes back the same, and nothing else becomes an override."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.shared_fact import canonical, fact_of, payload_of
from gloaming.daemon.planner.read_fact import IDS_END, NewerFactError, NotAFactError, read_fact
from tests.daemon.direction.drawn_facts import AT, S, overrides

PAUSE = Override(1 << 28 | 5, Kind.PAUSE, AT, AT + 900 * S, "Ada", author="quay", changed_by="quay")


@given(overrides())
def test_a_fact_is_read_as_it_was_written(override: Override) -> None:
    assert read_fact(payload_of(override)) == override


@given(overrides(), st.integers(0, 2**60))
def test_the_text_of_a_version_does_not_depend_on_its_end(override: Override, ended_ns: int) -> None:
    assert canonical(replace(override, ended_ns=ended_ns)) == canonical(override)


def test_a_fact_has_what_its_kind_needs_and_nothing_that_is_empty() -> None:
    assert fact_of(PAUSE) == {
        "format": 1,
        "id": 268435461,
        "kind": "pause",
        "at_ns": AT,
        "until_ns": AT + 900 * S,
        "who": "Ada",
        "author": "quay",
        "version": 1,
        "changed_by": "quay",
    }


NEWER: dict[str, dict[str, Any]] = {
    "a format": {"format": 2, "about": {"a": 1}},
    "a kind": {"kind": "strobe"},
    "a key": {"only_red": True},
}


@pytest.mark.parametrize("name", sorted(NEWER))
def test_what_a_newer_version_has_written_names_its_board(name: str) -> None:
    with pytest.raises(NewerFactError) as found:
        read_fact(json.dumps(fact_of(PAUSE) | NEWER[name]).encode())
    assert found.value.board == "quay"


WRONG: dict[str, dict[str, Any]] = {
    "no instant": {"at_ns": "tonight"},
    "a flag for a number": {"version": True},
    "a number with a fraction": {"id": 268435461.5},
    "an instant before the epoch": {"at_ns": -1},
    "an instant beyond the calendar": {"until_ns": 10**30},
    "an end before its begin": {"until_ns": AT - 1},
    "an id of one board": {"id": 5},
    "an id that no browser can read": {"id": IDS_END},
    "no author": {"author": ""},
    "a line break": {"who": "Ada\nrestart: the planner"},
    "a long text": {"who": "x" * 3000},
    "a call of nothing": {"kind": "call"},
    "a call of two": {"kind": "call", "show": "evening", "piece": "tide"},
    "a dim without a level": {"kind": "dim"},
    "a dim that is brighter than all": {"kind": "dim", "level": 1.5},
    "a dim by NaN": {"kind": "dim", "level": float("nan")},
    "a pause of a zone": {"zone": "roof"},
    "a hold without a name": {"kind": "hold-dark"},
    "out of service nowhere": {"kind": "out-of-service"},
    "a check without a pattern": {"kind": "rig-check", "level": 0.5, "check": {"text": "walk"}},
    "a check of an unknown pattern": {
        "kind": "rig-check",
        "level": 0.5,
        "check": {"text": "x", "pattern": {"kind": "fire", "a_second": 2}},
    },
    "no version": {"version": 0},
}


@pytest.mark.parametrize("name", sorted(WRONG))
def test_what_no_board_writes_is_no_fact(name: str) -> None:
    with pytest.raises(NotAFactError) as found:
        read_fact(json.dumps(fact_of(PAUSE) | WRONG[name]).encode())
    assert "\n" not in str(found.value)


@pytest.mark.parametrize(
    "payload",
    [b"", b"{", b"[" * 16_000, b"[]", b"5", b"null", b"\xff\xfe", b'{"format": 1}', b'{"format": NaN}', b"{}" * 8000],
    ids=range(10),
)
def test_damaged_text_is_no_fact(payload: bytes) -> None:
    with pytest.raises(NotAFactError) as found:
        read_fact(payload)
    assert "\n" not in str(found.value) and len(str(found.value)) < 300


@given(st.binary(max_size=200))
def test_noise_is_no_fact_or_one_that_can_be_shared(noise: bytes) -> None:
    whole = payload_of(PAUSE)
    for payload in (noise, whole[: len(noise)], noise + whole, whole[:40] + noise + whole[40:]):
        with suppress(NotAFactError, NewerFactError):
            found = read_fact(payload)
            assert read_fact(payload_of(found)) == found
