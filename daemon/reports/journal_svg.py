"""The journal report as one picture: a bar of lit hours for each night, in the colour of its outcome."""

from __future__ import annotations

from gloaming.daemon.reports.journal_report import JournalReport
from gloaming.daemon.reports.render import render

HOUR = 36.0
LEFT, TOP, BOTTOM, RIGHT = 48.0, 84.0, 84.0, 24.0
OUTCOMES = ("given", "cut short", "left out", "under way", "to come")


def draw(report: JournalReport) -> str:
    """A self-contained SVG document. Every night has a text as its title."""
    count = len(report.nights)
    column = max(5.0, min(26.0, 1000 / max(1, count)))
    tallest_h = max([1.0, *(night.due_h for night in report.nights)])
    floor, right = TOP + tallest_h * HOUR, LEFT + max(560.0, column * count)
    return render(
        "journal.svg",
        report=report,
        outcomes=OUTCOMES,
        tallest_h=tallest_h,
        hour=HOUR,
        left=LEFT,
        right=right,
        floor=floor,
        width=right + RIGHT,
        height=floor + BOTTOM,
        column=column,
        bar=column - min(3.0, column / 4),
        dated=max(1, round(90 / column)),
    )
