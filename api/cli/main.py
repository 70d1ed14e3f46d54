"""The `gloaming` command: finds the module of a call, runs it, and prints each mistake on one line."""

from __future__ import annotations

import argparse
import os
import re
import sys
from collections.abc import Callable, Sequence
from difflib import get_close_matches
from importlib import import_module
from io import TextIOWrapper
from pathlib import Path
from typing import Any, NoReturn

from gloaming.shows.config_files.errors import InputError

FAMILIES = (
    "new",
    "demo",
    "run",
    "timetable",
    "live",
    "pair",
    "journal",
    "frames",
    "record",
    "survey",
    "rig",
    "rig_check",
    "sound",
    "site",
)
"""The modules of `gloaming.api.cli`, each with an `add_parser`. They import what is slow when they are called."""

ERRORS_SHOWN = 20


class _Parser(argparse.ArgumentParser):
    """Reports a wrong call on one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {_plain(message)}; see {self.prog} --help\n")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """Let the command itself report the words that it does not know: its own help says what it takes."""
        found, left_over = super().parse_known_args(args, namespace)
        if left_over:
            self.error(f"unrecognized arguments: {' '.join(left_over)}")
        return found, left_over


def _plain(message: str) -> str:
    """A message of argparse in plain words."""
    message = re.sub(r"invalid int value: (.*)", r"\1 is not a whole number; as 12", message)
    message = re.sub(r"invalid float value: (.*)", r"\1 is not a number; as 12 or 0.5", message)
    if choice := re.search(r"invalid choice: '(.*)' \(choose from (.*)\)", message):
        names = re.findall(r"[\w-]+", choice[2])
        near = get_close_matches(choice[1], names, 1)
        meant = f"did you mean {near[0]}?" if near else f"use {', '.join(names)}"
        message = f"{message[: choice.start()]}there is no '{choice[1]}' here; {meant}"
    return message


def build_parser() -> argparse.ArgumentParser:
    """The parser of the whole command."""
    from importlib.metadata import version  # slow: imported where Ctrl-C is already caught

    parser = _Parser(
        prog="gloaming", description="Plays a pixel-light show by itself, all season, from a small board computer."
    )
    parser.add_argument("--version", action="version", version=f"gloaming {version('gloaming')}")
    subparsers = parser.add_subparsers(metavar="COMMAND", required=True)
    for family in FAMILIES:
        import_module(f"gloaming.api.cli.{family}").add_parser(subparsers)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one call. Exit codes: 0 done, 1 the answer is no, 2 a mistake in the call or in a file."""

    def call() -> int:
        args = build_parser().parse_args(arguments)
        code: int = args.handler(args)
        return code

    return exit_code_of(call)


def exit_code_of(work: Callable[[], int]) -> int:
    """Do the work; print an error on one line. The exit code of either."""
    _ready_streams()
    try:
        try:
            return work()
        finally:
            sys.stdout.flush()  # an error must come here, not when the interpreter ends
    except InputError as error:
        for config_error in error.errors[:ERRORS_SHOWN]:
            print(config_error, file=sys.stderr)
        if len(error.errors) > ERRORS_SHOWN:
            print(f"and {len(error.errors) - ERRORS_SHOWN} more mistakes", file=sys.stderr)
        return 2
    except BrokenPipeError:
        _write_nowhere()
        return 0
    except OSError as error:
        _write_nowhere()
        print(f"{error.filename or 'gloaming'}: {error.strerror or error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130


def _ready_streams() -> None:
    """Write letters that the terminal does not know by their numbers. Open closed streams on /dev/null, so that no file
    takes their number, here or in a child process."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        stream = getattr(sys, name)
        if stream is None:
            stream = Path(os.devnull).open(mode)  # noqa: SIM115  # open until the process ends
            os.set_inheritable(stream.fileno(), True)
            setattr(sys, name, stream)
        elif mode == "w" and isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def _write_nowhere() -> None:
    """If standard output cannot be written, drop what it still holds, so that Python does not try again at its end."""
    try:
        sys.stdout.flush()
    except OSError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    sys.exit(main())
