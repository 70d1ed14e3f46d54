"""`gloaming rig-check` and `gloaming burn-in`: test patterns on the rig, by the running planner."""

from __future__ import annotations

import argparse
from textwrap import fill
from typing import Any

from gloaming.api.cli.live import call, end_all, print_taken, refused
from gloaming.api.cli.parser import COLUMNS, Commands, Group, Parser, SiteWord, add_command, argument, one_of
from gloaming.daemon.direction.overrides import CHECKS, TERMS, Kind
from gloaming.shows.rig.pattern_names import COLOURS, KINDS

EVERY = "the whole rig"
PLACES = (
    one_of(
        argument("--string", metavar="STRING", help="on this string alone", example="ridge", usual=EVERY),
        argument(
            "--fixture",
            metavar="FIXTURE",
            help="on this fixture alone: never strobe or fog",
            example="lamp",
            usual=EVERY,
        ),
        argument("--controller", metavar="CONTROLLER", help="on this one alone", example="left", usual=EVERY),
        argument("--zone", metavar="ZONE", help="on this zone, or this group of strings", example="roof", usual=EVERY),
    ),
    argument(
        "--port",
        metavar="PORT",
        help="on this port alone: its name, or its number with --controller",
        example='"3 of left"',
        usual=EVERY,
    ),
    argument("--colour", choices=COLOURS, help="the colour", example="red", usual="white"),
    argument("--level", type=float, metavar="LEVEL", help="how bright, 0.01 to 1", example="0.5", usual="0.3"),
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
        argument("pattern", choices=(*KINDS, "end"), metavar="PATTERN", help="one of those below", example="walk"),
        argument(
            "number",
            nargs="?",
            type=int,
            metavar="NUMBER",
            help="which pixel, or which universe",
            example="37",
            usual="needed for the patterns pixel and universe",
        ),
        *PLACES,
        argument("--minutes", type=float, metavar="MINUTES", help="how long, 10 at the most", example="5", usual="10"),
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
            nargs="?",
            type=float,
            default=(terms.usual_minutes or 0) / 60,
            metavar="HOURS",
            help=f"how long, {terms.longest_minutes // 60} at the most",
            example="8",
        ),
        argument("--pattern", choices=KINDS, metavar="PATTERN", help="one of those below", usual="colours"),
        argument("--number", type=int, metavar="NUMBER", help="which pixel, or which universe", example="37"),
        *PLACES,
        examples=("burn-in", "burn-in 8 --controller left", "burn-in 24 --pattern colour --level 0.5", "rig-check end"),
        group=Group.BEFORE,
        site=SiteWord.PLANNER,
        description=f"{terms.help}. {terms.caution}",
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
