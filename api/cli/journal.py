"""`gloaming journal`: what happened and why, line by line; or a report of the season, as a table or a picture."""

from __future__ import annotations

import argparse
import json
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from gloaming.api.cli.http_call import call, call_for
from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, answer, argument
from gloaming.api.cli.progress import bar
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.known_names import instead
from gloaming.shows.replacing import replacing

PAGE = 1000


def add_parser(commands: Commands[Parser]) -> None:
    """Add `journal`."""
    add_command(
        commands,
        "journal",
        "what happened, and why; or a report of the season",
        show,
        argument("--lines", "how many of the newest", "200", type=int, default=50, metavar="N"),
        argument("--kind", "only lines of this kind", "override", "every kind", metavar="KIND"),
        argument("--report", "a report of the season, a line for each night", action="store_true"),
        argument(
            "--svg",
            "write the report of the season as a picture",
            "season.svg",
            "no picture",
            type=Path,
            metavar="FILE",
        ),
        argument(
            "--html",
            type=Path,
            metavar="FILE",
            help="write the lines, or the report, as a page to print",
            example="journal.html",
            usual="no page",
        ),
        argument(
            "--from",
            "the report's first date",
            "2026-11-27",
            "so that today is the last one",
            dest="first",
            metavar="DATE",
        ),
        argument("--days", "the report's dates", "45", type=int, default=60, metavar="N"),
        examples=("journal", "journal --kind trouble --lines 200", "journal --report", "journal --svg season.svg"),
        group=Group.AFTER,
        site=SiteWord.PLANNER,
        json_help="print the lines, or the report, as one JSON document",
    )


def show(args: argparse.Namespace) -> int:
    """Print lines or a table, or write a picture, from the running planner."""
    if not 1 <= args.lines <= 100_000:
        raise InputError(ConfigError("--lines", None, None, f"{args.lines} is not from 1 to 100000", "as --lines 50"))
    if args.report or args.svg:
        path = "/api/report?" + urlencode({"days": args.days} | ({"from": args.first} if args.first else {}))
        if args.svg:
            picture = call_for(args, path, "image/svg+xml")
            with replacing(args.svg) as temporary:
                temporary.write_bytes(picture)
        if args.html:
            page = call_for(args, path, "text/html")
            with replacing(args.html) as temporary:
                temporary.write_bytes(page)
        elif args.report or args.json:
            found = json.loads(call_for(args, path, "application/json"))
            answer(args, found, _table(found))
        return 0
    rows: list[dict[str, Any]] = []
    before, kinds = "", set[str]()
    with bar(args, "reading the journal") as progress:
        while len(rows) < args.lines:
            code, page = call(args, "GET", f"/api/journal?limit={PAGE}{before}")
            if code != 200:
                raise InputError(ConfigError("the planner", None, None, f"it answers {code}: {page['detail']}"))
            kinds |= {row["kind"] for row in page}
            rows += [row for row in page if args.kind in (None, row["kind"])]
            progress(len(rows), args.lines)
            if len(page) < PAGE:
                break
            before = f"&before={page[-1]['id']}"
    if kinds and not rows:
        problem = f"the journal has no line of this kind: {args.kind}"
        raise InputError(ConfigError("--kind", None, None, problem, instead(args.kind, sorted(kinds), "its kinds are")))
    rows = rows[: args.lines][::-1]
    site = call(args, "GET", "/api/site")[1] if rows else {}
    zone = ZoneInfo(site["timezone"]) if rows else None
    if args.html and zone:
        from gloaming.daemon.reports.journal_html import lines_page

        with replacing(args.html) as temporary:
            temporary.write_text(lines_page(rows, site["site"], zone, datetime.now(zone)), encoding="utf-8")
        answer(args, rows, f"{len(rows)} lines are in {args.html}")
    else:
        answer(args, rows, *(_line(row, zone) for row in rows))
    return 0 if rows else 1


def _line(row: dict[str, Any], zone: ZoneInfo | None) -> str:
    at = datetime.fromtimestamp(row["at_ns"] / 1e9, zone)
    who = f" (by {row['who']})" if row["who"] else ""
    return f"{at:%Y-%m-%d %H:%M:%S}  {row['kind']:<9} {row['text']}{who}"


def _table(found: dict[str, Any]) -> str:
    lines = [f"{'date':<11}{'show':<16}{'outcome':<11}{'lit':>7}{'pieces':>8}{'breaks':>8}{'Wh':>8}  why"]
    for night in found["nights"]:
        energy = "" if night["energy_wh"] is None else f"{night['energy_wh']:.0f}"
        lit = f"{night['lit_s'] // 3600}:{night['lit_s'] % 3600 // 60:02}"
        lines.append(
            f"{night['date']:<11}{night['show'][:15]:<16}{night['outcome']:<11}{lit:>7}"
            f"{sum(night['pieces'].values()):>8}{len(night['interruptions']):>8}{energy:>8}  {night['why']}".rstrip()
        )
    sums = found["sums"]
    energy = "" if sums["energy_kwh"] is None else f", about {sums['energy_kwh']} kWh"
    outcomes = ", ".join(f"{count} {outcome}" for outcome, count in sums["outcomes"].items())
    lines.append(f"{sums['nights']} nights{f' ({outcomes})' if outcomes else ''}, lit {sums['hours_lit']} h{energy}")
    repairs = ", ".join(f"{count} {what}" for what, count in sums["repairs"].items())
    lines.append(f"repairs: {repairs}")
    lines.append("pieces: " + (", ".join(f"{name} {count}" for name, count in sums["pieces"].items()) or "none"))
    return "\n".join(lines)
