"""The survey as one page to print and keep: nothing is fetched, all of it is in the file."""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator
from html import escape
from pathlib import Path

from gloaming.api.survey_picture import rig_picture
from gloaming.daemon.direction.season_svg import season_svg
from gloaming.daemon.survey import CAUTIONS, Survey
from gloaming.daemon.survey_words import PieceSurvey, clock, moments, plural, thinned
from gloaming.shows.analysis.currents import Load
from gloaming.shows.analysis.finding import Finding
from gloaming.shows.analysis.pieces import GENERAL, RED, RED_21

STYLE = Path(__file__).with_name("survey_page.css")
HEAVIEST_STRINGS = 10
METHOD = (
    "Currents: every frame of every piece, each slot in proportion to its level (pulse width) at the string's "
    "mA per channel and the site's brightness; steady is the mean over the heaviest ten seconds. What the pixels' own "
    "chips draw when they are black, and the supplies' losses, are not in it.",
    "Flashes: W3C WCAG 2.2, success criterion 2.3.1, pixel by pixel at every frame: general flashes (a change of 10 % "
    "of the maximum, the darker below 80 %), red flashes by the definition of WCAG 2.2 and by that of 2.1. More than "
    "three in any one second, over more than a quarter of the area, is an error.",
)


def page(found: Survey) -> str:
    """The whole document, UTF-8."""
    return "\n".join(
        (
            '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            f"<title>Survey: {escape(found.site)}</title>",
            f"<style>{STYLE.read_text(encoding='utf-8')}</style></head><body>",
            *_head(found),
            *_pictures(found),
            *_findings(found),
            *_currents(found),
            *_flashes(found),
            *_cautions(),
            "</body></html>\n",
        )
    )


def _head(found: Survey) -> Iterator[str]:
    yield '<header><div class="over">Survey before the season</div>'
    yield f"<h1>{escape(found.site)}</h1>"
    yield f'<div class="soft">{found.at:%A %d %B %Y, %H:%M}</div></header>'
    errors, warnings = found.count("error"), found.count("warning")
    worst = "error" if errors else "warning" if warnings else "good"
    verdict = "Not to be switched on as it is" if errors else "Nothing found that stands in the way"
    also = f"{plural(errors, 'error')}, {plural(warnings, 'warning')}"
    yield f'<div class="verdict {worst}"><b>{verdict}</b><span>{also}</span></div>'
    yield '<div class="figures">'
    for value, name in _figures(found):
        yield f"<div><b>{escape(value)}</b><span>{escape(name)}</span></div>"
    yield "</div>"


def _figures(found: Survey) -> Iterator[tuple[str, str]]:
    if found.rows:
        first, last = found.rows[0].night.date, found.rows[-1].night.date
        yield str(len({row.night.date for row in found.rows})), f"nights, {_day(first)} to {_day(last)} {last.year}"
    if found.of:
        yield f"{found.pixels:,}".replace(",", " "), f"pixels on {plural(found.strings, 'string')}"
        yield f"{found.brightness:.0%}", "brightness as it is set"
    if found.holds_at is not None:
        yield f"{int(found.holds_at * 100)}%", "brightness up to which every fuse and supply holds"
    if found.energy:
        spent = found.energy
        yield f"{spent.season_kwh:.1f} kWh", f"for the season's light, {spent.lit_hours:.0f} hours of it"
        yield f"{spent.night_kwh:.2f} kWh", f"a night; {spent.heaviest_kwh:.2f} on {_day(spent.heaviest)}"
        if spent.price is not None:
            yield f"{spent.price:.2f} {spent.currency}".strip(), "for the season, as the price is given"


def _day(day: object) -> str:
    return f"{day:%d %B}".lstrip("0")


def _pictures(found: Survey) -> Iterator[str]:
    if found.of is None:
        return
    drawn = rig_picture(found.of.rig)
    if drawn:
        caption = f"What hangs outside: {plural(found.controllers, 'controller')}, {plural(found.strings, 'string')}"
        yield f'<figure class="night">{drawn}<figcaption>{caption}, a colour for each controller</figcaption></figure>'
    if found.rows:
        first, last = found.rows[0].night.date, found.rows[-1].night.date
        image = base64.b64encode(season_svg(found.of, found.rows, first, last).encode()).decode()
        caption = (
            "Every night of the season: when it opens and closes, and the neighbours' hours, which nothing overrides"
        )
        yield f'<h2>When there is light</h2><figure><img alt="{caption}" src="data:image/svg+xml;base64,{image}">'
        yield f"<figcaption>{caption}</figcaption></figure>"


def _findings(found: Survey) -> Iterator[str]:
    yield "<h2>What was found</h2>"
    for section, findings in found.sections.items():
        if findings:
            yield f"<h3>{escape(section[0].upper() + section[1:])}</h3><table><tbody>"
            yield from (_finding(finding, more) for finding, more in thinned(findings))
            yield "</tbody></table>"


def _finding(finding: Finding, more: int) -> str:
    todo = f'<span class="todo">{escape(finding.todo)}</span>' if finding.todo else ""
    also = f'<span class="todo">and {more} more like it</span>' if more else ""
    mark = f'<td style="width:5.4rem"><span class="mark {finding.severity}">{finding.severity}</span></td>'
    return f"<tr>{mark}<td><b>{escape(finding.place)}</b>: {escape(finding.text)}{todo}{also}</td></tr>"


