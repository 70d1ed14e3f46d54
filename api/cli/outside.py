"""`gloaming trigger-token` and `hold-token`: a token for one trigger or hold over HTTP, by the running planner."""

from __future__ import annotations

import argparse

from gloaming.api.cli.http_call import call
from gloaming.api.cli.live import refused
from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, answer, argument


def add_parser(commands: Commands[Parser]) -> None:
    """Add both."""
    for kind, example in (("trigger", "gate"), ("hold", "wind")):
        parser = add_command(
            commands,
            f"{kind}-token",
            f"make a token for a {kind} that listens to HTTP, and print it; the one before ends",
            make_token,
            argument("name", f"the {kind}", example, metavar="NAME"),
            examples=(f"{kind}-token {example}",),
            group=Group.ACCESS,
            site=SiteWord.PLANNER,
        )
        parser.set_defaults(table=kind)


def make_token(args: argparse.Namespace) -> int:
    """Make one, and say how a button or a gauge sends it."""
    from urllib.parse import quote

    code, made = call(args, "POST", f"/api/{args.table}s/{quote(args.name, safe='')}/token")
    if code != 201:
        return refused(code, made)
    body = " --data 15.2" if args.table == "hold" else ""
    command = f"curl -X POST -H 'Authorization: Bearer {made['token']}'{body} {made['url']}"
    answer(args, made, made["token"], "", "It is not shown again. To use it:", command)
    return 0
