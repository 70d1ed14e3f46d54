"""A season as one picture: dates from left to right, each from noon to noon. It has light and dark colours."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from itertools import groupby
from typing import NamedTuple

from gloaming.daemon.direction.occurrences import neighbours_windows
from gloaming.daemon.direction.zones_in_force import REST
from gloaming.daemon.reports.nights import SeasonNight
from gloaming.daemon.reports.render import render
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.sun import stays_below, sun_after
from gloaming.daemon.timetable.zones import resolve
from gloaming.shows.time_units import SECOND_NS

HOUR = 26.0
"""The height of an hour, in the picture's units."""
LEFT, TOP, BOTTOM, RIGHT = 72.0, 100.0, 118.0, 40.0
SHOW_COLOURS = 5
HORIZON, TWILIGHT = ("sunset", "sunrise"), ("dusk", "dawn")


def season_svg(site: Site, rows: tuple[SeasonNight, ...], first: date, last: date) -> str:
    """The picture of the nights from `first` to `last`, as a self-contained SVG document."""
    lit_hours = sum(row.closes_ns - row.night.opens_ns for row in rows) / SECOND_NS / 3600
    sheet = _Sheet(site, rows, first, last)
    return render("season.svg", sheet=sheet, site=site, rows=rows, first=first, last=last, lit_hours=lit_hours)


class _Column(NamedTuple):
    """A date, from its noon to the next."""

    date: date
    x: float
    from_ns: int
    until_ns: int


class _Bar(NamedTuple):
    css: str
    x: float
    y: float
    width: float
    height: float
    rx: float


class _DateMark(NamedTuple):
    """The grid at a date: the class of a line, the day's number and the month's name; empty if there is none."""

    x: float
    line: str
    day: int | None
    month: str


