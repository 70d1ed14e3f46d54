"""`gloaming rig-check`: test patterns on the rig, by the running planner."""

from __future__ import annotations

import argparse
import sys

from gloaming.api.cli.live import add_where, call, end_all, print_taken
from gloaming.daemon.direction.overrides import TERMS, Kind
from gloaming.shows.rig.model import port_name
from gloaming.shows.rig.patterns import COLOURS, KINDS


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `rig-check`."""
    patterns = "\n".join(f"  {kind:<10} {what}" for kind, what in KINDS.items())
    parser = subparsers.add_parser(
        "rig-check",
        help=TERMS[Kind.RIG_CHECK].help,
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog=f"patterns:\n{patterns}\n  end        end the rig check",
    )
    parser.add_argument("pattern", choices=(*KINDS, "end"), metavar="PATTERN")
    parser.add_argument("number", nargs="?", type=int, metavar="NUMBER", help="which pixel, or which universe")
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--string", metavar="NAME", help="on this string alone")
    where.add_argument("--fixture", metavar="NAME", help="on this fixture alone: never strobe or fog")
    where.add_argument("--controller", metavar="NAME", help="on this controller alone")
    where.add_argument("--zone", metavar="NAME", help="on this zone alone, or on this group of strings")
    parser.add_argument("--port", metavar="PORT", help='on this port alone, as "3 of left", or 3 with --controller')
    parser.add_argument("--colour", choices=COLOURS, help="default: white")
    parser.add_argument("--level", type=float, metavar="LEVEL", help="how bright, 0.01 to 1 (default: 0.3)")
    parser.add_argument("--minutes", type=float, metavar="MINUTES", help="how long, 10 at the most")
    add_where(parser)
    parser.set_defaults(handler=run_rig_check)


def run_rig_check(args: argparse.Namespace) -> int:
    """Ask for a pattern, or end the one that is shown; exit 1 where it is refused."""
    from gloaming.api.http.schemas.requests import rig_check_request

    if args.pattern == "end":
        return end_all(args, ("rig-check",), "no rig check is under way")
    keys = ("pattern", "number", "string", "fixture", "controller", "zone", "port", "colour", "level", "minutes")
    if args.port and args.port.isdecimal() and args.controller:
        args.port, args.controller = port_name(args.controller, int(args.port)), None
    request = rig_check_request({key: getattr(args, key) for key in keys if getattr(args, key) is not None})
    code, answer = call(args, "POST", "/api/rig-check", request)
    if code != 201:
        print(answer["detail"], file=sys.stderr)
        return 2 if code == 422 else 1
    print_taken(answer, answer["check"])
    return 0
