"""`gloaming controllers`: whether each answers, and what was sent to it, by the running planner."""

from __future__ import annotations

import argparse
from typing import Any

from gloaming.api.cli.http_call import call
from gloaming.api.cli.live import refused
from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, answer


def add_parser(commands: Commands[Parser]) -> None:
    """Add `controllers`."""
    add_command(
        commands,
        "controllers",
        "whether each controller answers, and what was sent to it; exit 1 if one does not answer",
        show,
        examples=("controllers", "controllers boathouse"),
        group=Group.BEFORE,
        site=SiteWord.PLANNER,
    )


def show(args: argparse.Namespace) -> int:
    """Print a line for each; exit 1 if one does not answer or does not take packets."""
    from rich.console import Console
    from rich.markup import escape

    code, rig = call(args, "GET", "/api/rig")
    if code != 200:
        return refused(code, rig)
    found = rig["controllers"]
    if args.json:
        answer(args, found)
    else:
        console = Console(highlight=False, soft_wrap=True)
        for one in found:
            style = "red" if _fails(one) else "green" if one["answers"] else "none"
            console.print(f"[{style}]{escape(one['name'])} {one['words']}[/], {escape('; '.join(_about(one)))}")
            for node in one.get("nodes", ()):  # an older planner has none
                console.print(f"  {escape(node_line(node, one['address']))}")
    return 1 if any(map(_fails, found)) else 0


def node_line(node: Any, address: str | None) -> str:
    """What an Art-Net node of a controller says, with its address where that is not the controller's."""
    at = "" if node["address"] == address else f" at {node['address']}"
    return f"Art-Net{at}: {node['text']}"


def _fails(one: Any) -> bool:
    return one["answers"] is False or bool(one["last_error"] and one["last_error"]["stands"])


def _about(one: Any) -> list[str]:
    """Since when, where it is, what depends on it, what was sent, and the last error."""
    error = one["last_error"]
    not_taken = f", {one['errors']:,} not taken" if one["errors"] else ""
    about = [one["way"], ", ".join(one["strings"]) or "no string"]
    if one["since"]:  # this board feeds it
        about = [f"since {_at(one['since'])}", *about, f"{one['packets']:,} packets sent{not_taken}"]
    if error:
        about.append(f"{'error since' if error['stands'] else 'last error'} {_at(error['at'])}: {error['text']}")
    return about


def _at(instant: str) -> str:
    return instant[:16].replace("T", " ")
