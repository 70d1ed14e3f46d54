"""`gloaming rig-check` and `gloaming burn-in`: test patterns on the rig, by the running planner."""

from __future__ import annotations

import argparse
from textwrap import fill
from typing import Any

from gloaming.api.cli.http_call import call
from gloaming.api.cli.live import end_all, print_taken, refused
from gloaming.api.cli.parser import COLUMNS, Commands, Group, Parser, SiteWord, add_command, argument, one_of
from gloaming.daemon.direction.overrides import CHECKS, TERMS, Kind
from gloaming.shows.rig.pattern_names import COLOURS, KINDS

EVERY = "the whole rig"
FOR_A_NUMBER = "needed for the patterns pixel and universe"
PLACES = (
    one_of(
        argument("--string", "on this string alone", "ridge", EVERY, metavar="STRING"),
        argument("--fixture", "on this fixture alone: never strobe or fog", "lamp", EVERY, metavar="FIXTURE"),
        argument("--controller", "on this one alone", "left", EVERY, metavar="CONTROLLER"),
        argument("--zone", "on this zone, or this group of strings", "roof", EVERY, metavar="ZONE"),
    ),
    argument(
        "--port", "on this port alone: its name, or its number with --controller", '"3 of left"', EVERY, metavar="PORT"
    ),
    argument("--colour", "the colour", "red", "white", choices=COLOURS),
    argument("--level", "how bright, 0.01 to 1", "0.5", "0.3", type=float, metavar="LEVEL"),
)
"""Where a pattern is shown, its colour and its brightness."""


def add_parser(commands: Commands[Parser]) -> None:
    """Add `rig-check` and `burn-in`."""
    patterns = "patterns:\n" + "\n".join(_line(kind, what) for kind, what in KINDS.items())
    add_command(
        commands,
        "rig-check",
        TERMS[Kind.RIG_CHECK].help,
        run_rig_check,
        argument("pattern", "one of those below", "walk", choices=(*KINDS, "end"), metavar="PATTERN"),
        argument(
            "number",
            "which pixel, or which universe",
            "37",
            FOR_A_NUMBER,
            nargs="?",
            type=int,
            metavar="NUMBER",
        ),
        *PLACES,
        argument("--minutes", "how long, 10 at the most", "5", "10", type=float, metavar="MINUTES"),
        examples=(
            "rig-check strings",
            "rig-check pixel 37 --string ridge --level 0.5",
            "rig-check ends --controller left --port 3",
            "rig-check end",
        ),
        group=Group.BEFORE,
        site=SiteWord.PLANNER,
        epilog="\n".join([patterns, _line("end", "end the rig check")]),
    )
    terms = TERMS[Kind.BURN_IN]
    add_command(
        commands,
        "burn-in",
        terms.help,
        run_burn_in,
        argument(
            "hours",
            f"how long, {terms.longest_minutes // 60} at the most",
            "8",
            nargs="?",
            type=float,
            default=(terms.usual_minutes or 0) / 60,
            metavar="HOURS",
        ),
        argument("--pattern", "one of those below", "walk", "colours", choices=KINDS, metavar="PATTERN"),
        argument("--number", "which pixel, or which universe", "37", FOR_A_NUMBER, type=int, metavar="NUMBER"),
        *PLACES,
        examples=("burn-in", "burn-in 8 --controller left", "burn-in 24 --pattern colour --level 0.5"),
        group=Group.BEFORE,
        site=SiteWord.PLANNER,
        description=f"{terms.help}. {terms.caution} `gloaming rig-check end` ends it.",
        epilog=patterns,
    )


def _line(kind: str, what: str) -> str:
    return fill(f"  {kind:<10} {what}", COLUMNS - 2, subsequent_indent=" " * 13)


def run_rig_check(args: argparse.Namespace) -> int:
    """Ask for a pattern, or end the one that is shown, a burn-in too; exit 1 where it is refused."""
    if args.pattern == "end":
        return end_all(args, CHECKS, "no rig check is under way")
    code, taken = _ask(args, "minutes")
    if code != 201:
        return refused(code, taken)
    print_taken(args, taken, taken["check"])
    return 0


def run_burn_in(args: argparse.Namespace) -> int:
    """Ask for a burn-in; exit 1 where it is refused."""
    code, taken = _ask(args, "hours")
    if code != 201:
        return refused(code, taken)
    dark = (f"meanwhile: {one['text']}: no light" for one in taken["dark"])
    print_taken(args, taken, f"burn-in, {taken['check']}", *dark, taken["caution"])
    return 0


def _ask(args: argparse.Namespace, length: str) -> tuple[int, Any]:
    from gloaming.api.http.schemas.requests import rig_check_request
    from gloaming.shows.rig.model import port_name

    keys = ("pattern", "number", "string", "fixture", "controller", "zone", "port", "colour", "level", length)
    if args.port and args.port.isdecimal() and args.controller:
        args.port, args.controller = port_name(args.controller, int(args.port)), None
    request = rig_check_request({key: getattr(args, key) for key in keys if getattr(args, key) is not None})
    return call(args, "POST", "/api/rig-check", request)
