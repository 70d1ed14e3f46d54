"""The `gloaming` command: finds the family a call belongs to, runs it, and turns mistakes into one line each."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib import import_module
from importlib.metadata import version
from typing import NoReturn

from gloaming.shows.mistake import MistakeError

FAMILIES = ("demo", "run", "timetable", "live", "pair", "journal", "frames", "record", "survey", "rig_check", "sound")
"""The modules of `gloaming.api.commands`, each with an `add_parser`; what they need they import when called."""

SHOWN = 20


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with a call on one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def build_parser() -> argparse.ArgumentParser:
    """The parser of the whole command."""
    parser = _Parser(
        prog="gloaming", description="Plays a pixel-light show by itself, all season, from a small board computer."
    )
    parser.add_argument("--version", action="version", version=f"gloaming {version('gloaming')}")
    subparsers = parser.add_subparsers(metavar="COMMAND", required=True)
    for family in FAMILIES:
        import_module(f"gloaming.api.commands.{family}").add_parser(subparsers)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one call. Exit codes: 0 done, 1 the answer is no, 2 the call or the files are wrong."""
    try:
        args = build_parser().parse_args(arguments)
        code: int = args.handler(args)
    except MistakeError as error:
        for mistake in error.mistakes[:SHOWN]:
            print(mistake, file=sys.stderr)
        if len(error.mistakes) > SHOWN:
            print(f"and {len(error.mistakes) - SHOWN} more mistakes", file=sys.stderr)
        return 2
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        return 130
    return code


if __name__ == "__main__":
    sys.exit(main())
