"""The nights of a season as a page to print: the picture, and a table. It fetches nothing."""

from __future__ import annotations

import base64
from datetime import date, datetime
from typing import NamedTuple

from gloaming.daemon.reports.nights import SeasonNight, not_given
from gloaming.daemon.reports.render import render
from gloaming.daemon.reports.season_svg import season_svg
from gloaming.daemon.site.site import Site
from gloaming.shows.time_units import SECOND_NS


class NightLine(NamedTuple):
    """A night, or one that is not given, in words."""

    date: date
    hours: str
    show: str
    why: str


def page(site: Site, rows: tuple[SeasonNight, ...], first: date, last: date, at: datetime) -> str:
    """The whole HTML document of the nights from `first` to `last`. `at` is when it is made."""
    return render(
        "season.html",
        title=f"{site.name}: {first:%d %B %Y} to {last:%d %B %Y}",
        at=at.astimezone(site.timezone),
        timezone=site.timezone.key,
        picture=picture_url(season_svg(site, rows, first, last)),
        nights=night_lines(site, rows, first, last),
    )


def picture_url(svg: str) -> str:
    """An SVG as a data URL."""
    return f"data:image/svg+xml;base64,{base64.b64encode(svg.encode()).decode()}"


def night_lines(site: Site, rows: tuple[SeasonNight, ...], first: date, last: date) -> list[NightLine]:
    """The nights, and those that are not given, in the order of their dates."""
    lines = [_line(row, site) for row in rows]
    lines += [NightLine(one.date, "not given", one.performance.show, one.why) for one in not_given(site, first, last)]
    return sorted(lines, key=lambda line: line.date)


def _line(row: SeasonNight, site: Site) -> NightLine:
    night = row.night
    opens, closes = (
        datetime.fromtimestamp(at_ns / SECOND_NS, site.timezone) for at_ns in (night.opens_ns, row.closes_ns)
    )
    why = [f"{night.opens_by}; {night.closes_by}"]
    why += [f"for {night.performance.zone}"] if night.performance.zone else []
    why += [f"cut by {night.cut_by}"] if night.cut_by else []
    return NightLine(night.date, f"{opens:%H:%M:%S}-{closes:%H:%M:%S}", night.show, "; ".join(why))
