"""`gloaming nights` and `gloaming why`: the season as a table, and the decision at an instant with its reasons."""

from __future__ import annotations

import argparse
import json
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from gloaming.shows.mistake import Mistake, MistakeError

if TYPE_CHECKING:
    from gloaming.daemon.site import Site


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add this family's commands."""
    nights = subparsers.add_parser("nights", help="the nights of the season: when each opens and closes, and why")
    nights.add_argument("site", nargs="?", type=Path, default=Path(), metavar="SITE")
    nights.add_argument("--from", dest="first", metavar="DATE", help="the first date (default: today)")
    nights.add_argument("--days", type=int, default=None, metavar="N", help="how many dates (default: 45)")
    nights.add_argument("--json", action="store_true", help="a list of objects instead of a table")
    nights.set_defaults(handler=show_nights)
    why = subparsers.add_parser("why", help="what is to be on the wire at an instant, and why")
    why.add_argument("words", nargs="*", metavar="[SITE] [AT]", help="a site folder; an instant (default: now)")
    why.add_argument("--json", action="store_true", help="one object instead of sentences")
    why.set_defaults(handler=show_why)


def show_nights(args: argparse.Namespace) -> int:
    """`gloaming nights`: exit 1 where no night is given."""
    from gloaming.daemon.direction.season import season
    from gloaming.daemon.site import load_site

    now = datetime.now().astimezone()
    site = load_site(args.site, now)
    first = _date(args.first) if args.first else now.astimezone(site.timezone).date()
    days = 45 if args.days is None else args.days
    if days < 1:
        raise MistakeError(Mistake("--days", None, None, f"{days} is not a number of dates", "as --days 7"))
    try:
        last = first + timedelta(days=days - 1)
    except OverflowError:
        raise MistakeError(
            Mistake("--days", None, None, f"{days} days run past the calendar", "as --days 60")
        ) from None
    rows = season(site, first, last)
    if args.json:
        print(json.dumps([row.as_json(site) for row in rows], indent=2))
        return 0 if rows else 1
    print(f"{site.name}, {first:%d %B %Y} to {last:%d %B %Y}, times of {site.timezone.key}")
    for row in rows:
        opens, closes = (_local(at_ns, site) for at_ns in (row.night.opens_ns, row.closes_ns))
        cut = f"  cut by {row.night.cut_by}" if row.night.cut_by else ""
        why = f"{row.night.opens_by}; {row.night.closes_by}"
        print(f"{row.night.date:%a %d %b %Y}  {opens:%H:%M:%S}-{closes:%H:%M:%S}  {row.night.show:<16} {why}{cut}")
    if not rows:
        print("no night is given on these dates")
    return 0 if rows else 1


def show_why(args: argparse.Namespace) -> int:
    """`gloaming why`."""
    from gloaming.daemon.direction.decide import decide, instant
    from gloaming.daemon.site import load_site

    folder, words = _site_and_words(args.words)
    now = datetime.now().astimezone()
    site = load_site(folder, now)
    at = _instant(words[0], site, now) if words else now
    decision = decide(instant(at), site)
    if args.json:
        print(json.dumps(decision.as_json(site.timezone), indent=2))
        return 0
    playing = f" {decision.piece}, frame {decision.frame}," if decision.piece else ""
    print(
        f"{at.astimezone(site.timezone):%A %d %B %Y %H:%M:%S}: {decision.state}{playing} at {decision.brightness:.0%}"
    )
    for reason in decision.reasons:
        print(f"  {reason.text}  [{reason.rule}]")
    if decision.next_ns is not None:
        print(f"  next: {decision.next_state} at {_local(decision.next_ns, site):%A %d %B %H:%M:%S}")
    return 0


def _site_and_words(words: list[str]) -> tuple[Path, list[str]]:
    """The site folder comes first and may be left out."""
    if len(words) > 2:
        raise MistakeError(Mistake("why", None, None, f"{len(words)} words are too many", "as gloaming why SITE AT"))
    if len(words) == 2 or (words and (Path(words[0]).exists() or not words[0][:1].isdigit())):
        return Path(words[0]), words[1:]
    return Path(), words


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise MistakeError(Mistake("--from", None, None, f"{text!r} is not a date", "as 2026-12-20")) from None


def _instant(text: str, site: Site, now: datetime) -> datetime:
    """An instant as a person writes it: ISO 8601, with or without its offset, or a time of today."""
    try:
        if len(text) == 5:
            text = f"{now.astimezone(site.timezone).date()}T{text}"
        at = datetime.fromisoformat(text)
    except ValueError:
        right = "as 2026-12-24T22:45 or 22:45"
        raise MistakeError(Mistake("AT", None, None, f"{text!r} is not an instant", right)) from None
    return at if at.tzinfo else at.replace(tzinfo=site.timezone)


def _local(at_ns: int, site: Site) -> datetime:
    return datetime.fromtimestamp(at_ns / 1e9, site.timezone)
