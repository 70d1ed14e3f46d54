"""A season as one picture: dates across, the night from noon to noon down, readable in print and in the dark."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from itertools import groupby
from xml.sax.saxutils import escape

from gloaming.daemon.direction.billing import neighbours_windows
from gloaming.daemon.reports.nights import Row
from gloaming.daemon.site.load import Site
from gloaming.daemon.timetable.sun import stays_below, sun_after
from gloaming.daemon.timetable.zones import resolve

HOUR = 26.0
"""Height of an hour in the picture's units."""
LEFT, TOP, BOTTOM, RIGHT = 72.0, 100.0, 118.0, 40.0
SHOW_COLOURS = 5
HORIZON, TWILIGHT = ("sunset", "sunrise"), ("dusk", "dawn")
STYLE = """
:root { --paper:#fffdf7; --ink:#23263a; --soft:#6b7085; --line:#8d90a6; --noon:#fff6da; --day:#fdebc2; --glow:#f6cfae;
 --eve:#e4e4f3; --night:#bcc6e6; --sun:#c05a0c; --dark:#2f3757;
 --a:#0b7471; --b:#a3356b; --c:#7d6400; --d:#3558b8; --e:#7f3fa8 }
@media (prefers-color-scheme: dark) { :root { --paper:#0d1020; --ink:#f1ece0; --soft:#a7abc2; --line:#7d83a3;
 --noon:#4a4020; --day:#3d3320; --glow:#5a3426; --eve:#1f2442; --night:#121633; --sun:#ffb066; --dark:#aab3d8;
 --a:#4fd0c8; --b:#f58cbd; --c:#e8cf4f; --d:#93b4ff; --e:#cda2ff } }
text { font: 12px system-ui, "DejaVu Sans", sans-serif; fill: var(--ink) } .soft { fill: var(--soft) }
.title { font-size: 26px; font-weight: 650; letter-spacing: .3px } .month { font-size: 13px; font-weight: 600 }
.paper { fill: var(--paper) } .day { fill: url(#day) } .glow { fill: var(--glow) } .night { fill: url(#night) }
.grid { stroke: var(--line); stroke-width: .6; opacity: .35 } .first { stroke: var(--line); opacity: .8 }
.frame { fill: none; stroke: var(--line) }
.sun { fill: none; stroke: var(--sun); stroke-width: 2.2; stroke-linejoin: round; stroke-linecap: round }
.dark { fill: url(#hatch) } .hatch { stroke: var(--dark); stroke-width: 1.1; opacity: .6 }
.dim { fill: var(--dark); opacity: .17 } .quiet { stroke: var(--dark); stroke-width: 1.6; stroke-dasharray: 2 3 }
.s0 { fill: var(--a) } .s1 { fill: var(--b) } .s2 { fill: var(--c) } .s3 { fill: var(--d) } .s4 { fill: var(--e) }
"""
DEFS = """<defs>
<pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">
<line class="hatch" y2="7"/></pattern>
<linearGradient id="day" x2="0" y2="1"><stop stop-color="var(--noon)"/><stop offset=".25" stop-color="var(--day)"/>
<stop offset=".75" stop-color="var(--day)"/><stop offset="1" stop-color="var(--noon)"/></linearGradient>
<linearGradient id="night" x2="0" y1="{top:g}" y2="{bottom:g}" gradientUnits="userSpaceOnUse">
<stop offset=".15" stop-color="var(--eve)"/><stop offset=".5" stop-color="var(--night)"/>
<stop offset=".85" stop-color="var(--eve)"/></linearGradient></defs>"""


def season_svg(site: Site, rows: tuple[Row, ...], first: date, last: date) -> str:
    """The picture of the nights from `first` to `last`, as a self-contained SVG document."""
    return "\n".join(_Sheet(site, rows, first, last).lines()) + "\n"


