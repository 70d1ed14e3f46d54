"""The season's report as one picture: a bar of lit hours for each night, in the colour of what became of it."""

from __future__ import annotations

from collections.abc import Iterator
from xml.sax.saxutils import escape

from gloaming.daemon.journal_report import NightReport, Report

HOUR = 36.0
LEFT, TOP, BOTTOM, RIGHT = 48.0, 84.0, 84.0, 24.0
OUTCOMES = ("given", "cut short", "left out", "under way", "to come")
STYLE = """
:root { --paper:#fffdf8; --ink:#22252e; --faint:#d9d6cd; --given:#0b6e6e; --cut:#b4540a; --out:#9a3563; --way:#3a55a8;
 --come:#b9bccb }
@media (prefers-color-scheme: dark) { :root { --paper:#12141c; --ink:#ece9e0; --faint:#343848; --given:#4fc6c0;
 --cut:#ffb066; --out:#f08ab8; --way:#8fb0ff; --come:#565c72 } }
text { font: 12px system-ui, sans-serif; fill: var(--ink) } .title { font-size: 20px; font-weight: 600 }
.small { font-size: 11px } .grid { stroke: var(--faint) } .paper { fill: var(--paper) } .mark { fill: var(--out) }
.o0 { fill: var(--given) } .o1 { fill: var(--cut) } .o2 { fill: var(--out) } .o3 { fill: var(--way) }
.o4 { fill: var(--come) } .due { fill: none; stroke: var(--ink); stroke-opacity: .35 }
"""


def draw(report: Report) -> str:
    """A self-contained SVG document; every night has its words as a title."""
    return "\n".join(_lines(report)) + "\n"


def _lines(report: Report) -> Iterator[str]:
    nights = report.nights
    column = max(5.0, min(26.0, 1000 / max(1, len(nights))))
    tallest = max([1.0, *(_due_h(night) for night in nights)])
    width, height = LEFT + max(560.0, column * len(nights)) + RIGHT, TOP + tallest * HOUR + BOTTOM
    floor = TOP + tallest * HOUR
    yield (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" width="{width:g}" '
        f'height="{height:g}" role="img" aria-labelledby="title">'
    )
    yield f'<title id="title">{escape(report.site.name)}: the season as it was</title><style>{STYLE}</style>'
    yield f'<rect class="paper" width="{width:g}" height="{height:g}"/>'
    yield f'<text class="title" x="{LEFT:g}" y="34">{escape(report.site.name)}: the season as it was</text>'
    yield f'<text x="{LEFT:g}" y="56">{escape(_sums(report))}</text>'
    for hour in range(int(tallest) + 1):
        y = floor - hour * HOUR
        yield f'<line class="grid" x1="{LEFT:g}" x2="{width - RIGHT:g}" y1="{y:g}" y2="{y:g}"/>'
        yield f'<text class="small" x="{LEFT - 8:g}" y="{y + 4:g}" text-anchor="end">{hour} h</text>'
    for index, night in enumerate(nights):
        yield from _bar(night, LEFT + index * column, column, floor)
        if index % max(1, round(90 / column)) == 0:
            yield f'<text class="small" x="{LEFT + index * column:g}" y="{floor + 28:g}">{night.date:%d %b}</text>'
    for place, outcome in enumerate(OUTCOMES):
        x = LEFT + place * 110
        yield f'<rect class="o{place}" x="{x:g}" y="{floor + 48:g}" width="12" height="12"/>'
        yield f'<text class="small" x="{x + 18:g}" y="{floor + 58:g}">{outcome}</text>'
    yield "</svg>"


def _bar(night: NightReport, x: float, column: float, floor: float) -> Iterator[str]:
    wide, due, lit = column - min(3.0, column / 4), _due_h(night) * HOUR, night.lit_s / 3600 * HOUR
    words = f"{night.date:%A %d %B}: {night.show} {night.outcome}, lit {night.lit_s / 3600:.2f} h"
    words += f"; {night.why}" if night.why else ""
    words += "".join(f"\n{text}" for text in night.interruptions[:10])
    yield f"<g><title>{escape(words)}</title>"
    yield f'<rect class="due" x="{x:g}" y="{floor - due:g}" width="{wide:g}" height="{due:g}"/>'
    place = OUTCOMES.index(night.outcome)
    yield f'<rect class="o{place}" x="{x:g}" y="{floor - lit:g}" width="{wide:g}" height="{max(lit, 2.0):g}"/>'
    if night.interruptions:
        yield f'<circle class="mark" cx="{x + wide / 2:g}" cy="{floor + 10:g}" r="3"/>'
    yield "</g>"


def _due_h(night: NightReport) -> float:
    return (night.closes_ns - night.opens_ns) / 3.6e12


def _sums(report: Report) -> str:
    energy = report.energy_wh
    words = f"{len(report.nights)} nights, lit {report.lit_s / 3600:.1f} h, {sum(report.pieces.values())} pieces played"
    broken = sum(len(night.interruptions) for night in report.nights)
    words += f", {broken} interruptions"
    return words if energy is None else f"{words}, about {energy / 1000:.1f} kWh"
