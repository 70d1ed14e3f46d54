"""`gloaming survey`: checks a site before the season; prints a report or JSON, or writes a page."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from gloaming.api.cli.parser import Commands, Group, Parser, SiteWord, add_command, answer, argument
from gloaming.api.cli.progress import bars, coloured
from gloaming.api.cli.where import site_of, state_folder

if TYPE_CHECKING:
    from rich.console import Console

    from gloaming.daemon.reports.survey import Survey

MARKS = {"error": ("ERROR", "bold red"), "warning": ("warning", "yellow"), "fact": ("fact", "dim")}


def add_parser(commands: Commands[Parser]) -> None:
    """Add `survey`."""
    add_command(
        commands,
        "survey",
        "check a site before the season; exit 1 on an error",
        run_survey,
        argument("--html", "also write a page to print and keep", "survey.html", "no page", type=Path, metavar="FILE"),
        argument("--ask-nobody", "do not ask the controllers whether they are there", action="store_true"),
        examples=("survey", "survey boathouse --html survey.html"),
        group=Group.BEFORE,
        site=SiteWord.FOLDER,
        json_help="one object instead of a report",
    )


def run_survey(args: argparse.Namespace) -> int:
    """Survey the site and print the report; exit 1 on an error."""
    from gloaming.daemon.reports.survey import survey

    site = site_of(args)
    at = datetime.now().astimezone()
    with bars(args) as progress:
        found = survey(site, at, progress, ask=not args.ask_nobody, state=state_folder(site, None))
    if args.json:
        answer(args, found.as_json())
    else:
        report(found, coloured(highlight=False, soft_wrap=True))
    if args.html:
        _write_page(found, args.html)
    return 1 if found.count("error") else 0


def _write_page(found: Survey, path: Path) -> None:
    from gloaming.daemon.reports.survey_html import page
    from gloaming.shows.replacing import replacing

    text = page(found)
    with replacing(path) as temporary:
        temporary.write_text(text, encoding="utf-8")


def report(found: Survey, console: Console) -> None:
    """Print the report."""
    from rich.markup import escape

    from gloaming.daemon.reports.survey import CAUTIONS
    from gloaming.daemon.reports.survey_texts import plural, thinned

    console.print(f"[bold]{escape(found.site)}[/], surveyed {found.at:%d %B %Y %H:%M}")
    for section, findings in found.sections.items():
        if findings:
            console.print(f"\n[bold]{section}[/]")
        for finding, more in thinned(findings):
            print_finding(console, finding.severity, finding.place, finding.text, finding.hint)
            if more:
                console.print(f"          [dim]and {more} more like it: --json has all[/]")
    _summary(found, console)
    console.print("\n[bold]cautions[/]")
    for caution in CAUTIONS:
        console.print(f"  {escape(caution)}")
    console.print(f"\n{plural(found.count('error'), 'error')}, {plural(found.count('warning'), 'warning')}")


def print_finding(console: Console, severity: str, place: str, text: str, hint: str | None) -> None:
    """Print a finding, with what to do below it."""
    from rich.markup import escape

    mark, style = MARKS[severity]
    do = f"\n      [dim]{escape(hint)}[/]" if hint else ""
    console.print(f"  [{style}]{mark:7}[/] {escape(place)}: {escape(text)}{do}")


def _summary(found: Survey, console: Console) -> None:
    from rich.markup import escape

    from gloaming.daemon.reports.survey_power import LIMITS, worst
    from gloaming.daemon.reports.survey_texts import clock, plural

    if found.limits:
        console.print(f"\n{escape(found.limits)}")
    for piece, load in (pair for kind in LIMITS for pair in worst(found.pieces, kind)[:1]):
        limit = f" of {load.limit_a:g}" if load.limit_a is not None else ""
        at = clock(load.peak_frame, piece.analysis.info.fps)
        console.print(
            escape(f"the heaviest {load.kind}: {load.name}, {load.peak_a:.1f}{limit} A in {piece.name} at {at}")
        )
    if found.energy:
        spent = found.energy
        price = "" if spent.price is None else f", {spent.price:.2f} {spent.currency}".rstrip()
        console.print(
            f"the strings take {spent.season_kwh:.1f} kWh from the mains in {plural(spent.nights, 'night')}, "
            f"{spent.night_kwh:.2f} kWh a night, {spent.heaviest_kwh:.2f} on {spent.heaviest:%d %B}{price}; "
            f"dark pixels take {found.idle_w:.1f} W, also while there is no light"
        )
