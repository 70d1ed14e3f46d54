"""A rehearsal as a page to print: its sums, what is cut short, and its nights. It fetches nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date, datetime

from gloaming.daemon.reports.nights_html import night_lines
from gloaming.daemon.reports.rehearsal import Rehearsal
from gloaming.daemon.reports.render import render
from gloaming.daemon.site.site import Site
from gloaming.shows.time_units import MINUTE_NS, SECOND_NS


def page(site: Site, result: Rehearsal, first: date, last: date, at: datetime) -> str:
    """The whole HTML document of the dates from `first` to `last`. `at` is when it is made."""
    return render(
        "rehearsal.html",
        title=f"{site.name}, rehearsed: {first:%d %B %Y} to {last:%d %B %Y}",
        at=at.astimezone(site.timezone),
        timezone=site.timezone.key,
        sums=sums(result),
        facts=list(fact_lines(site, result)),
        cuts=list(cuts(site, result)),
        nights=night_lines(site, result.rows, first, last),
    )


def sums(result: Rehearsal) -> list[tuple[str, str]]:
    """What a rehearsal adds up to: names and values."""
    pieces = ", ".join(f"{name} {times}" for name, times in sorted(result.pieces.items())) or "none"
    return [
        ("nights", str(len(result.rows))),
        ("light", _hours(result.lit_minutes)),
        ("sound", _hours(result.sound_minutes)),
        ("pieces given", pieces),
        ("gaps", f"{result.gaps}, together {_hours(round(result.gaps_ns / MINUTE_NS))}"),
        ("cut short", str(len(result.cuts))),
    ]


def cuts(site: Site, result: Rehearsal) -> Iterator[str]:
    """What is cut short, a line for those that differ only in the night."""
    times = Counter((cut.what, cut.alike) for cut in result.cuts)
    for (what, by), count in times.items():
        at_ns = next(cut.at_ns for cut in result.cuts if (cut.what, cut.alike) == (what, by))
        at = datetime.fromtimestamp(at_ns / SECOND_NS, site.timezone)
        often = f"{count} times, first on " if count > 1 else "on "
        yield f"{what}: {often}{at:%a %d %b %Y at %H:%M:%S}, by {by}"


def fact_lines(site: Site, result: Rehearsal) -> Iterator[str]:
    """What each fact does: "Sat 12 Dec 2026 18:04:10  gate: calls bells"."""
    for one in result.facts:
        at = datetime.fromtimestamp(one.at_ns / SECOND_NS, site.timezone)
        yield f"{at:%a %d %b %Y %H:%M:%S}  {one.name}: {one.text}"


def _hours(minutes: int) -> str:
    return f"{minutes // 60} h {minutes % 60:02} min"
