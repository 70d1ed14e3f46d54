"""The journal, and the report of a season, as pages to print. They fetch nothing."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

from gloaming.daemon.reports.journal_report import JournalReport
from gloaming.daemon.reports.journal_svg import draw
from gloaming.daemon.reports.nights_html import picture_url
from gloaming.daemon.reports.render import render
from gloaming.shows.time_units import SECOND_NS


def lines_page(rows: Sequence[Mapping[str, Any]], site: str, timezone: ZoneInfo, at: datetime) -> str:
    """The whole HTML document of the journal's lines, the oldest first. `at` is when it is made."""
    timed = [(datetime.fromtimestamp(row["at_ns"] / SECOND_NS, timezone), row) for row in rows]
    return render(
        "journal.html",
        title=f"{site}: the journal",
        at=at.astimezone(timezone),
        timezone=timezone.key,
        days=[(day, list(of_day)) for day, of_day in groupby(timed, key=lambda one: one[0].date())],
    )


def report_page(report: JournalReport, at: datetime) -> str:
    """The whole HTML document of the report of a season. `at` is when it is made."""
    site = report.site
    return render(
        "season_report.html",
        title=f"{site.name}: the season as it was",
        at=at.astimezone(site.timezone),
        timezone=site.timezone.key,
        report=report,
        picture=picture_url(draw(report)),
        counted=counted,
    )


def counted(pieces: Iterable[tuple[str, int]]) -> str:
    """Pieces, and how often each was played."""
    return ", ".join(f"{name} {count}" for name, count in pieces)
