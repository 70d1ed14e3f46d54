"""The survey as one page to print. It fetches nothing."""

from __future__ import annotations

import base64
from datetime import date
from typing import Any

import numpy as np

from gloaming.daemon.reports.render import render
from gloaming.daemon.reports.season_svg import season_svg
from gloaming.daemon.reports.survey import CAUTIONS, Survey
from gloaming.daemon.reports.survey_power import share, worst
from gloaming.daemon.reports.survey_texts import PieceSurvey, clock, moments, plural, thinned
from gloaming.shows.analysis.currents import Load
from gloaming.shows.analysis.pieces import GENERAL, RED, RED_21
from gloaming.shows.rig.model import Rig, positions

COLOURS = ("#ffd166", "#7ad3ff", "#ff8fab", "#9be7a0", "#c8a6ff", "#ffb27a", "#7ff0e0", "#e8e3a0")
WIDE, TALL = 1000, 420
HEAVIEST = 10
"""How many ports and strings the tables show."""


def page(found: Survey) -> str:
    """The whole HTML document."""
    return render(
        "survey.html",
        found=found,
        rig=_rig_picture(found.of.rig) if found.of else None,
        season=_season_picture(found),
        cautions=CAUTIONS,
        clock=clock,
        day=_day,
        flashing=_flashing,
        floor_percent=lambda share: f"{int(share * 100)}%",
        moments=moments,
        nearest=_nearest,
        on_port={one.name for one in found.of.rig.string if one.port is not None} if found.of else set(),
        plural=plural,
        share=share,
        tables=_tables(found),
        thinned=thinned,
    )


def _season_picture(found: Survey) -> str | None:
    """The season's SVG as a data URL; None without nights."""
    if found.of is None or not found.rows:
        return None
    first, last = found.rows[0].night.date, found.rows[-1].night.date
    image = base64.b64encode(season_svg(found.of, found.rows, first, last).encode()).decode()
    return f"data:image/svg+xml;base64,{image}"


def _rig_picture(rig: Rig) -> dict[str, Any] | None:
    """Every pixel at its place, with a colour for each controller; None if no string has a place."""
    hung = [(string, positions(string)) for string in rig.string]
    placed = [(string, points) for string, points in hung if points is not None]
    if not placed:
        return None
    whole = np.concatenate([points for _, points in placed])
    low = whole.min(axis=0)
    span = np.maximum(whole.max(axis=0) - low, 0.1)
    scale = min(WIDE / span[0], TALL / span[1])
    colours = {one.name: COLOURS[number % len(COLOURS)] for number, one in enumerate(rig.controller)}
    strings = []
    for string, points in placed:
        x, y = np.round((points[:, 0] - low[0]) * scale, 1), np.round((low[1] + span[1] - points[:, 1]) * scale, 1)
        dots = "".join(f"M{x:g} {y:g}h0" for x, y in zip(x, y, strict=True))
        strings.append({"name": string.name, "colour": colours[string.controller], "dots": dots})
    width, height = np.round(span * scale)
    return {"width": width, "height": height, "strings": strings}


def _day(day: date) -> str:
    return f"{day:%d %B}".lstrip("0")


def _nearest(piece: PieceSurvey) -> Load | None:
    """The load of a piece that is nearest to its limit; None if no limit is known."""
    return max((load for load in piece.loads if load.limit_a is not None), key=share, default=None)


def _tables(found: Survey) -> list[tuple[str, list[tuple[PieceSurvey, Load]]]]:
    """The tables of loads: a title, and each load with the piece in which it is highest."""
    tables = [
        ("Circuits", worst(found.pieces, "circuit")),
        ("Supplies", worst(found.pieces, "supply")),
        ("The heaviest ports", worst(found.pieces, "port")[:HEAVIEST]),
        ("The heaviest strings", worst(found.pieces, "string")[:HEAVIEST]),
    ]
    return [(title, loads) for title, loads in tables if loads]


def _flashing(piece: PieceSurvey) -> list[list[int]]:
    """The seconds with too many flashes: general, red, red by WCAG 2.1."""
    found = piece.analysis.flashing
    return [
        sorted({second for each in found if each.rule == rule for second in each.seconds})
        for rule in (GENERAL, RED, RED_21)
    ]
