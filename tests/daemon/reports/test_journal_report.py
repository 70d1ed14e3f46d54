"""A season as it was, out of a journal that is written down here line by line."""

from __future__ import annotations

import json
from datetime import date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest

from gloaming.daemon.planner.store import JOURNAL_ROWS_MAX, Store
from gloaming.daemon.reports.journal_report import JournalReport, NightReport, as_json, season_report, stretches
from gloaming.daemon.reports.journal_svg import draw
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from tests.daemon.numbered import write_site

S = 1_000_000_000
ZONE = ZoneInfo("Europe/London")


def at(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp()) * S


def line(when: str, kind: str, text: str = "", piece: str | None = None, **data: Any) -> dict[str, Any]:
    more = {"piece": piece, "level": 1.0, **data}
    return {"at_ns": at(when), "kind": kind, "text": text or kind, "who": "", "data": more}


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    folder = tmp_path_factory.mktemp("site")
    rig = (
        '[[controller]]\nname = "left"\nhost = "192.0.2.21"\nuniverses = "1"\nbrightness = 0.3\n\n'
        '[[supply]]\nname = "left-12v"\nvolts = 12\namps = 29\nefficiency = 0.9\n\n'
        '[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = 4\nma_per_channel = 20\n'
        'idle_ma = 2\nmissing = [2]\nsupply = "left-12v"\n'
    )
    write_site(folder, "192.0.2.21", 'from = "17:00"\nto = "22:00"\nseason = "12-01..12-06"', rig=rig)
    return load_site(folder)


EVENING = [
    line("2026-12-01T12:00", "start", boot="a"),
    line("2026-12-01T12:00", "waiting"),
    line("2026-12-01T17:00", "playing", piece="tide"),
    line("2026-12-01T22:00", "waiting"),
    line("2026-12-02T17:00", "playing", piece="tide"),
    line("2026-12-02T18:00", "playing", piece="lanterns"),
    line("2026-12-02T19:00", "paused", "paused: pause 1 by Ada until 21:00"),
    line("2026-12-02T21:00", "playing", piece="tide"),
    line("2026-12-02T21:30", "restart", "the transmitter is gone"),
    line("2026-12-02T22:00", "waiting"),
    line("2026-12-03T16:00", "dark", "dark: dark 2 by Ada tonight"),
    line("2026-12-04T00:00", "waiting"),
    line("2026-12-04T17:00", "playing", piece="tide"),
    line("2026-12-04T20:00", "start", boot="b"),  # power was away since some time after 17:00
    line("2026-12-04T20:00", "playing", piece="lanterns"),
    line("2026-12-04T22:00", "waiting"),
]


def report(site: Site, rows: list[dict[str, Any]], now_ns: int, first: date, days: int) -> JournalReport:
    """The report out of a state that has just these lines, on the disk and in memory."""
    with TemporaryDirectory() as folder:
        store = Store(Path(folder), 0)
        store.note_all((row["at_ns"], row["kind"], row["text"], row["who"], row["data"]) for row in rows)
        assert store.wait()
        found = season_report(site, store, now_ns, first, days)
        store.close()
        return found


def of(site: Site, now: str) -> dict[int, NightReport]:
    found = report(site, EVENING, at(now), date(2026, 12, 1), 6)
    return {night.date.day: night for night in found.nights}


def test_a_night_that_was_given_in_full(site: Site) -> None:
    night = of(site, "2026-12-05T12:00")[1]
    assert (night.outcome, night.lit_s, dict(night.pieces)) == ("given", 5 * 3600, {"tide": 1})


def test_a_night_that_was_paused_is_cut_short_by_whom_the_journal_says(site: Site) -> None:
    night = of(site, "2026-12-05T12:00")[2]
    assert (night.outcome, night.lit_s) == ("cut short", 3 * 3600)
    assert "Ada" in night.why
    assert dict(night.pieces) == {"tide": 2, "lanterns": 1}
    assert night.interruptions == ("the transmitter is gone",)


def test_a_night_that_is_cut_short_names_its_longest_interruption(site: Site) -> None:
    rows = [
        line("2026-12-01T17:00", "playing", piece="tide"),
        line("2026-12-01T17:05", "paused", "pause 1 by Ada"),
        line("2026-12-01T17:06", "playing", piece="tide"),
        line("2026-12-01T17:10", "dark", "dark 2 by Bo"),
        line("2026-12-01T21:50", "playing", piece="tide"),
    ]
    (night,) = report(site, rows, at("2026-12-02T12:00"), date(2026, 12, 1), 1).nights
    assert (night.outcome, night.code) == ("cut short", "dark")
    assert "Bo" in night.why