def _currents(found: Survey) -> Iterator[str]:
    if not any(piece.loads for piece in found.pieces):
        return
    yield f"<h2>Current, at brightness {found.brightness:g}</h2>"
    on = "on: no frame leaves that would draw more than a fuse or a supply allows" if found.limiter else "switched off"
    yield f'<p class="small soft">The limiter is {on}. {METHOD[0]}</p>'
    head = ("Piece", "Length", "Heaviest string", "", "Heaviest supply", "", "Mean power", "Holds up to")
    rows = (_piece_row(piece) for piece in found.pieces)
    yield _table(head, rows, {1, 3, 5, 6, 7})
    for kind, title, most in (("supply", "Supplies", 1000), ("string", "The heaviest strings", HEAVIEST_STRINGS)):
        loads = sorted(_worst(found.pieces, kind), key=lambda pair: -_share(pair[1]))[:most]
        if loads:
            yield f"<h3>{title}, over all pieces</h3>"
            yield _table(
                ("Name", "In", "At", "Highest", "Over 10 s", "May", ""),
                (_load_row(piece, load) for piece, load in loads),
                {2, 3, 4, 5},
            )


def _piece_row(piece: PieceSurvey) -> list[str]:
    fps, info = piece.analysis.info.fps, piece.analysis.info
    cells = [escape(piece.name), clock(info.frames, fps)]
    for kind in ("string", "supply"):
        loads = [load for load in piece.loads if load.kind == kind]
        worst = max(loads, key=lambda load: (_share(load), load.peak_a), default=None)
        cells += [escape(worst.name), _of_limit(worst)] if worst else ["", ""]
    holds = "" if piece.holds_at is None else f"{int(piece.holds_at * 100)}%"
    return [*cells, f"{piece.mean_w:.0f} W", holds]


def _of_limit(load: Load) -> str:
    limit = "" if load.limit_a is None else f" of {load.limit_a:g}"
    return f"{load.peak_a:.1f}{limit} A"


def _worst(pieces: Iterable[PieceSurvey], kind: str) -> list[tuple[PieceSurvey, Load]]:
    """Of each string or supply, the piece that loads it most."""
    worst: dict[str, tuple[PieceSurvey, Load]] = {}
    for piece in pieces:
        for load in piece.loads:
            if load.kind == kind and (load.name not in worst or load.peak_a > worst[load.name][1].peak_a):
                worst[load.name] = piece, load
    return list(worst.values())


def _share(load: Load) -> float:
    return load.peak_a / load.limit_a if load.limit_a else 0.0


def _load_row(piece: PieceSurvey, load: Load) -> list[str]:
    share = _share(load)
    over = ' class="over"' if share > 1 else ""
    bar = f'<div class="bar"><i{over} style="width:{min(100, 100 * share):.0f}%"></i></div>' if load.limit_a else ""
    limit = f"{load.limit_a:g} A" if load.limit_a else "not given"
    moment = clock(load.peak_frame, piece.analysis.info.fps)
    figures = [moment, f"{load.peak_a:.2f} A", f"{load.steady_a:.2f} A", limit]
    return [escape(load.name), escape(piece.name), *figures, bar]


def _table(head: Iterable[str], rows: Iterable[list[str]], numbers: set[int]) -> str:
    def cell(tag: str, at: int, text: str) -> str:
        return f'<{tag} class="number">{text}</{tag}>' if at in numbers else f"<{tag}>{text}</{tag}>"

    top = "".join(cell("th", at, text) for at, text in enumerate(head))
    body = "".join(f"<tr>{''.join(cell('td', at, text) for at, text in enumerate(row))}</tr>" for row in rows)
    return f'<div class="wide"><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>'


def _flashes(found: Survey) -> Iterator[str]:
    if not any(piece.loads for piece in found.pieces):
        return
    area = (
        f"The area is taken by position: squares as wide as ten degrees of view from {found.seen_from_m:g} m away, and "
        "the whole rig, each as the share of its pixels that light up in the piece."
        if found.by_position
        else "The area is the share of the pixels that light up in the piece: of each string, each group and the whole."
    )
    yield f'<h2>Flashing light</h2><p class="small soft">{METHOD[1]} {area}</p>'
    head = ("Piece", "General flashes", "Red flashes", "Red, by WCAG 2.1")
    yield _table(head, (_flash_row(piece) for piece in found.pieces), set())


def _flash_row(piece: PieceSurvey) -> list[str]:
    cells = [escape(piece.name)]
    for rule in (GENERAL, RED, RED_21):
        seconds = sorted({second for each in piece.analysis.flashing if each.rule == rule for second in each.seconds})
        cells.append(f'<b class="mark error">too many</b> at {moments(seconds)}' if seconds else "none too many")
    return cells


def _cautions() -> Iterator[str]:
    items = "".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)
    yield f'<section class="cautions"><h2>Cautions</h2><ul>{items}</ul></section>'
    yield '<div class="signed"><div>Surveyed by, date</div><div>Electrician, date</div><div>Seen by, date</div></div>'
