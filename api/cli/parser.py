"""How a call is read. Every command is added here, with its group, examples, SITE and --json."""

from __future__ import annotations

import argparse
import json
import re
import shutil
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from importlib import import_module
from pathlib import Path
from typing import Any, NoReturn

from gloaming.api.cli.where import SITE_FILE, VARIABLE, refuse_no_site

Handler = Callable[[argparse.Namespace], int]
COLUMNS = 80
JSON = "print the answer as one JSON document, and nothing else"
SHOWN = 15
"""How many choices a message lists."""
NO_SITE = re.compile(r"\d[^/]*|.*\.csv|tonight|(mon|tues|wednes|thurs|fri|satur|sun)day", re.IGNORECASE)
"""A word that is not SITE: a number, a length, a time, a day; a table."""


class Group(StrEnum):
    """The groups of commands in the help, by what a person wants to do."""

    PLAY = "play"
    TONIGHT = "tonight, by hand"
    BEFORE = "before the season"
    FRAMES = "frame files"
    AFTER = "what happened"
    ACCESS = "phones and access"


class SiteWord(StrEnum):
    """What the word SITE of a command may be."""

    FOLDER = "folder"
    PLANNER = "planner"
    """A folder; with the options that choose a running planner."""
    RIG = "rig"
    """A folder, or a rig.toml."""


@dataclass(frozen=True, slots=True)
class Argument:
    """One argument: what argparse takes, and an example of its value."""

    name: str
    options: dict[str, Any]
    example: str | None = None

    def add_to(self, container: argparse._ActionsContainer) -> None:
        """Add it to a parser or to a group of one."""
        action = container.add_argument(self.name, **self.options)
        action.example = self.example  # type: ignore[attr-defined]  # a field of ours on an action of argparse


@dataclass(frozen=True, slots=True)
class OneOf:
    """Arguments of which a call may have one."""

    arguments: tuple[Argument, ...]


def argument(name: str, help: str, example: str | None = None, usual: object = None, **options: Any) -> Argument:
    """An argument with its help, an example of its value, and its default: `usual`, else the one in `options`.

    What a call must have has no default. A flag has neither.
    """
    usual = usual if usual is not None else options.get("default")
    more = [*([f"as {example}"] if example else []), *([f"default: {usual}"] if usual is not None else [])]
    text = f"{help} ({'; '.join(more)})" if more else help
    return Argument(name, {"help": text.replace("%", "%%"), **options}, example)


def one_of(*arguments: Argument) -> OneOf:
    """Arguments of which a call may have one."""
    return OneOf(arguments)


def _site(help: str, file: str) -> Argument:
    usual = f"${VARIABLE}, else this folder if it has a {file}, else the board's own"
    return argument("site", help, "boathouse", usual, nargs="?", type=Path, metavar="SITE")


SITE = _site("the folder of the site", SITE_FILE)
RIG = _site("the folder of a rig.toml, or the file itself", "rig.toml")
STATE = argument(
    "--state", "the site's state", "/srv/state", "SITE/state; on a board /var/lib/gloaming", type=Path, metavar="DIR"
)
PLANNER = (
    STATE,
    argument("--url", "the planner's address", "http://board:8080", "the one in the state", metavar="URL"),
    argument("--token-file", "a file with a token", "phone.token", "the one in the state", type=Path, metavar="FILE"),
)


class Parser(argparse.ArgumentParser):
    """A parser of the command or of a part of it. Reports a wrong call on one line."""

    def __init__(self, **options: Any) -> None:
        super().__init__(allow_abbrev=False, formatter_class=_Formatter, **options)
        self.group: Group | None = None
        self.examples: tuple[str, ...] = ()
        self.names: SiteWord | None = None
        """What SITE may be, for a command that has it."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {_plain(message)}; see {self.prog} --help\n")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Let the command itself report the words that it does not know: its own help says what it takes.

        SITE is the first word behind those that the command needs that is no number, length, time, day or table.
        """
        words, site = self._without_site(list(args)) if self.names else (args, None)
        found, left_over = super().parse_known_args(words, namespace)
        if site is not None and found.site is not None:
            left_over = [str(found.site), *left_over]
        if left_over:
            near = get_close_matches(left_over[0], self._option_string_actions, 1, 0.8)
            meant = f"; did you mean {near[0]}?" if near else ""
            self.error(f"unrecognized arguments: {' '.join(left_over)}{meant}")
        if site is not None:
            found.site = Path(site)
        return found, left_over

    def _without_site(self, words: list[str]) -> tuple[list[str], str | None]:
        """The words without SITE, and SITE. Argparse alone would take it for the first word that may be left out."""
        needed = sum(action.nargs is None for action in self._get_positional_actions())
        at = 0
        while at < len(words) and words[at] != "--":
            if words[at].startswith("-"):
                option = self._option_string_actions.get(words[at])
                at += 1 if option is None or option.nargs == 0 else 2
                continue
            needed -= 1
            if needed < 0 and not NO_SITE.fullmatch(words[at]):
                return words[:at] + words[at + 1 :], words[at]
            at += 1
        return words, None

    def format_help(self) -> str:
        """The help. The commands of the whole command are in their groups."""
        actions = self._subparsers and self._subparsers._group_actions[0]
        if not isinstance(actions, argparse._SubParsersAction) or self.group:
            return super().format_help()
        formatter = self._get_formatter()
        formatter.add_usage(self.usage, self._actions, self._mutually_exclusive_groups)
        formatter.add_text(self.description)
        for group in Group:
            formatter.start_section(group)
            formatter.add_arguments(
                [one for one in actions._choices_actions if actions.choices[one.dest].group == group]
            )
            formatter.end_section()
        formatter.add_text(self.epilog)
        return formatter.format_help()


