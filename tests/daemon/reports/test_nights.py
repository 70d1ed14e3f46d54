"""The nights of a season as a calendar and as a picture; New Year's night is the same in every report."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import icalendar
import pytest
import vobject

from gloaming.api.cli.main import main
from gloaming.daemon.reports.calendar import season_ics
from gloaming.daemon.reports.nights import not_given, season
from gloaming.daemon.reports.season_svg import HOUR, TOP, season_svg
from gloaming.daemon.reports.survey_schedule import survey_schedule
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.shows.analysis.finding import FindingCode
from tests.daemon.quay_site import EVENING, SECOND_NS, TABLES, performance, place, site_of, write

NEW_YEAR_HOURS = """
[neighbours]
dark = [
  { from = "22:30", to = "07:00", except = ["12-31"] },
  { dates = ["01-01"], from = "00:30", to = "07:00" },
]
quiet = [{ from = "21:00", to = "09:00", except = ["12-31"] }]
dim = [{ from = "21:30", to = "22:30", brightness = 0.5, except = ["12-31"] }]
"""
USUAL = '\n[[performance]]\nshow = "evening"\nseason = "11-27..01-06"\nfrom = "16:30"\nto = "21:00"\n'
NEW_YEAR = performance('dates = ["2026-12-31"]\nfrom = "21:00"\nto = "00:30"\nrank = 1', "turn of the year")
OPENS, CLOSES = "2026-12-31T21:00:00+00:00", "2027-01-01T00:30:00+00:00"


ZONES = """[[controller]]
name = "left"
universes = "1-4"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 1
group = "roof"