def test_a_piece_that_goes_on_after_a_pause_was_played_once(site: Site) -> None:
    rows = [
        line("2026-12-01T17:00", "playing", piece="tide"),
        line("2026-12-01T18:00", "paused", piece="tide"),
        line("2026-12-01T18:10", "playing", piece="tide"),
        line("2026-12-01T19:00", "waiting"),  # the gap, after which it begins again
        line("2026-12-01T19:01", "playing", piece="tide"),
        line("2026-12-01T20:00", "playing", piece="lanterns"),
        line("2026-12-01T22:00", "waiting"),
    ]
    (night,) = report(site, rows, at("2026-12-02T12:00"), date(2026, 12, 1), 1).nights
    assert dict(night.pieces) == {"tide": 2, "lanterns": 1}


def test_a_night_that_was_dark_is_left_out(site: Site) -> None:
    night = of(site, "2026-12-05T12:00")[3]
    assert (night.outcome, night.lit_s, "Ada" in night.why) == ("left out", 0, True)


def test_light_that_nobody_can_vouch_for_is_not_counted_after_a_power_cut(site: Site) -> None:
    night = of(site, "2026-12-05T12:00")[4]
    assert (night.outcome, night.lit_s) == ("cut short", 2 * 3600)


def test_a_planner_that_alone_was_restarted_loses_no_light() -> None:
    rows = [EVENING[0], line("2026-12-01T17:00", "playing", piece="tide"), line("2026-12-01T18:00", "start", boot="a")]
    rows.append(line("2026-12-01T18:00", "playing", piece="tide"))
    assert sum(one.until_ns - one.from_ns for one in stretches(rows, at("2026-12-01T19:00"))) == 7200 * S


def test_a_clock_that_stood_at_1970_hides_no_night(tmp_path: Path) -> None:
    """Among the lines is one of a boot without the time: what is older, and newer, is read all the same."""
    store = Store(tmp_path / "state", 0)
    rows = [(at("2026-12-01T17:00") + number * S, "playing", "tide", "", None) for number in range(1500)]
    rows[500] = (1000 * S, "start", "at 1970", "", None)
    store.note_all(rows)
    assert store.wait()
    found = store.journal_between(at("2026-12-01T12:00"), at("2026-12-02T12:00"), {"playing"})
    assert [row["id"] for row in found] == [*range(1, 1501)]
    store.close()


def test_a_time_without_a_clock_begins_after_what_came_before_it(site: Site) -> None:
    later = [
        line("1970-01-01T01:00", "start", boot="c"),
        line("1970-01-01T01:00", "no-clock", "no-clock: no time server was reached"),
        line("2026-12-06T12:00", "waiting"),
    ]
    first = [*EVENING[:3], line("2026-12-01T19:00", "waiting"), *later]
    night = report(site, first, at("2026-12-06T12:00"), date(2026, 12, 1), 1).nights[0]
    assert (night.outcome, night.lit_s) == ("cut short", 2 * 3600)
    held = stretches([*EVENING[:4], *later], at("2026-12-06T12:00"))
    assert [one.from_ns for one in held if one.state == "no-clock"] == [EVENING[3]["at_ns"]]


def test_only_the_lines_of_the_nights_asked_for_are_read(tmp_path: Path) -> None:
    """With those before and after that say what held at both ends, from the file and from memory."""
    store = Store(tmp_path / "state", 0)
    days = [at("2026-12-01T17:00") + number * 86_400 * S for number in range(1, 31)]
    store.note_all([(at("2026-12-01T12:00"), "start", "start", "", {"boot": "a"})])
    for day_ns in days:
        store.note_all((day_ns + minute * 60 * S, "playing", "tide", "", None) for minute in range(300))
        store.note_all([(day_ns + 5 * 3600 * S, "override", "by Ada", "", None)])
    assert store.wait()
    for at_hand in (False, True):
        day_ns = days[28 if at_hand else 9]
        found = [*store.journal_between(day_ns, day_ns + 5 * 3600 * S, {"playing"})]
        assert [row["kind"] for row in found[:2]] == ["start", "playing"]
        assert found[1]["at_ns"] == day_ns - 86_400 * S + 299 * 60 * S
        assert [row["at_ns"] for row in found if row["kind"] == "playing"][1:-1] == [
            day_ns + minute * 60 * S for minute in range(300)
        ]
        assert found[-1]["at_ns"] == day_ns + 86_400 * S
        assert len(found) == 1 + 1 + 1 + 300 + 1 + 1
    store.close()


