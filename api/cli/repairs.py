"""`gloaming repairs`: what is to be mended outside, by the running planner."""

from __future__ import annotations

import argparse
from typing import Any

from gloaming.api.cli.http_call import call
from gloaming.api.cli.live import refused
from gloaming.api.cli.parser import (
    JSON,
    PLANNER,
    Commands,
    Group,
    Parser,
    SiteWord,
    add_command,
    add_family,
    answer,
    argument,
)


def add_parser(commands: Commands[Parser]) -> None:
    """Add `repairs` and its verbs. Alone it lists."""
    verbs = add_family(commands, "repairs", "what is to be mended outside: marks made on the phone", Group.BEFORE)
    alone: Parser = commands.choices["repairs"]
    for one in (argument("--json", JSON, action="store_true"), *PLANNER):
        one.add_to(alone)
    alone.set_defaults(handler=show, site=None)
    number = argument("id", "its number in the list", "3", type=int, metavar="ID")
    for name, help, handler, *arguments in (
        ("list", "list what is to be mended, and what was mended last", show),
        ("done", "it is mended", done, number),
        ("undo", "take a wrong mark back", take_back, number),
    ):
        example = f"repairs {name} 3" if arguments else "repairs list boathouse"
        add_command(verbs, name, help, handler, *arguments, examples=(example,), site=SiteWord.PLANNER)


def show(args: argparse.Namespace) -> int:
    """List the marks."""
    code, found = call(args, "GET", "/api/repairs")
    if code != 200:
        return refused(code, found)
    lines = [_line(one) for one in found["open"]] or ["nothing is to be mended"]
    lines += [f"{_line(one)}; mended by {one['mended_by']} {_at(one['mended'])}" for one in found["mended"]]
    answer(args, found, *lines)
    return 0


def done(args: argparse.Namespace) -> int:
    """Something is mended; exit 1 where there is no such mark."""
    return _change(args, "POST", f"/api/repairs/{args.id}/done", "mended")


def take_back(args: argparse.Namespace) -> int:
    """Take a wrong mark back; exit 1 where there is none that is open."""
    return _change(args, "DELETE", f"/api/repairs/{args.id}", "not marked any more")


def _change(args: argparse.Namespace, method: str, path: str, how: str) -> int:
    code, found = call(args, method, path)
    if code != 200:
        return refused(code, found)
    answer(args, found, f"{_place(found)} is {how}: {found['text']}")
    return 0


def _line(mark: Any) -> str:
    more = "".join(f"; {mark[key]}" for key in ("absence", "hint") if mark[key] and not mark["mended"])
    return f"{mark['id']:>4}  {_place(mark)}: {mark['text']}, by {mark['who']} {_at(mark['at'])}{more}"


def _place(mark: Any) -> str:
    return mark["part"] if mark["pixel"] is None else f"{mark['part']}, pixel {mark['pixel']}"


def _at(instant: str) -> str:
    return f"{instant[:10]} {instant[11:16]}"
