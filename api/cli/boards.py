"""`gloaming boards`: who is in contact, what each board feeds, and whether it has what was asked for."""

from __future__ import annotations

import argparse
from typing import Any

from gloaming.api.cli.http_call import call
from gloaming.api.cli.live import refused
from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, answer


def add_parser(commands: Commands[Parser]) -> None:
    """Add `boards`."""
    add_command(
        commands,
        "boards",
        "the boards of the site: contact, what each feeds, its clock; exit 1 if one has no contact",
        show,
        examples=("boards", "boards boathouse"),
        group=Group.TONIGHT,
        site=SiteWord.PLANNER,
    )


def show(args: argparse.Namespace) -> int:
    """List the boards; exit 1 if one has no contact."""
    code, found = call(args, "GET", "/api/boards")
    if code != 200:
        return refused(code, found)
    boards = found["boards"]
    lines = [line for one in boards for line in _lines(one)]
    if boards and found["sharing"] == "none":
        lines.append("the site has no broker: what you ask for here reaches this board only")
    answer(args, found, *(lines or ["the site has no boards: one board gives all of the show"]))
    return 0 if all(one["contact"] for one in boards) else 1


def _lines(board: Any) -> list[str]:
    """A board: who it is and what it feeds; what is known of it; what is wrong with it."""
    lines = [f"{board['name']}{' (this one)' if board['this'] else ''}: {board['text']}, {_feeds(board)}"]
    about = [_clock(board["clock"])] if board["clock"] else []
    about += [f"program {board['program']}"] if board["program"] else []
    about += [board["address"]] if board["address"] else []
    lines += [f"    {', '.join(about)}"] if about else []
    if board["same_site"] is False:
        lines.append("    its site is not the same as here")
    if troubles := board["troubles"]:
        lines.append(f"    {troubles} trouble{'s' if troubles > 1 else ''}: gloaming now on that board names them")
    return lines + [f"    override {one['id']}: {one['text']}" for one in board["asked"] if not one["on_the_wire"]]


def _feeds(board: Any) -> str:
    if not board["in_site"]:
        return "not in site.toml"
    if board["spare_for"]:
        return f"spare for {board['spare_for']}" + (": it carries the light" if board["carries"] else "")
    return f"feeds {', '.join(board['controllers']) or 'nothing'}"


def _clock(clock: Any) -> str:
    if not clock["trusted"]:
        return f"clock {clock['text']}, not trusted"
    within = "" if clock["error_ms"] is None else f", within {clock['error_ms']} ms"
    apart, offset_ms = "", clock["offset_ms"]
    if offset_ms is not None:
        apart = f", {abs(offset_ms)} ms {'behind' if offset_ms < 0 else 'ahead of'} this one"
    return f"clock {clock['text']}{within}{apart}"
