"""`gloaming nights`, `why`, `rehearse`: the nights of a season, an instant with its reasons, a rehearsal."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from gloaming.api.cli.http_call import call
from gloaming.api.cli.live import ZONE
from gloaming.api.cli.parser import Argument, Commands, Group, Parser, SiteWord, add_command, answer, argument, one_of
from gloaming.api.cli.progress import bar
from gloaming.api.cli.where import site_of
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.replacing import replacing

if TYPE_CHECKING:
    from gloaming.daemon.reports.facts import Fact
    from gloaming.daemon.reports.nights import SeasonNight
    from gloaming.daemon.reports.rehearsal import Rehearsal
    from gloaming.daemon.site.site import Site

USUAL_DAYS = 45
"""How many dates `rehearse` covers by default."""


def add_parser(commands: Commands[Parser]) -> None:
    """Add `nights`, `why` and `rehearse`."""
    add_command(
        commands,
        "nights",
        "the nights of the season: when each opens and closes, and why",
        show_nights,
        *_dates("this season and the next one"),
        one_of(
            argument("--json", "print a list of objects instead of a table", action="store_true"),
            argument(
                "--ics",
                "write a calendar (RFC 5545) for a phone",
                "season.ics",
                "no calendar",
                type=Path,
                metavar="FILE",
            ),
            argument("--svg", "write one picture of the season", "season.svg", "no picture", type=Path, metavar="FILE"),
            argument(
                "--html",
                "write a page to print: the picture and a table",
                "season.html",
                "no page",
                type=Path,
                metavar="FILE",
            ),
        ),
        examples=("nights", "nights boathouse --from 2026-12-20 --days 7", "nights --ics season.ics"),
        group=Group.BEFORE,
        site=SiteWord.FOLDER,
        json_help=None,
    )
    add_command(
        commands,
        "why",
        "what is on the wire at an instant, and why: by the planner if one runs, else by the files",
        show_why,
        argument("at", "an instant, or a time of today", "22:45", "now", nargs="?", metavar="AT"),
        ZONE,
        examples=("why", "why 22:45", "why boathouse 2026-12-24T22:45 --zone roof"),
        group=Group.TONIGHT,
        site=SiteWord.FOLDER,
    )
    add_command(
        commands,
        "rehearse",
        "go through the season minute by minute, without playing it",
        show_rehearsal,
        *_dates(str(USUAL_DAYS)),
        argument(
            "--facts",
            "what happens: JSON lines of triggers, readings of holds, and overrides. The dates are then theirs",
            "windy.jsonl",
            "nothing",
            type=Path,
            metavar="FILE",
        ),
        one_of(
            argument("--json", action="store_true", help="print one object instead of sentences"),
            argument(
                "--html",
                type=Path,
                metavar="FILE",
                help="write a page to print",
                example="rehearsal.html",
                usual="no page",
            ),
        ),
        examples=("rehearse", "rehearse boathouse --from 2026-11-27", "rehearse --facts windy.jsonl"),
        group=Group.BEFORE,
        site=SiteWord.FOLDER,
        json_help=None,
    )


def _dates(usual: str) -> tuple[Argument, ...]:
    return (
        argument("--from", "the first date", "2026-12-20", "today", dest="first", metavar="DATE"),
        argument("--days", "how many dates", "7", usual, type=int, metavar="N"),
    )


def show_nights(args: argparse.Namespace) -> int:
    """`gloaming nights`: exit 1 where no night is given."""
    from gloaming.daemon.reports.nights import coming_seasons, season

    site, first, last = _site_and_dates(args)
    one_season = bool(args.svg or args.html)
    rows = season(site, first, last) if args.days else coming_seasons(site, first, 1 if one_season else 2)
    if rows and not args.days:
        first, last = rows[0].night.date if one_season else first, rows[-1].night.date
    if args.json:
        answer(args, [row.as_json(site) for row in rows])
    elif args.ics:
        from gloaming.daemon.reports.calendar import season_ics

        _write(args.ics, season_ics(site, rows, datetime.now(UTC)))
        print(f"{len(rows)} nights are in {args.ics}")
    elif args.svg:
        from gloaming.daemon.reports.season_svg import season_svg

        _write(args.svg, season_svg(site, rows, first, last).encode())
        print(f"{len(rows)} nights are in {args.svg}")
    elif args.html:
        from gloaming.daemon.reports.nights_html import page

        _write(args.html, page(site, rows, first, last, datetime.now(UTC)).encode())
        print(f"{len(rows)} nights are in {args.html}")
    else:
        _print_nights(site, rows, first, last)
    return 0 if rows else 1


def _print_nights(site: Site, rows: tuple[SeasonNight, ...], first: date, last: date) -> None:
    from gloaming.daemon.reports.nights_html import night_lines

    print(f"{site.name}, {first:%d %B %Y} to {last:%d %B %Y}, times of {site.timezone.key}")
    for night in night_lines(site, rows, first, last):
        print(f"{night.date:%a %d %b %Y}  {night.hours:<17}  {night.show:<16} {night.why}")
    if not rows:
        print("no night is given on these dates")


def show_rehearsal(args: argparse.Namespace) -> int:
    """`gloaming rehearse`: exit 1 where no night is given."""
    from gloaming.daemon.reports.rehearsal import rehearse

    site, first, last = _site_and_dates(args)
    facts: tuple[Fact, ...] = ()
    if args.facts:
        from gloaming.api.cli.facts import read_facts

        facts = read_facts(args.facts, site)
        nights = [(_local(fact.at_ns, site) - timedelta(hours=12)).date() for fact in facts]
        if not args.first:
            first, last = min(nights), min(nights) + (last - first)
        if not args.days:
            last = max(first, *nights)
    with bar(args, "rehearsing") as progress:
        result = rehearse(site, first, last, progress=progress, facts=facts)
    if args.json:
        answer(args, result.as_json(site))
    elif args.html:
        from gloaming.daemon.reports.rehearsal_html import page

        _write(args.html, page(site, result, first, last, datetime.now(UTC)).encode())
        print(f"the rehearsal of {len(result.rows)} nights is in {args.html}")
    else:
        _print_rehearsal(site, result, first, last)
    return 0 if result.rows else 1


def _print_rehearsal(site: Site, result: Rehearsal, first: date, last: date) -> None:
    from gloaming.daemon.reports.rehearsal_html import cuts, fact_lines, sums

    for line in fact_lines(site, result):
        print(line)
    if result.facts:
        print()
    _print_nights(site, result.rows, first, last)
    print()
    for name, value in sums(result):
        print(f"{name:<13} {value}")
    for line in cuts(site, result):
        print(f"  {line}")


def show_why(args: argparse.Namespace) -> int:
    """`gloaming why`."""
    from gloaming.daemon.direction.decide import decide, instant
    from gloaming.daemon.direction.requests import known_zone

    folder = site_of(args)
    now = datetime.now().astimezone()
    site = _site(folder, now)
    at = None if args.at is None else _instant(args.at, site, now)
    zone = None if args.zone is None else known_zone(args.zone, site)
    planned = _why_of_planner(folder, at, zone)
    decision: dict[str, Any] = planned or decide(instant(at or now), site, zone=zone).as_json(site.timezone)
    if planned is None:
        print("no planner runs for this site: what follows is by its files alone", file=sys.stderr)
    if args.json:
        answer(args, decision)
        return 0
    frame = "" if decision["frame"] is None else f", frame {decision['frame']}"
    playing = f" {decision['piece']}{frame}," if decision["piece"] else ""
    when = datetime.fromisoformat(decision["at"])
    where = f" {zone}:" if zone else ""
    print(f"{when:%A %d %B %Y %H:%M:%S}:{where} {decision['state']}{playing} at {decision['brightness']:.0%}")
    for reason in decision["reasons"]:
        print(f"  {reason['text']}  [{reason['rule']}]")
    if differing := decision.get("differing"):
        print(f"  something else shows in {', '.join(differing)}")
    if following := decision["next"]:
        print(f"  next: {following['state']} at {datetime.fromisoformat(following['at']):%A %d %B %H:%M:%S}")
    return 0


def _why_of_planner(folder: Path, at: datetime | None, zone: str | None) -> dict[str, Any] | None:
    """The decision of the planner that runs for a site, with its overrides. None if none runs or answers."""
    asked = {"at": at and at.isoformat(), "zone": zone}
    query = urlencode({key: value for key, value in asked.items() if value is not None})
    try:
        args = argparse.Namespace(site=folder, state=None, url=None, token_file=None)
        code, found = call(args, "GET", f"/api/why?{query}")
    except InputError:
        return None
    return found if code == 200 else None


def _site(folder: Path, now: datetime) -> Site:
    """The site, even if frame files are missing: stderr gets a warning for each piece that cannot be played."""
    from gloaming.daemon.site.load import load_site

    site = load_site(folder, now, strict=False)
    for warning in site.notices:
        print(f"warning: {warning}", file=sys.stderr)
    return site


def _site_and_dates(args: argparse.Namespace) -> tuple[Site, date, date]:
    """The site, and the first and last date asked for."""
    now = datetime.now().astimezone()
    given = _date(args.first) if args.first else None
    days = USUAL_DAYS if args.days is None else args.days
    if days < 1:
        raise InputError(ConfigError("--days", None, None, f"{days} is not a number of dates", "as --days 7"))
    site = _site(site_of(args), now)
    first = given or now.astimezone(site.timezone).date()
    try:
        return site, first, first + timedelta(days=days - 1)
    except OverflowError:
        problem = f"{days} days run past the calendar"
        raise InputError(ConfigError("--days", None, None, problem, "as --days 60")) from None


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(ConfigError("--from", None, None, f"{text!r} is not a date", "as 2026-12-20")) from None


def _instant(text: str, site: Site, now: datetime) -> datetime:
    """An instant as a person writes it: ISO 8601, with or without an offset, or a time of today.

    A local time that the clocks skip moves on by the gap; one that comes twice is the first (RFC 5545 3.3.5). Python
    does the same without `fold`.
    """
    hint = "as 2026-12-24T22:45 or 22:45"
    try:
        if len(text) == 5:
            text = f"{now.astimezone(site.timezone).date()}T{text}"
        at = datetime.fromisoformat(text)
    except ValueError:
        raise InputError(ConfigError("AT", None, None, f"{text!r} is not an instant", hint)) from None
    if not 1900 <= at.year <= 2100:
        raise InputError(ConfigError("AT", None, None, f"{text} is not within 1900 to 2100", hint))
    return at if at.tzinfo else at.replace(tzinfo=site.timezone)


def _write(path: Path, data: bytes) -> None:
    with replacing(path) as temporary:
        temporary.write_bytes(data)


def _local(at_ns: int, site: Site) -> datetime:
    return datetime.fromtimestamp(at_ns / 1e9, site.timezone)
