"""`gloaming frames ...`: the verbs and their arguments. What they do is in frames_verbs, loaded when one is called."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

Verbs = argparse._SubParsersAction  # argparse has no public name for it


def add_parser(subparsers: Verbs[argparse.ArgumentParser]) -> None:
    """Add `frames` and its verbs. Every handler takes the parsed arguments and returns an exit code."""
    frames = subparsers.add_parser("frames", help="look at frame files, check them, make them")
    verbs = frames.add_subparsers(metavar="VERB", required=True)

    info = _verb(verbs, "info", "what a frame file says of itself")
    verify = _verb(verbs, "verify", "read every byte; exit 1 if any of it is damaged")
    for parser in (info, verify):
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument("--json", action="store_true", help="print one JSON object")

    parser = _verb(verbs, "import", "make a frame file of an array")
    parser.add_argument("source", type=Path, metavar="IN.npy", help="an array (frames, slots) of uint8")
    _out(parser)
    parser.add_argument("--fps", required=True, help="frames a second: 25, 29.97, 30000/1001")
    parser.add_argument("--universes", default="1", help="the first universe (1), a range (1-13) or a list (1-4,8)")
    parser.add_argument("--slots", type=int, default=510, help="slots in a universe (default: %(default)s)")

    parser = _verb(verbs, "mend", "finish a frame file whose writer was killed")
    parser.add_argument("file", type=Path, metavar="FILE.part")
    _out(parser)


def _verb(verbs: Verbs[argparse.ArgumentParser], name: str, help_: str) -> argparse.ArgumentParser:
    parser = verbs.add_parser(name, help=help_, description=help_)
    parser.set_defaults(handler=_handler(f"{name}_".replace("-", "_")))
    return parser


def _handler(function: str) -> Callable[[argparse.Namespace], int]:
    def handler(args: argparse.Namespace) -> int:
        code: int = getattr(import_module("gloaming.api.commands.frames_verbs"), function)(args)
        return code

    return handler


def _out(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("out", type=Path, metavar="OUT.frames")
