"""The kinds of override and the states: each place that speaks of them has them all."""

from __future__ import annotations

import argparse
import re

import pytest

from gloaming.api.commands import live
from gloaming.api.http.schemas import OVERRIDE_KEYS, Why, override_schema
from gloaming.daemon.direction.overrides import ASKED, TERMS, Kind
from gloaming.daemon.direction.score import State
from tests.places import TOP

PAGE = TOP / "api" / "http" / "page" / "tell.js"


def words_of_the_page(name: str) -> set[str]:
    """The keys of a table of words in the page's script."""
    line = next(line for line in PAGE.read_text().splitlines() if line.startswith(f"const {name} = "))
    return {quoted or plain for quoted, plain in re.findall(r'(?:"([a-z-]+)"|([a-z]+)): "', line)}


def test_every_kind_has_its_terms_and_its_word_on_the_page() -> None:
    assert set(TERMS) == words_of_the_page("KINDS") == set(Kind)
    assert set(ASKED) == set(Kind) - {Kind.RIG_CHECK}


def test_every_kind_that_is_asked_for_has_a_command_and_a_schema() -> None:
    subparsers = argparse.ArgumentParser().add_subparsers()
    live.add_parser(subparsers)
    assert set(ASKED) <= set(subparsers.choices)
    kinds = {one["properties"]["kind"]["const"] for one in override_schema(["evening"])["anyOf"]}
    assert kinds == set(ASKED)
    assert {terms.key for terms in TERMS.values() if terms.key} == set(OVERRIDE_KEYS)


def test_a_kind_without_a_text_for_its_command_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(live.HELP, Kind.MUTE)
    with pytest.raises(KeyError):
        live.add_parser(argparse.ArgumentParser().add_subparsers())


def test_every_state_is_an_answer_and_has_its_word_on_the_page() -> None:
    assert words_of_the_page("STATES") == set(State)
    assert Why.model_json_schema()["$defs"]["State"]["enum"] == list(State)
