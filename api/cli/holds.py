"""`gloaming holds`: what from outside keeps the light off or low, by the running planner."""

from __future__ import annotations

import argparse
from typing import Any

from gloaming.api.cli.http_call import call
from gloaming.api.cli.live import refused
from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, answer


def add_parser(commands: Commands[Parser]) -> None:
    """Add `holds`."""
    add_command(
        commands,
        "holds",
        "the holds: the last reading of each, whether it holds, and why",
        show,
        examples=("holds", "holds boathouse"),
        group=Group.AFTER,
        site=SiteWord.PLANNER,
    )


def show(args: argparse.Namespace) -> int:
    """List the holds."""
    code, found = call(args, "GET", "/api/holds")
    if code != 200:
        return refused(code, found)
    lines = [line for one in found["holds"] for line in _lines(one)]
    answer(args, found, *(lines or ["the site has no hold"]))
    return 0


def _lines(hold: Any) -> list[str]:
    place = hold["zone"] or "the rig"
    makes = f"makes {place} {hold['makes']}" + (f", to {hold['level']:.0%}" if hold["level"] is not None else "")
    state = f"holds since {_at(hold['since'])}" if hold["holds"] else "does not hold"
    lines = [f"{hold['name']} {makes}: it {state}: {hold['text']}"]
    heard = "none yet" if hold["heard"] is None else f"{hold['reading']} at {_at(hold['heard'])}"
    lines.append(f"    last reading: {heard}" + ("; the source is silent" if hold["silent"] else ""))
    if hold["board"]:
        lines.append(f"    of the boards, {hold['board']} acts on it")
    if hold["ended_until"]:
        lines.append(f"    a person has ended it until {_at(hold['ended_until'])}")
    elif hold["holds"] and hold["may_end"]:
        lines.append(f"    gloaming undo {hold['override']} ends it for an hour")
    return lines + ([f"    {hold['problem']}"] if hold["problem"] else [])


def _at(instant: str) -> str:
    return f"{instant[:10]} {instant[11:19]}"
