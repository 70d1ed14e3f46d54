"""The help of every command: groups, a line, an example and a default for each argument, 80 columns, no short forms."""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Iterator
from typing import Any

import pytest

from gloaming.api.cli.main import build_parser, main
from gloaming.api.cli.parser import COLUMNS, Group, Parser

UNANSWERED = {f"gloaming {name}" for name in ("completion", "help", "new", "run", "site schema", "sound test")}
"""Commands without --json: they ask, play, or print a document of another kind."""


def parsers(parser: Parser) -> Iterator[Parser]:
    """A parser and all below it."""
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below in action.choices.values():
                yield from parsers(below)


EVERY = {parser.prog: parser for parser in parsers(build_parser())}
CALLED = {name: parser for name, parser in EVERY.items() if parser.examples}
"""The commands that do something; the others have verbs."""


def run(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    """What a call prints that ends well."""
    try:
        assert main(words) == 0
    except SystemExit as end:
        assert end.code in (0, None)
    printed = capsys.readouterr()
    assert printed.err == ""
    return printed.out


def test_every_command_is_in_one_group_and_has_a_line(capsys: pytest.CaptureFixture[str]) -> None:
    printed = run(capsys)
    assert run(capsys, "help") == run(capsys, "--help") == printed
    at = [printed.index(f"\n{group}:\n") for group in Group]
    assert at == sorted(at)
    for name, parser in EVERY.items():
        if len(name.split()) == 2:
            assert printed.count(f"\n  {name.split()[1]} ") == 1, name
            assert parser.group in Group
    assert len(EVERY) > 40


@pytest.mark.parametrize("name", sorted(EVERY.keys() - CALLED - {"gloaming repairs"}))
def test_a_command_alone_that_needs_a_verb_prints_its_help(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = name.split()[1:]
    assert run(capsys, *words) == run(capsys, "help", *words) == run(capsys, *words, "--help")


@pytest.mark.parametrize("name", sorted(CALLED))
def test_every_argument_has_a_line_an_example_and_its_default(name: str) -> None:
    for action in CALLED[name]._actions:
        called = action.option_strings or action.dest
        if isinstance(action, argparse._HelpAction):
            continue
        assert action.help and len(action.help) > 8, called
        if action.nargs == 0:
            continue  # a flag is its own example; without it nothing of it happens
        example: Any = getattr(action, "example", None)
        assert example and f"as {example}" in action.help, called
        value = shlex.split(example)[0]
        read = action.type(value) if callable(action.type) else value
        assert action.choices is None or read in action.choices, called
        needed = action.required if action.option_strings else action.nargs not in ("?", "*")
        assert needed or "default: " in action.help, called
        assert action.metavar or action.choices, called


@pytest.mark.parametrize("name", sorted(CALLED))
def test_every_example_is_a_call_of_its_command(name: str) -> None:
    for example in CALLED[name].examples:
        assert f"gloaming {example}".startswith(name)
        parsed = build_parser().parse_args(shlex.split(example))
        assert callable(parsed.handler)


@pytest.mark.parametrize("name", sorted(EVERY))
@pytest.mark.parametrize("columns", ["80", "200"])
def test_the_help_fits_80_columns(name: str, columns: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    printed = EVERY[name].format_help()
    assert [line for line in printed.splitlines() if len(line) > COLUMNS] == []
    assert printed.startswith("usage: gloaming")


@pytest.mark.parametrize("name", sorted(CALLED))
def test_every_command_answers_in_json_or_is_known_not_to(name: str) -> None:
    options = [option for action in CALLED[name]._actions for option in action.option_strings]
    assert ("--json" in options) != (name in UNANSWERED)


@pytest.mark.parametrize(
    "words",
    ["now --jso", "frames info tide.frames --js", "--vers", "journal --repo", "pair --view", "rig sheet --ht x"],
)
def test_no_option_is_shortened(words: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="2"):
        main(words.split())
    assert capsys.readouterr().err.count("\n") == 1
    assert not any(parser.allow_abbrev for parser in EVERY.values())
