"""Overrides of several boards: any order of arrival comes to the same, and one board alone is as it ever was."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import datetime
from functools import reduce
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.direction.areas import decide_areas
from gloaming.daemon.direction.merged import join, merged
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.requests import Refusal, ask
from gloaming.daemon.direction.trigger_rule import is_trigger
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.situation import Situation
from gloaming.daemon.planner.store import Store
from gloaming.shows.config_files.errors import InputError
from tests.cases import cases
from tests.daemon.direction.drawn_facts import AT, S, overrides
from tests.daemon.quay_site import EVENING, TABLES, ns, site_of


@settings(max_examples=cases(60))
@given(overrides(1, 100), overrides(1, 100), overrides(1, 100))
def test_versions_join_in_any_order_and_any_number_of_times(a: Override, b: Override, c: Override) -> None:
    b, c = replace(b, id=a.id), replace(c, id=a.id)
    assert join(a, b) == join(b, a)
    assert join(join(a, b), c) == join(a, join(b, c))
    assert join(a, a) == a
    assert join(join(a, b), b) == join(a, b)


def test_of_two_versions_the_newer_counts_and_of_two_ends_the_earlier() -> None:
    one = Override(1 << 28, Kind.DIM, AT, AT + 900 * S, level=0.5, author="quay", changed_by="quay")
    ended = one.changed("east", ended_ns=AT + 60 * S)
    moved = one.changed("quay").changed("quay", until_ns=AT + 1800 * S)
    both = join(ended, moved)
    assert (both.version, both.until_ns, both.ended_ns) == (3, AT + 1800 * S, AT + 60 * S)
    assert join(both, one.changed("west", ended_ns=AT + 30 * S)).ended_ns == AT + 30 * S


@settings(max_examples=cases(50))
@given(st.lists(overrides(near_s=50), max_size=12, unique_by=lambda one: one.id), st.randoms(use_true_random=False))
def test_what_is_merged_does_not_depend_on_the_order_of_arrival(found: list[Override], chance: random.Random) -> None:
    shuffled = chance.sample(found, len(found))
    assert merged(shuffled) == merged(found)
    assert merged(merged(found)) == merged(found)
    ids = [one.id for one in sorted(found, key=lambda one: (one.at_ns, one.id))]
    stays = {one.id for one in found if not (one.kind == Kind.CALL and is_trigger(one.who))} | set(ids[:1])
    assert [id for id in ids if id in stays] == [one.id for one in merged(found) if one.id in stays]


@settings(max_examples=cases(60))
@given(st.lists(overrides(near_s=50), max_size=12, unique_by=lambda one: one.id))
def test_what_is_merged_is_what_one_board_ends_when_it_is_asked(found: list[Override]) -> None:
    """Each override, in its order, ends those in force that it replaces. A piece that waits begins nowhere here."""
    expected: list[Override] = []
    found = [replace(one, who="Ada") for one in found]  # the calls of triggers have a rule of their own
    for one in sorted(found, key=lambda one: (one.at_ns, one.id)):
        expected = [
            replace(each, ended_ns=one.at_ns)
            if one.replaces(each) and one.at_ns < min(each.end_ns, one.end_ns) and not (one.piece and each.after)
            else each
            for each in expected
        ]
        expected.append(one)
    assert merged(found) == tuple(expected)


@settings(max_examples=cases(50))
@given(st.lists(overrides(3, 50), max_size=10), st.randoms(use_true_random=False))
def test_boards_that_hear_all_versions_know_the_same_whatever_they_heard_first(
    versions: list[Override], chance: random.Random
) -> None:
    def known(heard: list[Override]) -> tuple[Override, ...]:
        by_id: dict[int, list[Override]] = {}
        for one in heard:
            by_id.setdefault(one.id, []).append(one)
        return merged(reduce(join, of_an_id) for of_an_id in by_id.values())

    assert known(chance.sample(versions, len(versions))) == known(versions)


def test_two_boards_that_were_apart_agree_about_two_pauses_and_about_lights_off() -> None:
    def asked(id: int, kind: Kind, minute: int, board: str, **more: object) -> Override:
        values = {"until_ns": AT + 3600 * S, "author": board, "changed_by": board, **more}
        return Override(id << 28, kind, AT + minute * 60 * S, **values)  # type: ignore[arg-type]  # any keys

    quay = asked(1, Kind.PAUSE, 0, "quay")
    east = asked(2, Kind.PAUSE, 5, "east", until_ns=AT + 1200 * S)
    short, again = merged((east, quay))
    assert (short.id, short.end_ns) == (quay.id, east.at_ns)
    assert again == east
    dark, burn_in = asked(3, Kind.DARK, 6, "west"), asked(4, Kind.BURN_IN, 1, "quay", level=0.3)
    assert merged((dark, burn_in))[0].ended_ns == dark.at_ns


def pressed(n: int, at_s: float, board: str, **more: object) -> Override:
    """A call of a trigger."""
    at_ns = AT + int(at_s * S)
    values = {"who": "trigger gate", "show": "short", "author": board, "changed_by": board, **more}
    return Override(n << 28, Kind.CALL, at_ns, at_ns + 300 * S, **values)  # type: ignore[arg-type]  # any keys


def test_two_boards_that_call_for_one_press_have_called_once() -> None:
    first, again = pressed(2, 0, "quay"), pressed(1, 2, "east")
    assert merged((again, first)) == (first,)
    person = pressed(1, 2, "east", ended_ns=AT + 60 * S, ended_by="Ada")
    assert merged((person, first)) == (replace(first, ended_ns=AT + 60 * S, ended_by="Ada"),), "on either board"
    others = (first, pressed(3, 10, "east"), pressed(4, 12, "east"), pressed(5, 13, "east", who="trigger path"))
    assert [one.id >> 28 for one in merged(others)] == [2, 3, 4, 5], "another press, and another trigger"
    people = pressed(6, 0, "quay", who="Ada"), pressed(7, 1, "east", who="Ada")
    assert len(merged(people)) == 2
    three = merged(pressed(n, 4 * n, board) for n, board in enumerate(("quay", "east", "west", "quay")))
    assert [one.at_ns - AT for one in three] == [0, 12 * S], "counted from the call that stays"


REQUESTS = (
    {"kind": "pause"},
    {"kind": "pause", "minutes": 2, "show_continues": True},
    {"kind": "dark", "minutes": 3},
    {"kind": "call", "show": "turn of the year", "minutes": 4},
    {"kind": "call", "piece": "bells"},
    {"kind": "call", "piece": "lanterns"},
    {"kind": "call", "piece": "swell", "after": True},
    {"kind": "call", "piece": "tide", "after": True},
    {"kind": "dim", "level": 0.4, "minutes": 5},
    {"kind": "mute", "minutes": 5},
    {"kind": "skip"},
)


@pytest.mark.parametrize("seed", range(6))
def test_one_board_that_is_asked_for_all_decides_as_if_nothing_were_merged(tmp_path: Path, seed: int) -> None:
    """The ends that it stores as it is asked are those of `merged`: the same is shown at every instant."""
    chance = random.Random(seed)
    site = site_of(tmp_path / "site", TABLES, EVENING)
    at = [ns("2026-12-12T18:00:00")]
    store = Store(tmp_path / "state", at[0])
    board = Situation(site, store, Clock(0, lambda: at[0], lambda: at[0]), lambda: None)
    count = 0
    for _ in range(cases(25)):
        at[0] += chance.choice((1, 400, 900, 5_000, 40_000, 90_000)) * 10**6
        standing = board.standing(at[0])
        if standing and chance.random() < 0.3:
            board.end(chance.choice(standing).id, at[0])
            continue
        try:
            asked = ask(chance.choice(REQUESTS), at[0], site, board.overrides, "Ada")
        except (Refusal, InputError):
            continue
        board.add(asked, board.replaced_by(asked))
        count += 1
    assert count > 5
    stored = store.overrides(0)
    for moment in {edge + shift for one in stored for edge in (one.at_ns, one.end_ns) for shift in (-1, 0, S)}:
        alone, shared = (decide_areas(moment, site, those, ()) for those in (stored, merged(stored)))
        assert alone == shared, datetime.fromtimestamp(moment / S, site.timezone)
    store.close()
