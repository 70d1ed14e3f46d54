"""`gloaming network`: what answers on the network here and now, held against rig.toml."""

from __future__ import annotations

import argparse
import asyncio
import sys
import time
from datetime import datetime
from typing import TYPE_CHECKING, Any

from gloaming.api.cli.controllers import node_line
from gloaming.api.cli.http_call import NoAnswerError, call
from gloaming.api.cli.live import refused
from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, answer
from gloaming.api.cli.survey import print_finding
from gloaming.api.cli.where import site_of
from gloaming.shows.config_files.errors import ConfigError, InputError

if TYPE_CHECKING:
    from rich.console import Console

EVERY_S = 0.5
"""How often the planner is asked whether its look is over."""


def add_parser(commands: Commands[Parser]) -> None:
    """Add `network`."""
    add_command(
        commands,
        "network",
        "what answers on the network, and where rig.toml differs; exit 1 if something differs",
        show,
        examples=("network", "network boathouse"),
        group=Group.BEFORE,
        site=SiteWord.PLANNER,
        description="What answers on the network here and now: Art-Net nodes (ArtPoll), E1.31 sources (universe "
        "discovery), names (mDNS). What they say is held against rig.toml. The running planner asks; without one, this "
        "command does. Exit 1 if something differs.",
    )


def show(args: argparse.Namespace) -> int:
    """Look and print; exit 1 if something differs."""
    if not args.json:
        print("asking and listening for 11 s: E1.31 sources name themselves every 10 s", file=sys.stderr)
    try:
        code, found = call(args, "POST", "/api/network")
        while code in (200, 202) and found["looking"]:
            time.sleep(EVERY_S)
            code, found = call(args, "GET", "/api/network")
        if code not in (200, 202):
            return refused(code, found)
        if found["at"] is None:
            raise InputError(ConfigError("the planner", None, None, "its look failed", "gloaming journal says why"))
    except NoAnswerError:
        if args.url or args.token_file:
            raise
        found = _alone(args)
    if args.json:
        answer(args, found)
    else:
        _report(found)
    return 1 if any(one["severity"] != "fact" for one in found["findings"]) else 0


def _alone(args: argparse.Namespace) -> Any:
    """What this command finds without a planner. InputError."""
    from gloaming.daemon.integrations.host_names import HostNames
    from gloaming.daemon.integrations.reachability import look_once
    from gloaming.daemon.reports.network import NetworkComparison, take_a_look
    from gloaming.daemon.reports.survey_machine import near_rig
    from gloaming.daemon.site.load import load_site

    site, names = load_site(site_of(args), datetime.now().astimezone(), strict=False), HostNames({})

    async def look() -> Any:
        await names.look(near_rig(site))
        found, answers = await asyncio.gather(
            take_a_look(site, names.addresses, time.time_ns()), look_once(near_rig(site), names.addresses)
        )
        return NetworkComparison(site, names.addresses, found, answers).as_json()

    return asyncio.run(look())


def _report(found: Any) -> None:
    """Print what answers, then where rig.toml differs."""
    from gloaming.api.cli.progress import coloured
    from gloaming.shows.analysis.wiring import numbered

    console = coloured(highlight=False, soft_wrap=True)
    console.print(f"as of {found['at'][:19].replace('T', ' ')}")
    if not found["art_poll"]:
        console.print("Art-Net nodes were not asked: art_poll = false in [output] of site.toml", markup=False)
    called: dict[str, list[str]] = {}
    for one in found["names"]:
        called.setdefault(one["address"], []).append(one["name"])
    _section(console, "controllers of rig.toml", [line for one in found["controllers"] for line in _lines(one, called)])
    others = [f"{one['address']}{_names(one['address'], called)}: {one['text']}" for one in found["other_nodes"]]
    _section(console, "other Art-Net nodes", others)
    sources = [
        f"{one['name']} at {one['address']}{_names(one['address'], called)}: {numbered('universe', one['universes'])}"
        f"{' (this site)' if one['own'] else ''}"
        for one in found["sources"]
    ]
    _section(console, "E1.31 sources", sources)
    services = [f"{one['address']}: {one['name']} {', '.join(one['services'])}" for one in found["names"]]
    _section(console, "names in the network (mDNS)", services)
    notes = [*found["notes"], *([f"{found['malformed']} packets cannot be read"] if found["malformed"] else [])]
    _section(console, "what could not be asked, and what is odd", notes)
    _findings(console, found["findings"])


def _lines(one: Any, called: dict[str, list[str]]) -> list[str]:
    """A controller: whether it answers and where, and what its Art-Net nodes say."""
    words = {True: "answers", False: "does not answer", None: "was not asked"}[one["answers"]]
    lines = [f"{one['name']} {words}: {one['way']}{_names(one['address'], called)}"]
    return lines + [f"  {node_line(node, one['address'])}" for node in one["nodes"]]


def _names(address: str | None, called: dict[str, list[str]]) -> str:
    """The names that the network has for an address, in brackets."""
    return f" ({', '.join(called[address])})" if address in called else ""


def _section(console: Console, title: str, lines: list[str]) -> None:
    from rich.markup import escape

    if lines:
        console.print(f"[bold]{title}[/]")
    for line in lines:
        console.print(f"  {escape(line)}")


def _findings(console: Console, findings: Any) -> None:
    console.print("[bold]where rig.toml differs[/]" if findings else "nothing differs from rig.toml")
    for one in findings:
        print_finding(console, one["severity"], one["place"], one["text"], one["hint"])