def test_a_night_that_was_dark_by_what_was_asked_days_before(site: Site) -> None:
    rows = [
        line("2026-12-01T12:00", "start", boot="a"),
        line("2026-12-01T12:00", "dark", "dark: dark 1 by Ada for a week"),
        line("2026-12-01T12:01", "override", "another matter"),
    ]
    (night,) = report(site, rows, at("2026-12-06T12:00"), date(2026, 12, 5), 1).nights
    assert (night.outcome, night.code, night.why) == ("left out", "dark", "dark: dark 1 by Ada for a week")


def test_the_end_of_a_trouble_is_no_interruption_whatever_its_words(site: Site) -> None:
    rows = [
        line("2026-12-01T17:00", "playing", piece="tide"),
        line("2026-12-01T18:00", "trouble", "over: the roof: no light there"),
        line("2026-12-01T18:05", "trouble", "the roof is lit again", over=True),
    ]
    (night,) = report(site, rows, at("2026-12-02T12:00"), date(2026, 12, 1), 1).nights
    assert night.interruptions == ("over: the roof: no light there",)


def test_tonight_and_tomorrow(site: Site) -> None:
    nights = of(site, "2026-12-04T21:00")
    assert (nights[4].outcome, nights[5].outcome) == ("under way", "to come")


def test_the_energy_is_that_of_the_mean_frame(site: Site) -> None:
    """By hand, at 12 V of a supply that gives nine tenths of what it takes: nine slots of 20 mA at the mean of their
    bytes, of which the controller leaves 0.3, and three dark pixels of 2 mA. The second of four pixels is missing."""
    from gloaming.shows.framefile.reader import FrameReader

    piece = site.pieces["tide"]
    with FrameReader(piece.frames) as reader:
        frames = [reader.frame(number) for number in range(0, 1600, 40)]
    mean = sum(float(frame[:3].sum()) + float(frame[6:12].sum()) for frame in frames) / len(frames) / 255
    watts = (mean * 0.020 * 0.3 + 3 * 0.002) * 12 / 0.9
    night = of(site, "2026-12-05T12:00")[1]
    assert night.energy_wh == pytest.approx(watts * 5, abs=0.05)


def test_a_report_as_json_and_as_a_picture(site: Site) -> None:
    found = report(site, EVENING, at("2026-12-05T12:00"), date(2026, 12, 1), 4)
    sums = json.loads(as_json(found))["sums"]
    assert sums["outcomes"] == {"given": 1, "cut short": 2, "left out": 1}
    assert sums["hours_lit"] == 10.0
    assert "4 nights, lit 10.0 h" in draw(found)


def test_whatever_a_journal_has_in_it_the_picture_stays_whole(site: Site) -> None:
    why, text = '<b> & "so" it\'s', "the card says </title><script>"
    ends_ns = 3600 * S
    night = NightReport(
        date(2026, 12, 1), "bells & <tide>", 0, ends_ns, "cut short", "dark", why, 60.0, (), (text,), None
    )
    picture = ElementTree.fromstring(draw(JournalReport(site, (night,))))
    svg = "{http://www.w3.org/2000/svg}"
    titles = [title.text for title in picture.iter(f"{svg}title")]
    assert titles[1] == f"Tuesday 01 December: bells & <tide> cut short, lit 0.02 h; {why}\n{text}"
    assert not list(picture.iter(f"{svg}script"))


def test_two_seasons_of_journal_fit_and_the_oldest_make_room(tmp_path: Path) -> None:
    store = Store(tmp_path / "state", 0)
    store.note(0, "start", "the first")
    for first in range(0, JOURNAL_ROWS_MAX, 1000):
        store.note_all((number, "playing", "tide", "", None) for number in range(first, first + 1000))
    assert store.wait()
    store.note(1, "start", "the last")
    rows = [*store.journal_between(0, 1 << 62, {"playing"})]
    assert len(rows) <= JOURNAL_ROWS_MAX
    assert (rows[0]["text"], rows[-1]["text"]) == ("tide", "the last")
    store.close()
    assert (tmp_path / "state" / "state.db").stat().st_size < 16 << 20
    nights, lines_a_night = 2 * 60, 5 * 60  # two seasons, a piece a minute for five hours
    assert nights * lines_a_night < JOURNAL_ROWS_MAX