[[zone]]
name = "path"
controllers = ["left"]
"""


def command(capsys: pytest.CaptureFixture[str], *args: str | Path) -> tuple[int, str]:
    """Run one call; its exit code and what it printed."""
    code = main([str(arg) for arg in args])
    return code, capsys.readouterr().out


def events(site: Site, data: bytes) -> dict[str, tuple[datetime, datetime]]:
    """What the icalendar package reads: by UID, when each event begins and ends."""
    calendar = icalendar.Calendar.from_ical(data)
    assert [zone["TZID"] for zone in calendar.walk("VTIMEZONE")] == [site.timezone.key]
    return {str(one["UID"]): (one["DTSTART"].dt, one["DTEND"].dt) for one in calendar.walk("VEVENT")}


@pytest.mark.parametrize(
    "where",
    [
        place(54.486, -0.613, "Europe/London"),
        place(1.87, -157.4, "Pacific/Kiritimati"),
        place(-31.5, 159.1, "Australia/Lord_Howe"),
        place(40.7, -74.0, "America/New_York"),
    ],
)
def test_a_calendar_has_every_night_at_its_instants_for_two_readers(tmp_path: Path, where: str) -> None:
    """The packages icalendar and vobject read the same instants; vobject by the VTIMEZONE of the file alone."""
    site = site_of(tmp_path, TABLES, performance('from = "sunset + 20 min"\nto = "22:00"'), place=where)
    first = date(2026, 9, 20)
    rows = season(site, first, first + timedelta(days=250))
    data = season_ics(site, rows, datetime(2026, 11, 25, 12, tzinfo=UTC))
    read = sorted(events(site, data).values())
    assert len(read) == len(rows) == 251
    assert [begin.tzinfo.key for begin, _ in read] == [site.timezone.key] * 251  # type: ignore[union-attr]  # a ZoneInfo
    other = sorted((event.dtstart.value, event.dtend.value) for event in vobject.readOne(data.decode()).vevent_list)
    for row, ours, theirs in zip(rows, read, other, strict=True):
        expected = (row.night.opens_ns // SECOND_NS, row.closes_ns // SECOND_NS)
        assert tuple(int(at.timestamp()) for at in ours) == expected
        assert tuple(int(at.timestamp()) for at in theirs) == expected


def test_a_night_keeps_its_uid_when_its_times_move(tmp_path: Path) -> None:
    made = datetime(2026, 11, 25, 12, tzinfo=UTC)
    first, last = date(2026, 12, 1), date(2027, 1, 5)
    before = site_of(tmp_path, TABLES, EVENING, NEW_YEAR.replace("21:00", "22:00"))
    after = site_of(tmp_path, TABLES, EVENING.replace("+ 20 min", "+ 40 min"), NEW_YEAR.replace("21:00", "22:00"))
    one = events(before, season_ics(before, season(before, first, last), made))
    two = events(after, season_ics(after, season(after, first, last), made))
    assert list(one) == list(two)
    assert len(set(one)) == 37
    assert one != two


SVG = "{http://www.w3.org/2000/svg}"


def test_new_years_night_is_the_same_in_why_nights_rehearse_calendar_and_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(tmp_path, NEW_YEAR_HOURS, TABLES, USUAL, NEW_YEAR)
    dates = ("--from", "2026-12-29", "--days", "5")

    _, out = command(capsys, "nights", folder, *dates, "--json")
    rows = json.loads(out)
    assert [(row["date"], row["show"]) for row in rows] == [
        ("2026-12-29", "evening"),
        ("2026-12-30", "evening"),
        ("2026-12-31", "evening"),
        ("2026-12-31", "turn of the year"),
        ("2027-01-01", "evening"),
        ("2027-01-02", "evening"),
    ]
    night = rows[3]
    assert (night["opens"], night["closes"], night["cut_by"]) == (OPENS, CLOSES, None)

    for at, state in (
        ("2026-12-31T21:00", "playing"),
        ("2026-12-31T22:45", "playing"),
        ("2026-12-31T23:59:59", "playing"),
        ("2027-01-01T00:29:59", "playing"),
        ("2027-01-01T00:30", "dark"),
        ("2026-12-30T22:45", "dark"),
        ("2027-01-01T22:45", "dark"),
    ):
        _, out = command(capsys, "why", folder, at, "--json")
        answer = json.loads(out)
        assert (answer["state"], answer["show"]) == (state, "turn of the year" if state == "playing" else None)
        line = 10 if at == "2027-01-01T00:30" else 9
        assert state == "playing" or answer["reasons"][0]["rule"] == f"site.toml:{line} neighbours.dark"
    _, out = command(capsys, "why", folder, "2026-12-31T23:00", "--json")
    assert json.loads(out)["next"] == {"at": CLOSES, "state": "dark"}

    _, out = command(capsys, "rehearse", folder, *dates, "--json")
    rehearsed = json.loads(out)
    assert rehearsed["nights"] == rows
    # five evenings of 4 h 30 min and one night of 3 h 30 min, less the minutes that begin in a gap of 4 s or at 16:30
    assert 25.4 <= rehearsed["lit_hours"] <= 26

    command(capsys, "nights", folder, *dates, "--ics", tmp_path / "s.ics")
    site = load_site(folder, datetime(2026, 11, 25, tzinfo=UTC))
    read = events(site, (tmp_path / "s.ics").read_bytes()).values()
    assert [(begin.isoformat(), end.isoformat()) for begin, end in read] == [(r["opens"], r["closes"]) for r in rows]

    command(capsys, "nights", folder, *dates, "--svg", tmp_path / "s.svg")
    bars = [
        (float(bar.attrib["y"]), float(bar.attrib["height"]))
        for bar in ElementTree.parse(tmp_path / "s.svg").iter(f"{SVG}rect")
        if bar.attrib.get("class") == "s1" and float(bar.attrib["y"]) < TOP + 24 * HOUR
    ]
    assert bars == [(TOP + 9 * HOUR, 3.5 * HOUR)]


def bars_of(svg: str, css: str) -> list[tuple[float, float, float]]:
    """The bars of a class on the sheet: x, y, height; not those of the legend."""
    found = [bar for bar in ElementTree.fromstring(svg).iter(f"{SVG}rect") if bar.attrib.get("class") == css]
    placed = [(float(bar.attrib["x"]), float(bar.attrib["y"]), float(bar.attrib["height"])) for bar in found]
    return [bar for bar in placed if bar[1] < TOP + 24 * HOUR]


def test_the_picture_has_a_bar_a_night_the_suns_curve_and_the_hours(tmp_path: Path) -> None:
    site = site_of(tmp_path, NEW_YEAR_HOURS, TABLES, USUAL, NEW_YEAR)
    first, last = date(2026, 11, 20), date(2027, 1, 18)
    svg = season_svg(site, season(site, first, last), first, last)
    root = ElementTree.fromstring(svg)
    assert len(bars_of(svg, "s0")) == 41
    assert {(y, height) for _, y, height in bars_of(svg, "s0")} == {(TOP + 4.5 * HOUR, 4.5 * HOUR)}
    assert len(bars_of(svg, "dark")) == 60
    assert len(bars_of(svg, "dim")) == 59
    curves = [line.attrib["points"].split() for line in root.iter(f"{SVG}polyline")]
    assert [len(points) for points in curves] == [60, 60]
    sunset = {point.split(",")[0]: float(point.split(",")[1]) for point in curves[0]}
    solstice = list(sunset.values())[31]
    assert solstice == pytest.approx(TOP + HOUR * (15 + 38.7 / 60 - 12), abs=HOUR / 60)  # 15:38:43 by the ephem library
    words = [text.text for text in root.iter(f"{SVG}text")]
    assert {"Pier Road boathouse", "evening", "turn of the year", "December 2026", "January 2027"} <= set(words)
    assert "prefers-color-scheme: dark" in svg
    assert "http" not in svg.replace("http://www.w3.org/2000/svg", "")


def test_the_picture_of_a_polar_year_has_its_night_and_its_day(tmp_path: Path) -> None:
    site = site_of(
        tmp_path, TABLES, performance('from = "sunset"\nto = "23:59"'), place=place(69.65, 18.96, "Europe/Oslo")
    )
    first, last = date(2026, 7, 1), date(2027, 6, 30)
    svg = season_svg(site, season(site, first, last), first, last)
    whole = [bar for bar in bars_of(svg, "glow") if bar[2] == 24 * HOUR]
    assert 46 <= len(whole) <= 49
    assert len({x for x, _, _ in bars_of(svg, "glow")}) < 365 - 55


def test_names_with_brackets_and_ampersands_do_not_break_the_picture(tmp_path: Path) -> None:
    name = 'Bell & Sons <"Quay">'
    where = place(54.486, -0.613, "Europe/London").replace('"Pier Road boathouse"', "'Bell & Sons <\"Quay\">'")
    site = site_of(tmp_path, TABLES.replace("turn of the year", "<b>&"), EVENING, place=where)
    first = date(2026, 12, 1)
    root = ElementTree.fromstring(season_svg(site, season(site, first, first), first, first))
    assert name in [text.text for text in root.iter(f"{SVG}text")]


def test_the_picture_draws_both_parts_of_a_performance_that_spans_noon(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, performance('dates = ["2026-12-05"]\nfrom = "10:00"\nto = "15:00"'))
    first, last = date(2026, 12, 4), date(2026, 12, 6)
    picture = ElementTree.fromstring(season_svg(site, season(site, first, last), first, last))
    bars = [each for each in picture.iter(f"{SVG}rect") if each.get("class") == "s0" and each.get("rx") != "2"]
    heights = [(float(each.attrib["y"]), float(each.attrib["height"])) for each in bars]
    assert heights == [(TOP + 22 * HOUR, 2 * HOUR), (TOP, 3 * HOUR)]


def test_the_nights_of_a_zone_are_cut_by_its_own_hours_and_ranks_alone(tmp_path: Path) -> None:
    """The roof is dark from 21:00. The path has a loop of its own, of a higher rank, which takes nothing from the
    house's evening."""
    hours = '[neighbours]\ndark = [{ zone = "roof", from = "21:00", to = "07:00" }]\n'
    house = performance('from = "18:00"\nto = "22:00"')
    path = performance('zone = "path"\nfrom = "17:00"\nto = "23:00"\nrank = 2', "turn of the year")
    roof = performance('zone = "roof"\nfrom = "20:00"\nto = "21:30"\nrank = 1')
    late = performance('zone = "roof"\nfrom = "21:30"\nto = "22:00"\nrank = 3')
    site = site_of(tmp_path, hours, TABLES, house, path, roof, late, rig=ZONES)
    day = date(2026, 12, 14)
    rows = [row.as_json(site) for row in season(site, day, day)]
    found = [(row["show"], row.get("zone"), str(row["opens"])[11:16], str(row["closes"])[11:16]) for row in rows]
    assert found == [
        ("turn of the year", "path", "17:00", "23:00"),
        ("evening", None, "18:00", "22:00"),
        ("evening", "roof", "20:00", "21:00"),
    ]
    assert [row["cut_by"] for row in rows] == [None, None, "dark hours (site.toml:7 neighbours.dark)"]
    assert [(one.performance.zone, one.code) for one in not_given(site, day, day)] == [("roof", "dark-hours")]
    schedule = survey_schedule(site, day, day)
    assert FindingCode.OVERLAP not in [one.code for one in schedule]
    calendar = season_ics(site, season(site, day, day), datetime(2026, 11, 25, 12, tzinfo=UTC))
    assert len(events(site, calendar)) == 3
