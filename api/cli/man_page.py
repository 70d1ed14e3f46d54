"""The man page of `gloaming`, made from the parser. The package and systemd/install build it:
`python -m gloaming.api.cli.man_page >gloaming.1`.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import textwrap
import time
from collections.abc import Iterator
from datetime import UTC, date, datetime

from gloaming.api.cli.parser import Group, Parser, commands_of
from gloaming.api.cli.where import BOARD_SITE, BOARD_STATE, VARIABLE

COLUMNS = 70
"""Escaped, a line has a few more."""
FILES = {
    str(BOARD_SITE): "the site of the installed service",
    str(BOARD_STATE): "its state: overrides, journal, passcode",
    "/usr/share/doc/gloaming/README.md": "the manual",
}
ENVIRONMENT = {
    VARIABLE: "the folder of the site, where a call names none",
    "NO_COLOR": "not empty: nothing has a colour, and no escape code is written",
}
CODES = {"0": "done", "1": "the answer is no", "2": "there is a mistake in the call or in a file"}


def man_page(parser: Parser, day: date) -> str:
    """The page in the macros of man(7). `day` is the date of the program."""
    return "\n".join(_page(parser, day)) + "\n"


def _page(parser: Parser, day: date) -> Iterator[str]:
    commands = commands_of(parser)
    yield f'.TH GLOAMING 1 {day} "gloaming"'
    yield from (".SH NAME", "gloaming \\- plays a pixel\\-light show by itself, all season")
    yield from (".SH SYNOPSIS", f"{_bold('gloaming')} COMMAND ...", ".SH DESCRIPTION", *_text(parser.description or ""))
    yield from (".PP", *_text(parser.epilog or ""))
    for group in Group:
        yield f'.SH "{group.upper()}"'
        for name, command in commands.items():
            if command.group == group:
                yield from _command(command, _help_of(parser, name))
    for title, table in (("FILES", FILES), ("ENVIRONMENT", ENVIRONMENT), ("EXIT STATUS", CODES)):
        yield f'.SH "{title}"'
        for key, text in table.items():
            yield from (".TP", _bold(key), *_text(text))


def _command(command: Parser, text: str) -> Iterator[str]:
    """A command with its arguments and examples; then its verbs."""
    verbs = commands_of(command)
    yield f'.SS "{_escaped(command.prog)}"'
    yield from _text(f"{text[:1].upper()}{text[1:]}.")
    if not verbs:
        usage = command.format_usage().removeprefix("usage: ").split()
        yield from (".PP", _bold(command.prog) + _escaped(" ".join(["", *usage[len(command.prog.split()) :]])))
    for action in command._actions:
        if not isinstance(action, (argparse._SubParsersAction, argparse._HelpAction)):
            yield from (".TP", _name(action), *_text((action.help or "").replace("%%", "%")))
    if command.examples:
        yield from (".PP", "Examples:", ".PP", ".nf", ".RS")
        yield from (_escaped(f"gloaming {example}") for example in command.examples)
        yield from (".RE", ".fi")
    for name, verb in verbs.items():
        yield from _command(verb, _help_of(command, name))


def _name(action: argparse.Action) -> str:
    """An argument as the help shows it: --from DATE."""
    value = action.metavar or ("{" + ",".join(map(str, action.choices)) + "}" if action.choices else action.dest)
    if not action.option_strings:
        return _bold(str(value))
    value = "" if action.nargs == 0 else f" {_escaped(str(value))}"
    return ", ".join(map(_bold, action.option_strings)) + value


def _help_of(parser: Parser, name: str) -> str:
    """The line of help of a command."""
    assert parser._subparsers
    (verbs,) = parser._subparsers._group_actions
    (found,) = (one for one in verbs._choices_actions if one.dest == name)  # type: ignore[attr-defined]  # its type is private
    return str(found.help)


def _text(text: str) -> Iterator[str]:
    """Lines of running text. Empty lines part paragraphs."""
    for number, paragraph in enumerate(re.split(r"\n\s*\n", text)):
        if number:
            yield ".PP"
        yield from map(_escaped, textwrap.wrap(paragraph, COLUMNS, break_on_hyphens=False))


def _bold(text: str) -> str:
    return f"\\fB{_escaped(text)}\\fR"


def _escaped(text: str) -> str:
    """A line without what roff would read as a command (groff(7), "Escape sequences" and "Control characters")."""
    text = text.replace("\\", "\\e").replace("-", "\\-").replace('"', "\\(dq")
    return f"\\&{text}" if text.startswith((".", "'")) else text


if __name__ == "__main__":
    from gloaming.api.cli.main import build_parser

    built_s = int(os.environ.get("SOURCE_DATE_EPOCH", time.time()))
    sys.stdout.write(man_page(build_parser(), datetime.fromtimestamp(built_s, UTC).date()))
