"""The man page: no checker has a warning about it, and it has every command with its arguments and examples."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from gloaming.api.cli.main import build_parser
from gloaming.api.cli.man_page import man_page
from gloaming.api.cli.parser import Parser, commands_of
from tests.tools import needs

PAGE = man_page(build_parser(), date(2023, 12, 1))


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("man") / "gloaming.1"
    path.write_text(PAGE)
    return path


@needs("mandoc")
def test_a_checker_finds_nothing(path: Path) -> None:
    done = subprocess.run(["mandoc", "-T", "lint", "-W", "style", path], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def every_command(parser: Parser) -> Iterator[Parser]:
    for command in commands_of(parser).values():
        yield command
        yield from every_command(command)


@needs("mandoc")
def test_a_reader_sees_every_command_with_its_arguments_and_examples(path: Path) -> None:
    done = subprocess.run(["mandoc", "-T", "utf8", "-O", "width=400", path], capture_output=True, text=True, check=True)
    text = " ".join(re.sub(r".\x08", "", done.stdout).split())
    for command in every_command(build_parser()):
        assert f" {command.prog} " in text
        section = text.partition(f" {command.prog} ")[2]
        for action in command._actions:
            for name in action.option_strings if "-h" not in action.option_strings else ():
                assert f"{name} " in section
            if action.help and "-h" not in action.option_strings:
                assert " ".join((action.help % {"prog": "gloaming"}).split()) in section
        for example in command.examples:
            assert " ".join(f"gloaming {example}".split()) in section
    assert "NO_COLOR" in text and "/var/lib/gloaming" in text


def test_a_line_that_begins_like_a_command_of_roff_is_text() -> None:
    """`.npy` at the beginning of a line would vanish (groff(7), "Control characters")."""
    assert not re.search(r"^\.(?!(TH|SH|SS|PP|TP|nf|fi|RS|RE)\b)", PAGE, re.MULTILINE)
    assert ".npy" in PAGE