class _Formatter(argparse.RawDescriptionHelpFormatter):
    """Help of at most 80 columns."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=26, width=min(COLUMNS, shutil.get_terminal_size().columns) - 2)


def _plain(message: str) -> str:
    """A message of argparse in plain words."""
    message = re.sub(r"invalid int value: (.*)", r"\1 is not a whole number; as 12", message)
    message = re.sub(r"invalid float value: (.*)", r"\1 is not a number; as 12 or 0.5", message)
    if choice := re.search(r"invalid choice: '(.*)' \(choose from (.*)\)", message):
        names = re.findall(r"[\w-]+", choice[2])
        near = get_close_matches(choice[1], names, 1)
        meant = f"; did you mean {near[0]}?" if near else f"; use {', '.join(names)}" if len(names) <= SHOWN else ""
        message = f"{message[: choice.start()]}there is no '{choice[1]}' here{meant}"
    return message


Commands = argparse._SubParsersAction  # argparse has no public name for it


def add_command(
    commands: Commands[Parser],
    name: str,
    help: str,
    handler: Handler | str,
    *arguments: Argument | OneOf,
    examples: Sequence[str],
    group: Group | None = None,
    site: SiteWord | None = None,
    json_help: str | None = JSON,
    description: str = "",
    epilog: str = "",
) -> Parser:
    """Add a command. `handler` takes the parsed arguments and returns an exit code.

    A handler "module.function" is imported when it is called. `examples` are calls without the word `gloaming`.
    `group` is None for a verb of a command, `json_help` is None for a command that does not answer.
    """
    shown = "\n".join(["examples:", *(f"  gloaming {example}" for example in examples)])
    parser = commands.add_parser(
        name,
        help=help,
        description=textwrap.fill(description or help, COLUMNS - 2),
        epilog=f"{epilog}\n\n{shown}" if epilog else shown,
    )
    parser.group, parser.examples, parser.names = group, tuple(examples), site
    for one in arguments:
        container = parser.add_mutually_exclusive_group() if isinstance(one, OneOf) else parser
        for each in one.arguments if isinstance(one, OneOf) else (one,):
            each.add_to(container)
    if json_help:
        argument("--json", json_help, action="store_true").add_to(parser)
    if site:
        (RIG if site == SiteWord.RIG else SITE).add_to(parser)
    for one in PLANNER if site == SiteWord.PLANNER else ():
        one.add_to(parser)
    named = [f"{one.option_strings[0]} {one.metavar}" for one in parser._actions if one.option_strings and one.required]
    words = [
        f"[{one.metavar}]" if one.nargs in ("?", "*") else f"{one.metavar}" for one in parser._get_positional_actions()
    ]
    parser.usage = " ".join([parser.prog, *named, "[options]", *words])
    parser.set_defaults(handler=_handler(handler, site in (SiteWord.FOLDER, SiteWord.PLANNER)))
    return parser


def add_family(commands: Commands[Parser], name: str, help: str, group: Group) -> Commands[Parser]:
    """Add a command that has verbs. Alone it prints its help."""
    parser = commands.add_parser(name, help=help, description=textwrap.fill(help, COLUMNS - 2))
    parser.group = group
    parser.set_defaults(handler=print_help_of(parser))
    return parser.add_subparsers(prog=parser.prog, metavar="VERB", title="verbs")


def commands_of(parser: Parser) -> dict[str, Parser]:
    """The commands of the whole command, or the verbs of one, by name."""
    actions = parser._subparsers and parser._subparsers._group_actions[0]
    return dict(actions.choices) if isinstance(actions, argparse._SubParsersAction) else {}


def print_help_of(parser: Parser) -> Handler:
    """A handler that prints the help of a parser."""

    def handler(_: argparse.Namespace) -> int:
        parser.print_help()
        return 0

    return handler


def _handler(handler: Handler | str, names_a_site: bool) -> Handler:
    """The handler itself, imported when it is called. It refuses a SITE that is none: InputError."""

    def call(args: argparse.Namespace) -> int:
        if names_a_site and args.site is not None:
            refuse_no_site(args.site)
        if callable(handler):
            return handler(args)
        module, _, function = handler.partition(".")
        code: int = getattr(import_module(f"gloaming.api.cli.{module}"), function)(args)
        return code

    return call


def answer(args: argparse.Namespace, value: object, *lines: str) -> None:
    """Print an answer: `value` as JSON with --json, else the lines."""
    for line in [json.dumps(value, indent=2)] if args.json else lines:
        print(line)