class _Sheet:
    def __init__(self, site: Site, rows: tuple[Row, ...], first: date, last: date) -> None:
        self.site, self.rows, self.first = site, rows, first
        self.dates = [first + timedelta(days=number) for number in range((last - first).days + 1)]
        self.column = max(3.0, min(96.0, 1000 / len(self.dates)))
        self.width = LEFT + max(840.0, self.column * len(self.dates)) + RIGHT
        self.height = TOP + 24 * HOUR + BOTTOM
        self.shows = list(dict.fromkeys(row.night.show for row in rows))

    def lines(self) -> Iterator[str]:
        yield (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width:g} {self.height:g}" '
            f'width="{self.width:g}" height="{self.height:g}" role="img" aria-labelledby="title">'
        )
        name = f"{self.site.name}: {self.first:%d %B %Y} to {self.dates[-1]:%d %B %Y}"
        yield f'<title id="title">{escape(name)}</title><style>{STYLE}</style>'
        yield DEFS.format(top=TOP, bottom=TOP + 24 * HOUR)
        yield f'<rect class="paper" width="{self.width:g}" height="{self.height:g}"/>'
        yield f'<text class="title" x="{LEFT:g}" y="48">{escape(self.site.name)}</text>'
        hours = sum(row.closes_ns - row.night.opens_ns for row in self.rows) / 3600e9
        nights = f"{len(self.rows)} performances" if len(self.rows) != 1 else "one performance"
        told = f"{_day(self.dates[0])} to {_day(self.dates[-1])}: {nights}, {hours:.0f} hours"
        yield f'<text class="soft" x="{LEFT:g}" y="74">{escape(told)}; times of {escape(self.site.timezone.key)}</text>'
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
            for css, events in (("glow", HORIZON), ("night", TWILIGHT)):
                for from_ns, until_ns in self.down(day, events):
                    yield self.bar(day, from_ns, until_ns, css, -0.05)

    def down(self, day: date, events: tuple[str, str]) -> tuple[tuple[int, int], ...]:
        """When the sun is down from a date's noon to the next: from an event of the evening to one of the morning."""
        noon_ns, next_ns = self.noon(day), self.noon(day + timedelta(days=1))
        found = (sun_after(self.site.spot, noon_ns, event) for event in events)
        falls, rises = (at_ns if at_ns is not None and at_ns < next_ns else None for at_ns in found)
        if falls is None and rises is None:
            return ((noon_ns, next_ns),) if stays_below(self.site.spot, day, events[0]) else ()
        falls, rises = noon_ns if falls is None else falls, next_ns if rises is None else rises
        return ((falls, rises),) if falls <= rises else ((noon_ns, rises), (falls, next_ns))

    def grid(self) -> Iterator[str]:
        right, bottom = LEFT + self.column * len(self.dates), TOP + 24 * HOUR
        for hour in range(0, 25, 2):
            y = TOP + hour * HOUR
            yield f'<line class="grid" x1="{LEFT:g}" x2="{right:g}" y1="{y:g}" y2="{y:g}"/>'
            clock = f"{(hour + 12) % 24:02}:00"
            yield f'<text class="soft" x="{LEFT - 10:g}" y="{y + 4:g}" text-anchor="end">{clock}</text>'
        weekly = len(self.dates) <= 120
        for day in self.dates:
            x = self.x(day)
            if day.day == 1 or (weekly and day.weekday() == 0):
                css = "grid first" if day.day == 1 else "grid"
                yield f'<line class="{css}" x1="{x:g}" x2="{x:g}" y1="{TOP:g}" y2="{bottom:g}"/>'
            if (weekly and day.weekday() == 0) or len(self.dates) <= 31:
                middle = x + self.column / 2
                yield f'<text class="soft" x="{middle:g}" y="{bottom + 17:g}" text-anchor="middle">{day.day}</text>'
            if day.day == 1 or day == self.first:
                month = f"{day:%B %Y}" if weekly else f"{day:%b}" + (f" {day:%Y}" if day.month == 1 else "")
                days_left = (date(day.year + day.month // 12, day.month % 12 + 1, 1) - day).days
                if self.column * min(days_left, (self.dates[-1] - day).days + 1) > 7.6 * len(month):
                    yield f'<text class="month" x="{x + 2:g}" y="{bottom + 38:g}">{month}</text>'
        yield f'<rect class="frame" x="{LEFT:g}" y="{TOP:g}" width="{right - LEFT:g}" height="{24 * HOUR:g}"/>'

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
            extra = f' rx="{self.column * 0.2:.2f}"'
            for shift in (-1, 0, 1):  # the columns that it can reach: each ends at noon
                day = row.night.date + timedelta(days=shift)
                from_ns = max(row.night.opens_ns, self.noon(day))
                until_ns = min(row.closes_ns, self.noon(day + timedelta(days=1)))
                if day in self.dates and from_ns < until_ns:
                    yield self.bar(day, from_ns, until_ns, css, self.column * 0.14, extra)

    def curves(self) -> Iterator[str]:
        for event in HORIZON:
            points: list[tuple[float, float] | None] = []
            for day in self.dates:
                at_ns = sun_after(self.site.spot, self.noon(day), event)
                within = at_ns is not None and at_ns < self.noon(day + timedelta(days=1))
                points.append((self.x(day) + self.column / 2, self.y(day, at_ns)) if within and at_ns else None)
            for there, run in groupby(points, key=lambda point: point is not None):
                if there:
                    path = " ".join(f"{point[0]:.2f},{point[1]:.2f}" for point in run if point)
                    yield f'<polyline class="sun" points="{path}"/>'

    def legend(self) -> Iterator[str]:
        """What is what, in two rows: the shows, then sun and neighbours' hours."""
        areas = [(f"s{number % SHOW_COLOURS}", show) for number, show in enumerate(self.shows)]
        hours = self.site.neighbours
        rows = (
            areas,
            [("sun", "sunset and sunrise"), ("glow", "civil twilight"), ("night", "night")]
            + ([("dark", "no light")] if hours.dark else [])
            + ([("dim", "lower light")] if hours.dim else [])
            + ([("quiet", "quiet from and to")] if hours.quiet else []),
        )
        for number, entries in enumerate(rows):
            x, y = LEFT, self.height - 54 + 24 * number
            for css, text in entries:
                if css in ("sun", "quiet"):
                    yield f'<line class="{css}" x1="{x:g}" x2="{x + 22:g}" y1="{y + 6:g}" y2="{y + 6:g}"/>'
                else:
                    yield f'<rect class="{css}" x="{x:g}" y="{y:g}" width="22" height="12" rx="2"/>'
                yield f'<text x="{x + 29:g}" y="{y + 10:g}">{escape(text)}</text>'
                x += 56 + 6.7 * len(text)


def _day(day: date) -> str:
    return f"{day:%A} {day.day} {day:%B %Y}"
