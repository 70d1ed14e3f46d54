"""A season as one picture: dates across, the night from noon to noon down, readable in print and in the dark."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from itertools import groupby
from xml.sax.saxutils import escape

from gloaming.daemon.direction.billing import neighbours_windows
from gloaming.daemon.direction.season import Row
from gloaming.daemon.site import Site
from gloaming.daemon.timetable.local import resolve
from gloaming.daemon.timetable.sun import sunrise_after, sunset_after

HOUR = 26.0
"""Height of an hour in the picture's units."""
LEFT, TOP, BOTTOM, RIGHT = 64.0, 92.0, 96.0, 28.0
SHOW_COLOURS = 5
STYLE = """
:root { --paper:#fffdf8; --ink:#22252e; --faint:#d9d6cd; --day:#fbeecb; --night:#e6e8f1; --sun:#b4540a;
 --dark:#565c72; --a:#0b6e6e; --b:#9a3563; --c:#6a5a00; --d:#3a55a8; --e:#7a3fa0 }
@media (prefers-color-scheme: dark) { :root { --paper:#12141c; --ink:#ece9e0; --faint:#343848; --day:#3b3420;
 --night:#1b1f2e; --sun:#ffb066; --dark:#9aa2bd; --a:#4fc6c0; --b:#f08ab8; --c:#e0c94a; --d:#8fb0ff; --e:#c79af0 } }
text { font: 12px system-ui, sans-serif; fill: var(--ink) } .title { font-size: 20px; font-weight: 600 }
.small { font-size: 11px } .grid { stroke: var(--faint); stroke-width: 1 }
.paper { fill: var(--paper) } .day { fill: var(--day) } .night { fill: var(--night) }
.sun { fill: none; stroke: var(--sun); stroke-width: 2 } .dark { fill: url(#hatch) }
.hatch { stroke: var(--dark); stroke-width: 1.4; opacity: .75 } .dim { fill: var(--dark); opacity: .16 }
.quiet { stroke: var(--dark); stroke-width: 1.5; stroke-dasharray: 3 3 }
.s0 { fill: var(--a) } .s1 { fill: var(--b) } .s2 { fill: var(--c) } .s3 { fill: var(--d) } .s4 { fill: var(--e) }
"""


def season_svg(site: Site, rows: tuple[Row, ...], first: date, last: date) -> str:
    """The picture of the nights from `first` to `last`, as a self-contained SVG document."""
    return "\n".join(_Sheet(site, rows, first, last).lines()) + "\n"


