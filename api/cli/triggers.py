"""`gloaming triggers`: what calls from outside, how often tonight, and why not, by the running planner."""

from __future__ import annotations

import argparse
from typing import Any

from gloaming.api.cli.http_call import call
from gloaming.api.cli.live import refused
from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, answer


def add_parser(commands: Commands[Parser]) -> None:
    """Add `triggers`."""
    add_command(
        commands,
        "triggers",
        "the triggers: what each calls, how often tonight, and what was refused",
        show,
        examples=("triggers", "triggers boathouse"),
        group=Group.AFTER,
        site=SiteWord.PLANNER,
    )


def show(args: argparse.Namespace) -> int:
    """List the triggers."""
    code, found = call(args, "GET", "/api/triggers")
    if code != 200:
        return refused(code, found)
    lines = [line for one in found["triggers"] for line in _lines(one)]
    answer(args, found, *(lines or ["the site has no trigger"]))
    return 0


def _lines(trigger: Any) -> list[str]:
    place = f" on {trigger['zone']}" if trigger["zone"] else ""
    acts = f" ({trigger['board']} acts on mqtt)" if trigger["board"] else ""
    last = trigger["last_call"]
    when = f"last {last[:10]} {last[11:19]}" if last else "never yet"
    refusals = ", ".join(f"{code} {number}" for code, number in trigger["refusals"].items())
    lines = [
        f"{trigger['name']} calls {trigger['piece'] or trigger['show']}{place}, by {', '.join(trigger['by'])}{acts}",
        f"    {when}; since noon {trigger['calls']} calls, refused: {refusals or 'none'}",
    ]
    return lines + ([f"    now refused: {trigger['refused_now']['text']}"] if trigger["refused_now"] else [])
