"""The `gloaming` command: finds the module of a call, runs it, and prints each mistake on one line."""

from __future__ import annotations

import argparse
import math
import os
import signal
import sys
import time
from collections.abc import Callable, Sequence
from importlib import import_module
from io import TextIOWrapper
from pathlib import Path

from gloaming.api.cli.parser import Group, Parser, add_command, argument, print_help_of
from gloaming.shows.config_files.errors import InputError

FAMILIES = (
    "new",
    "demo",
    "run",
    "timetable",
    "live",
    "pair",
    "outside",
    "journal",
    "triggers",
    "holds",
    "frames",
    "record",
    "survey",
    "rig",
    "rig_check",
    "controllers",
    "network",
    "boards",
    "repairs",
    "sound",
    "site",
    "backup",
    "completion",
)
"""The modules of `gloaming.api.cli`, each with an `add_parser`. They import what is slow when they are called."""

EPILOG = """\
SITE is the folder of a site. Without it: $GLOAMING_SITE, else the folder you
stand in if it has a site.toml, else the board's own site, /etc/gloaming/site.
A word that begins with a digit is a number, a length or a time: ./2026 is a
folder. `gloaming help COMMAND` explains a command, with examples."""
ERRORS_SHOWN = 20
TIDYING_S = 5.0
"""How long after a Ctrl-C another one is ignored."""


def build_parser() -> Parser:
    """The parser of the whole command."""
    from importlib.metadata import version  # slow: imported where Ctrl-C is already caught

    parser = Parser(
        prog="gloaming",
        usage="gloaming COMMAND ...",
        description="Plays a pixel-light show by itself, all season, from a small board computer.",
        epilog=EPILOG,
    )
    parser.add_argument("--version", action="version", version=f"gloaming {version('gloaming')}")
    parser.set_defaults(handler=print_help_of(parser))
    commands = parser.add_subparsers(prog="gloaming", metavar="COMMAND")
    for family in FAMILIES:
        import_module(f"gloaming.api.cli.{family}").add_parser(commands)

    def show_help(args: argparse.Namespace) -> int:
        parser.parse_args([*args.words, "--help"])
        return 0

    words = argument("words", "a command, and its verb", "frames", "all", nargs="*", metavar="COMMAND")
    add_command(
        commands,
        "help",
        "print this help, or the help of a command",
        show_help,
        words,
        examples=("help", "help pause", "help frames import"),
        group=Group.PLAY,
        json_help=None,
    )
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one call. Exit codes: 0 done, 1 the answer is no, 2 a mistake in the call or in a file."""
    if arguments is None:  # this process is the command's own
        _end_tidily()

    def call() -> int:
        args = build_parser().parse_args(arguments)
        code: int = args.handler(args)
        return code

    return exit_code_of(call)


def _end_tidily() -> None:
    """Let Ctrl-C and SIGTERM end the work by an exception, so that temporary files are removed. A second Ctrl-C of an
    impatient person does not stop the removal."""
    last_s = -math.inf

    def end(number: int, _: object) -> None:
        nonlocal last_s
        if time.monotonic() < last_s + TIDYING_S:
            return
        last_s = time.monotonic()
        if number == signal.SIGINT:
            raise KeyboardInterrupt
        sys.exit(128 + number)

    for number in (signal.SIGINT, signal.SIGTERM):
        if signal.getsignal(number) is not signal.SIG_IGN:  # as a job in the background ignores Ctrl-C
            signal.signal(number, end)


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