class _Sheet:
    def __init__(self, site: Site, rows: tuple[Row, ...], first: date, last: date) -> None:
        self.site, self.rows, self.first = site, rows, first
        self.dates = [first + timedelta(days=number) for number in range((last - first).days + 1)]
        self.column = max(3.0, min(22.0, 1000 / len(self.dates)))
        self.width = LEFT + max(620.0, self.column * len(self.dates)) + RIGHT
        self.height = TOP + 24 * HOUR + BOTTOM
        self.shows = list(dict.fromkeys(row.night.show for row in rows))

    def lines(self) -> Iterator[str]:
        yield (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:g} {self.height:g}" '
            f'width="{self.width:g}" height="{self.height:g}" role="img" aria-labelledby="title">'
        )
        name = f"{self.site.name}: {self.first:%d %B %Y} to {self.dates[-1]:%d %B %Y}"
        yield f'<title id="title">{escape(name)}</title><style>{STYLE}</style>'
        yield (
            '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><line class="hatch" y2="6"/></pattern></defs>'
        )
        yield f'<rect class="paper" width="{self.width:g}" height="{self.height:g}"/>'
        yield f'<text class="title" x="{LEFT:g}" y="34">{escape(self.site.name)}</text>'
        span = f"{self.dates[0]:%A %d %B %Y} to {self.dates[-1]:%A %d %B %Y}"
        yield f'<text x="{LEFT:g}" y="56">{escape(f"{span}, {len(self.rows)} nights")}</text>'
        yield from self.sky()
        yield from self.grid()
        yield from self.hours()
        yield from self.nights()
        yield from self.curves()
        yield from self.legend()
        yield "</svg>"

    def noon(self, day: date) -> int:
        return resolve(day, time(12), self.site.timezone)

    def x(self, day: date) -> float:
        return LEFT + (day - self.first).days * self.column

    def y(self, day: date, at_ns: int) -> float:
        """The height of an instant on a date's column, by the local clock, within the column."""
        local = datetime.fromtimestamp(at_ns / 1e9, self.site.timezone).replace(tzinfo=None)
        hours = (local - datetime.combine(day, time(12))).total_seconds() / 3600
        return TOP + max(0.0, min(24.0, hours)) * HOUR

    def bar(self, day: date, from_ns: int, until_ns: int, css: str, inset: float = 0.0, extra: str = "") -> str:
        top, bottom = self.y(day, from_ns), self.y(day, until_ns)
        return (
            f'<rect class="{css}" x="{self.x(day) + inset:.2f}" y="{top:.2f}" '
            f'width="{self.column - 2 * inset:.2f}" height="{max(0.0, bottom - top):.2f}"{extra}/>'
        )

    def sky(self) -> Iterator[str]:
        area = f'x="{LEFT:g}" width="{self.column * len(self.dates):g}" y="{TOP:g}" height="{24 * HOUR:g}"'
        yield f'<rect class="day" {area}/>'
        for day in self.dates:
            noon_ns, next_ns = self.noon(day), self.noon(day + timedelta(days=1))
            down, up = sunset_after(self.site.spot, noon_ns), sunrise_after(self.site.spot, noon_ns)
            if down is not None and up is not None and down < up:
                yield self.bar(day, min(down, next_ns), min(up, next_ns), "night")

    def grid(self) -> Iterator[str]:
        right, bottom = LEFT + self.column * len(self.dates), TOP + 24 * HOUR
        for hour in range(0, 25, 2):
            y = TOP + hour * HOUR
            yield f'<line class="grid" x1="{LEFT:g}" x2="{right:g}" y1="{y:g}" y2="{y:g}"/>'
            clock = f"{(hour + 12) % 24:02}:00"
            yield f'<text class="small" x="{LEFT - 8:g}" y="{y + 4:g}" text-anchor="end">{clock}</text>'
        weekly = len(self.dates) <= 120
        for day in self.dates:
            if day.day == 1 or (weekly and day.weekday() == 0) or day == self.first:
                x = self.x(day)
                yield f'<line class="grid" x1="{x:g}" x2="{x:g}" y1="{TOP:g}" y2="{bottom:g}"/>'
            if day.day == 1 or (weekly and day.weekday() == 0):
                label = f"{day:%d %b}" if weekly else f"{day:%b}"
                yield f'<text class="small" x="{self.x(day):g}" y="{bottom + 18:g}">{label}</text>'

    def hours(self) -> Iterator[str]:
        for day in self.dates:
            noon_ns, next_ns = self.noon(day), self.noon(day + timedelta(days=1))
            for window in neighbours_windows(self.site, noon_ns, next_ns):
                from_ns, until_ns = max(window.from_ns, noon_ns), min(window.until_ns, next_ns)
                if window.quiet:
                    for edge in (window.from_ns, window.until_ns):
                        if noon_ns <= edge < next_ns:
                            y = self.y(day, edge)
                            x = self.x(day)
                            yield f'<line class="quiet" x1="{x:g}" x2="{x + self.column:g}" y1="{y:.2f}" y2="{y:.2f}"/>'
                else:
                    yield self.bar(day, from_ns, until_ns, "dim" if window.ceiling else "dark")

    def nights(self) -> Iterator[str]:
        for row in self.rows:
            css = f"s{self.shows.index(row.night.show) % SHOW_COLOURS}"
            day = row.night.date
            noon_ns = self.noon(day)
            if row.night.opens_ns < noon_ns:
                day, noon_ns = day - timedelta(days=1), self.noon(day - timedelta(days=1))
            if day < self.first:
                continue
            yield self.bar(day, row.night.opens_ns, row.closes_ns, css, self.column * 0.16, ' rx="2"')

    def curves(self) -> Iterator[str]:
        for event in (sunset_after, sunrise_after):
            points: list[tuple[float, float] | None] = []
            for day in self.dates:
                at_ns = event(self.site.spot, self.noon(day))
                within = at_ns is not None and at_ns < self.noon(day + timedelta(days=1))
                points.append((self.x(day) + self.column / 2, self.y(day, at_ns)) if within and at_ns else None)
            for there, run in groupby(points, key=lambda point: point is not None):
                if there:
                    path = " ".join(f"{point[0]:.2f},{point[1]:.2f}" for point in run if point)
                    yield f'<polyline class="sun" points="{path}"/>'

    def legend(self) -> Iterator[str]:
        x, y = LEFT, self.height - 44
        entries = [(f"s{number % SHOW_COLOURS}", show) for number, show in enumerate(self.shows)]
        entries += [("night", "sun down"), ("dark", "dark hours: no light"), ("dim", "dim hours")]
        for css, text in entries:
            yield f'<rect class="{css}" x="{x:g}" y="{y:g}" width="16" height="12"/>'
            yield f'<text x="{x + 22:g}" y="{y + 10:g}">{escape(text)}</text>'
            x += 46 + 6.6 * len(text)
        y += 22
        for css, text, at in (("sun", "sunset and sunrise", LEFT), ("quiet", "quiet hours begin and end", LEFT + 190)):
            yield f'<line class="{css}" x1="{at:g}" x2="{at + 16:g}" y1="{y + 6:g}" y2="{y + 6:g}"/>'
            yield f'<text x="{at + 22:g}" y="{y + 10:g}">{escape(text)}</text>'
