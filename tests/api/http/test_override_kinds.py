"""The kinds of override and the states have a table each. A missing line is found."""

from __future__ import annotations

import argparse
import re
from syslog import LOG_INFO
from typing import Any

import pytest

from gloaming.api.cli import live, rig_check
from gloaming.api.http.schemas.overrides import OVERRIDE_REQUESTS, VALUES
from gloaming.api.http.schemas.states import Explanation
from gloaming.daemon.direction import overrides, states
from gloaming.daemon.direction.overrides import ASKED, TERMS, Kind
from gloaming.daemon.direction.precedence import LIMITS, PRECEDENCE
from gloaming.daemon.direction.score import State
from gloaming.daemon.direction.states import GIVEN, ROUTINE, STATES
from gloaming.daemon.planner.store import STATE_LEVELS
from tests.places import TOP

PAGE = TOP / "api" / "http" / "page"


def check_kinds() -> None:
    """Every kind has its terms, its command with its help, its schema, and its place in the precedence or beside it.

    The kinds of a hold have no command: nobody can ask for them.
    """
    assert set(TERMS) == set(Kind)
    subparsers = argparse.ArgumentParser().add_subparsers()
    live.add_parser(subparsers)
    rig_check.add_parser(subparsers)
    by_hand = {kind for kind in Kind if not TERMS[kind].of_a_hold}
    assert set(subparsers.choices) & set(Kind) == by_hand
    assert {TERMS[kind].help for kind in by_hand} <= {choice.help for choice in subparsers._choices_actions}
    assert set(OVERRIDE_REQUESTS) == set(ASKED) == {kind for kind in Kind if not TERMS[kind].of_its_own}
    assert {key for terms in TERMS.values() for key in (terms.key, *terms.instead) if key} == set(VALUES)
    assert {line.claim for line in (*PRECEDENCE, *LIMITS)} >= set(Kind) - {Kind.SKIP}
    assert len({terms.name for terms in TERMS.values()}) == len(Kind)


def check_states() -> None:
    """Every state has its terms, and with them its name, its place in the answers, and the level of its line."""
    assert set(STATES) == set(STATE_LEVELS) == set(State)
    assert Explanation.model_json_schema()["$defs"]["State"]["enum"] == list(State)
    assert len({terms.name for terms in STATES.values()}) == len(State)
    assert {"playing", "waiting"} == GIVEN
    assert {"playing", "waiting", "paused", "dark"} == ROUTINE
    assert all(STATE_LEVELS[state] == LOG_INFO for state in ROUTINE)


def test_every_kind_and_every_state_is_known_everywhere() -> None:
    check_kinds()
    check_states()


@pytest.mark.parametrize("kind", list(Kind))
def test_a_kind_that_is_left_out_is_found(kind: Kind, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(overrides.TERMS, kind)
    with pytest.raises((AssertionError, KeyError)):
        check_kinds()


@pytest.mark.parametrize("state", list(State))
def test_a_state_that_is_left_out_is_found(state: State, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(states.STATES, state)
    with pytest.raises((AssertionError, KeyError)):
        check_states()


def test_the_page_has_no_names_of_its_own() -> None:
    """It shows the names that come with the answers."""
    script = "".join(path.read_text() for path in sorted(PAGE.rglob("*.js")))
    names: Any = [*(terms.name for terms in STATES.values()), *(terms.name for terms in TERMS.values())]
    tables = [name for name in names if re.search(rf': "{name}"', script)]
    assert tables == []
    assert all(key in script for key in ("now.state_name", "now.next_state_name", "each.kind_name"))


@pytest.mark.parametrize("kind", ASKED)
def test_the_model_of_a_kind_has_the_keys_of_its_terms_and_no_others(kind: Kind) -> None:
    terms, model = TERMS[kind], OVERRIDE_REQUESTS[kind]
    ends = {"minutes", "until"} if terms.lasts else set()
    zone = {"zone"} if terms.in_zones else set()
    assert set(model.model_fields) == {"kind", *([terms.key] if terms.key else []), *terms.instead, *ends, *zone}
    needed = {key for key, field in model.model_fields.items() if field.is_required()}
    assert needed == {
        "kind",
        *([terms.key] if terms.needed and terms.key and not terms.instead else []),
        *(zone if terms.zone_needed else ()),
    }
