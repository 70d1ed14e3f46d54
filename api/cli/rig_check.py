"""`gloaming rig-check`: test patterns on the rig, by the running planner."""

from __future__ import annotations

import argparse
from textwrap import fill

from gloaming.api.cli.live import call, end_all, print_taken, refused
from gloaming.api.cli.parser import COLUMNS, Commands, Group, Parser, SiteWord, add_command, argument, one_of
from gloaming.daemon.direction.overrides import TERMS, Kind
from gloaming.shows.rig.pattern_names import COLOURS, KINDS

EVERY = "the whole rig"


def add_parser(commands: Commands[Parser]) -> None:
    """Add `rig-check`."""
    patterns = (f"  {kind:<10} {what}" for kind, what in [*KINDS.items(), ("end", "end the rig check")])
    wrapped = "\n".join(fill(line, COLUMNS - 2, subsequent_indent=" " * 13) for line in patterns)
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
            argument(
                "--zone", metavar="ZONE", help="on this zone, or this group of strings", example="roof", usual=EVERY
            ),
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
        argument("--minutes", type=float, metavar="MINUTES", help="how long, 10 at the most", example="5", usual="10"),
        examples=(
            "rig-check strings",
            "rig-check pixel 37 --string ridge --level 0.5",
            "rig-check ends --controller left --port 3",
            "rig-check end",
        ),
        group=Group.BEFORE,
        site=SiteWord.PLANNER,
        epilog=f"patterns:\n{wrapped}",
    )


def run_rig_check(args: argparse.Namespace) -> int:
    """Ask for a pattern, or end the one that is shown; exit 1 where it is refused."""
    from gloaming.api.http.schemas.requests import rig_check_request
    from gloaming.shows.rig.model import port_name

    if args.pattern == "end":
        return end_all(args, ("rig-check",), "no rig check is under way")
    keys = ("pattern", "number", "string", "fixture", "controller", "zone", "port", "colour", "level", "minutes")
    if args.port and args.port.isdecimal() and args.controller:
        args.port, args.controller = port_name(args.controller, int(args.port)), None
    request = rig_check_request({key: getattr(args, key) for key in keys if getattr(args, key) is not None})
    code, taken = call(args, "POST", "/api/rig-check", request)
    if code != 201:
        return refused(code, taken)
    print_taken(args, taken, taken["check"])
    return 0