class _Sheet:
    """The places of everything in the picture."""

    left, top, bottom, hour = LEFT, TOP, TOP + 24 * HOUR, HOUR

    def __init__(self, site: Site, rows: tuple[SeasonNight, ...], first: date, last: date) -> None:
        # the hours of zones are not drawn: a column is one picture of the whole rig
        self._site, self._rows, self._first, self._last = site.in_zones(REST), rows, first, last
        self._shows = list(dict.fromkeys(row.night.show for row in rows))
        count = (last - first).days + 1
        self.column = max(3.0, min(96.0, 1000 / count))
        self.right = LEFT + self.column * count
        self.width, self.height = max(LEFT + 840.0, self.right) + RIGHT, self.bottom + BOTTOM
        dates = [first + timedelta(days=number) for number in range(count + 1)]
        noons = [resolve(day, time(12), site.timezone) for day in dates]
        self._columns = [
            _Column(day, LEFT + number * self.column, *noons[number : number + 2])
            for number, day in enumerate(dates[:-1])
        ]
        self._windows = [
            (column, window)
            for column in self._columns
            for window in neighbours_windows(self._site, column.from_ns, column.until_ns)
        ]

    def _y(self, column: _Column, at_ns: int) -> float:
        """The y of an instant in a date's column, by local time, within the column."""
        local = datetime.fromtimestamp(at_ns / SECOND_NS, self._site.timezone).replace(tzinfo=None)
        hours = (local - datetime.combine(column.date, time(12))).total_seconds() / 3600
        return TOP + max(0.0, min(24.0, hours)) * HOUR

    def _bar(self, column: _Column, from_ns: int, until_ns: int, css: str, inset: float = 0.0, rx: float = 0.0) -> _Bar:
        """`inset`: how much narrower than its column the bar is, on each side."""
        top, bottom = self._y(column, from_ns), self._y(column, until_ns)
        return _Bar(css, column.x + inset, top, self.column - 2 * inset, max(0.0, bottom - top), rx)

    def sky(self) -> Iterator[_Bar]:
        """Twilight and night."""
        for column in self._columns:
            for css, events in (("glow", HORIZON), ("night", TWILIGHT)):
                for from_ns, until_ns in self._down(column, events):
                    yield self._bar(column, from_ns, until_ns, css, -0.05)

    def _down(self, column: _Column, events: tuple[str, str]) -> tuple[tuple[int, int], ...]:
        """When the sun is down between a date's noon and the next: from an evening event to a morning event."""
        falls, rises = (self._sun(column, event) for event in events)
        if falls is None and rises is None:
            always = stays_below(self._site.spot, column.date, events[0])
            return ((column.from_ns, column.until_ns),) if always else ()
        falls = column.from_ns if falls is None else falls
        rises = column.until_ns if rises is None else rises
        return ((falls, rises),) if falls <= rises else ((column.from_ns, rises), (falls, column.until_ns))

    def _sun(self, column: _Column, event: str) -> int | None:
        """The instant of an event of the sun; None if the column has none."""
        at_ns = sun_after(self._site.spot, column.from_ns, event)
        return at_ns if at_ns is not None and at_ns < column.until_ns else None

    def marks(self) -> Iterator[_DateMark]:
        """The grid's lines at weeks and months, with their names if there is room."""
        weekly = len(self._columns) <= 120
        for day, x, _, _ in self._columns:
            monday = weekly and day.weekday() == 0
            line = "grid first" if day.day == 1 else "grid" if monday else ""
            yield _DateMark(x, line, day.day if monday or len(self._columns) <= 31 else None, self._month(day, weekly))

    def _month(self, day: date, weekly: bool) -> str:
        if day.day != 1 and day != self._first:
            return ""
        month = f"{day:%B %Y}" if weekly else f"{day:%b}" + (f" {day:%Y}" if day.month == 1 else "")
        days_left = (date(day.year + day.month // 12, day.month % 12 + 1, 1) - day).days
        room = self.column * min(days_left, (self._last - day).days + 1)
        return month if room > 7.6 * len(month) else ""

    def hours(self) -> Iterator[_Bar]:
        """Dark and dim hours."""
        for column, window in self._windows:
            if not window.quiet:
                from_ns, until_ns = max(window.from_ns, column.from_ns), min(window.until_ns, column.until_ns)
                yield self._bar(column, from_ns, until_ns, "dim" if window.ceiling else "dark")

    def quiet(self) -> Iterator[tuple[float, float]]:
        """Where quiet hours begin and end."""
        for column, window in self._windows:
            for edge_ns in (window.from_ns, window.until_ns):
                if window.quiet and column.from_ns <= edge_ns < column.until_ns:
                    yield column.x, self._y(column, edge_ns)

    def nights(self) -> Iterator[_Bar]:
        """The performances: each is in its date's column, or the one before or after."""
        for row in self._rows:
            css, at = self._css(row.night.show), (row.night.date - self._first).days
            for column in self._columns[max(0, at - 1) : at + 2]:
                from_ns, until_ns = max(row.night.opens_ns, column.from_ns), min(row.closes_ns, column.until_ns)
                if from_ns < until_ns:
                    yield self._bar(column, from_ns, until_ns, css, self.column * 0.14, self.column * 0.2)

    def _css(self, show: str) -> str:
        return f"s{self._shows.index(show) % SHOW_COLOURS}"

    def curves(self) -> Iterator[list[tuple[float, float]]]:
        """The curves of sunset and sunrise. A curve ends where the sun does not set or rise."""
        for event in HORIZON:
            found = [(column, self._sun(column, event)) for column in self._columns]
            for _, run in groupby(found, key=lambda one: one[1] is None):
                points = [(each.x + self.column / 2, self._y(each, at_ns)) for each, at_ns in run if at_ns is not None]
                if points:
                    yield points

    def legend(self) -> Iterator[tuple[float, float, str, str]]:
        """The legend in two rows: the shows, then sun and neighbours' hours."""
        hours = self._site.neighbours
        rows = (
            [(self._css(show), show) for show in self._shows],
            [("sun", "sunset and sunrise"), ("glow", "civil twilight"), ("night", "night")]
            + ([("dark", "no light")] if hours.dark else [])
            + ([("dim", "lower light")] if hours.dim else [])
            + ([("quiet", "quiet from and to")] if hours.quiet else []),
        )
        for number, entries in enumerate(rows):
            x, y = LEFT, self.height - 54 + 24 * number
            for css, text in entries:
                yield x, y, css, text
                x += 56 + 6.7 * len(text)
