"""Times, dates and rules as they are written, and the nights that they make."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date, timedelta
from itertools import pairwise, product
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from dateutil.rrule import rrulestr

from gloaming.daemon.site.schema_rules import DimHours, Hours, QuietHours
from gloaming.daemon.site.site import Site
from gloaming.daemon.timetable.dates import read_dates, read_rule, read_season, rule_dates
from gloaming.daemon.timetable.nights import CAUSES, Cause, Night, OpensBy, each_date, nights, not_given
from gloaming.daemon.timetable.rules import rule_id, windows
from gloaming.daemon.timetable.sun import EVENTS, Spot, SunEvent, sun_event
from gloaming.daemon.timetable.times import (
    DAYS_PATTERN,
    LENGTH_PATTERN,
    TIME_PATTERN,
    instant_on,
    read_days,
    read_length,
    read_time,
)
from gloaming.shows.config_files.errors import InputError
from tests.daemon.quay_site import EVENING, SECOND_NS, TABLES, local, ns, performance, place, site_of

YEAR = [date(2026, 1, 1) + timedelta(days=number) for number in range(365)]


def on(text: str) -> list[str]:
    return [f"{day}" for day in YEAR if read_dates(text).contains(day)]


def test_lengths_and_days() -> None:
    assert read_length("1 h 30 min") == 5400 * SECOND_NS
    assert read_length("0.5 s") == SECOND_NS // 2
    assert read_length("250ms") == SECOND_NS // 4
    assert read_days("mon-thu,sun") == {6, 0, 1, 2, 3}
    assert read_days("fri-mon") == {4, 5, 6, 0}
    assert read_days("fri,sat") == {4, 5}
    assert read_days("fri-mon") == {4, 5, 6, 0}
    assert read_days("daily") == set(range(7))


def test_times_of_the_sun_take_a_length_and_a_height() -> None:
    time = read_time("sun at -4 - 1 h 5 min")
    assert (time.event, time.altitude, time.offset_ns) == ("sun", -4.0, -3900 * SECOND_NS)
    assert read_time("dusk + 90 s").offset_ns == 90 * SECOND_NS


def test_each_sun_event_is_one_line_of_its_table(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each name can be read and has a side and a height. Another name is refused."""
    words = {word: event for word, event in EVENTS.items() if event.altitude is not None}
    assert {"sunrise", "sunset", "dawn", "dusk"} <= set(words)
    assert all(read_time(f"{word} + 5 min").event == word for word in words)
    spot, day = Spot(54.486, -0.613, 0.0, ZoneInfo("Europe/London")), date(2026, 12, 12)
    for word in ("astronomical dusk", "sun", "rising"):
        with pytest.raises(ValueError, match="is not a time"):
            read_time(word)
    with pytest.raises(KeyError):
        sun_event(spot, day, "astronomical dusk")
    monkeypatch.setitem(EVENTS, "astronomical dusk", SunEvent(morning=False, altitude=-18.0))
    found_ns = instant_on(read_time("astronomical dusk + 5 min"), day, spot)
    assert found_ns == instant_on(read_time("sun at -18 + 5 min"), day, spot)


def test_easter_west_and_east() -> None:
    """Easter Sunday 2026: 5 April (Gregorian), 12 April (Julian reckoning): U.S. Census Bureau."""
    assert on("easter") == ["2026-04-05"]
    assert on("easter - 2 days") == ["2026-04-03"]
    assert on("easter + 1 day") == ["2026-04-06"]
    assert on("orthodox easter") == ["2026-04-12"]
    assert read_dates("easter - 100 days").contains(date(2025, 12, 26))
    assert read_dates("easter + 300 days").contains(date(2027, 1, 30))


def test_public_holidays_by_country_and_part() -> None:
    """UK bank holidays, England and Wales, 2026: gov.uk/bank-holidays (Boxing Day on Saturday: Monday the 28th too)."""
    bank = ["01-01", "04-03", "04-06", "05-04", "05-25", "08-31", "12-25", "12-26", "12-28"]
    assert on("holidays of GB-ENG") == [f"2026-{day}" for day in bank]
    assert "2026-11-26" in on("holidays of US")  # Thanksgiving: 5 U.S.C. 6103, the fourth Thursday in November
    assert "2026-12-31" in on("holidays of US - 1 day")
    assert read_dates("holidays of US - 1 day").contains(date(2025, 12, 31))


def test_seasons_over_new_year_every_year_or_once() -> None:
    every, once = read_season("11-27..01-06"), read_season("2026-11-27..2027-01-06")
    for year in (2025, 2026):
        given = {date(year, 11, 27) + timedelta(days=number) for number in range(41)}
        for day in (date(year, 11, 1) + timedelta(days=number) for number in range(100)):
            assert every.contains(day) == (day in given)
            assert once.contains(day) == (day in given and year == 2026)
    assert (once.ends, every.ends) == (date(2027, 1, 6), None)
    leap = read_dates("02-29")
    assert leap.contains(date(2028, 2, 29))
    assert not any(leap.contains(day) for day in YEAR)


@pytest.mark.parametrize(
    ("rule", "expected"),
    [
        ("FREQ=YEARLY;BYMONTH=11;BYDAY=4TH", ["2026-11-26"]),
        # RFC 5545 3.8.5.3: "Every Friday the 13th"; in 2026 February, March and November
        ("FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13", ["2026-02-13", "2026-03-13", "2026-11-13"]),
        # RFC 5545 3.8.5.3: "the first Tuesday after a Monday in November" (U.S. Presidential Election day)
        ("FREQ=YEARLY;BYMONTH=11;BYDAY=TU;BYMONTHDAY=2,3,4,5,6,7,8", ["2026-11-03"]),
        ("FREQ=WEEKLY;BYDAY=SA;BYMONTH=12;UNTIL=20261215", ["2026-12-05", "2026-12-12"]),
        ("DTSTART:20261127\nRRULE:FREQ=WEEKLY;INTERVAL=2", ["2026-11-27", "2026-12-11", "2026-12-25"]),
    ],
)
def test_rules_of_rfc_5545(rule: str, expected: list[str]) -> None:
    assert sorted(f"{day}" for day in rule_dates(read_rule(rule), 2026)) == expected


def test_a_rule_has_the_dates_of_the_year_that_is_asked_for() -> None:
    for text in ("FREQ=YEARLY;BYWEEKNO=51;BYDAY=FR", "FREQ=MONTHLY;BYSETPOS=-1;BYDAY=MO,TU,WE,TH,FR"):
        for year in (1999, 2024, 2026, 2100):
            theirs = rrulestr(f"DTSTART:{year}0101T000000\nRRULE:{text};UNTIL={year}1231T000000")
            assert rule_dates(text, year) == {at.date() for at in theirs}


def given(site: Site, first: str, last: str) -> dict[str, list[tuple[str, str]]]:
    """The nights of some dates: by date, when each opens and closes by the site's clock."""
    found: dict[str, list[tuple[str, str]]] = {}
    for night in nights(site, date.fromisoformat(first), date.fromisoformat(last)):
        found.setdefault(f"{night.date}", []).append((local(night.opens_ns, site), local(night.to_ns, site)))
    return found


def near(found: str, expected: str) -> bool:
    """Within a minute, both by the same clock."""
    return abs(ns(found, "UTC") - ns(expected, "UTC")) <= 60 * SECOND_NS


TROMSO = place(69.65, 18.96, "Europe/Oslo", 'if_no_sunset = "15:30"')
SINCE_SUNSET = performance('from = "sunset + 20 min"\nto = "22:00"')


def test_a_winter_at_69_65_north(tmp_path: Path) -> None:
    """By hand: cos H = (sin -0.8333 - sin 69.65 sin d) / (cos 69.65 cos d), at 12 h - 4 min x 18.96 - E + 4 min x H.

    20 November: d = -19.752, E = 14.38 min, H = 22.53: 11:59:48 UT, 12:59:48 CET, opening 13:19:48.
    26 November: d = -20.983, E = 12.73 min, H = 8.41: 11:04:52 UT, opening 12:24:52. 27 November: H = 2.58, 10:41 UT.
    From the 28th on, d is beyond -21.18, and cos H = (-0.01454 + 0.93759 x 0.36137) / (0.34775 x 0.93243) = 1 + : none.
    15 January: d = -21.118, E = -9.31 min, H = 4.82: 11:12:22 UT, opening 12:32:22. The day before has none.
    """
    site = site_of(tmp_path, TABLES, SINCE_SUNSET, place=TROMSO)
    winter = given(site, "2026-11-01", "2027-02-15")
    assert len(winter) == 107
    assert near(winter["2026-11-20"][0][0], "2026-11-20T13:19:48+0100")
    assert near(winter["2026-11-26"][0][0], "2026-11-26T12:24:52+0100")
    assert winter["2026-11-27"][0][0].startswith("2026-11-27T12:0")
    for shift in range(48):
        day = date(2026, 11, 28) + timedelta(days=shift)
        assert winter[f"{day}"] == [(f"{day}T15:30:00+0100", f"{day}T22:00:00+0100")]
    assert day == date(2027, 1, 14)
    assert winter["2027-01-15"][0][0].startswith("2027-01-15T12:3")
    dark = nights(site, date(2026, 12, 21), date(2026, 12, 21))[0]
    assert dark.opens_code == OpensBy.IF_NO_SUNSET
    assert dark.opens_by == "if_no_sunset 15:30, as there is no sunset + 20 min that day"


def test_without_if_no_sunset_the_polar_night_is_left_out_with_its_cause(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, SINCE_SUNSET, place=place(69.65, 18.96, "Europe/Oslo"))
    assert list(given(site, "2026-11-27", "2027-01-15")) == ["2026-11-27", "2027-01-15"]
    left_out = not_given(site, date(2026, 11, 28), date(2027, 1, 14))
    assert len(left_out) == 48
    assert {night.why for night in left_out} == {
        "there is no sunset + 20 min that day: the sun stays down. Set if_no_sunset to give an opening time"
    }


def test_the_midnight_sun_is_no_polar_night(tmp_path: Path) -> None:
    """69.65 N: the sun does not set from 18 May (almanac for Tromso) to the end of July; nothing opens in sunshine."""
    site = site_of(tmp_path, TABLES, SINCE_SUNSET, place=TROMSO)
    assert given(site, "2026-05-25", "2026-07-20") == {}
    (night,) = not_given(site, date(2026, 6, 21), date(2026, 6, 21))
    assert night.why == "there is no sunset + 20 min that day: the sun stays up"


def test_a_midsummer_at_64_84_north_where_the_sun_sets_past_midnight(tmp_path: Path) -> None:
    """By hand, 64.84 N, 147.72 W, UTC-8: sunset 12 h + 4 min x 147.72 - E + 4 min x H, local less 8 h.

    15 May: d = 19.123, E = 3.65 min, H = 140.75: 31:10:11 UT, 23:10:11 local, of the same date.
    20 June: d = 23.438, E = -1.79 min, H = 163.79: 32:47:50 UT, 00:47:50 local of the 21st; it is of the 20th.
    """
    site = site_of(
        tmp_path, TABLES, performance('from = "sunset"\nto = "02:00"'), place=place(64.84, -147.72, "America/Anchorage")
    )
    summer = given(site, "2026-05-01", "2026-08-01")
    assert len(summer) == 93
    assert near(summer["2026-05-15"][0][0], "2026-05-15T23:10:11-0800")
    assert summer["2026-05-15"][0][1] == "2026-05-16T02:00:00-0800"
    assert near(summer["2026-06-20"][0][0], "2026-06-21T00:47:50-0800")
    assert summer["2026-06-20"][0][1] == "2026-06-21T02:00:00-0800"
    openings = [ns(night[0][0]) for night in summer.values()]
    assert all(22 * 3600 * SECOND_NS < b - a < 26 * 3600 * SECOND_NS for a, b in pairwise(openings))


def test_a_christmas_in_utc_plus_14(tmp_path: Path) -> None:
    """By hand, 1.87 N, 157.4 W, UTC+14, 24 December: d = -23.416, E = 0.61 min, H = 90.10.

    12 h + 4 min x 157.4 - 0.61 min + 4 min x 90.10 = 28:29:23 UT of the 23rd, 18:29:23 local of the 24th.
    """
    island = place(1.87, -157.4, "Pacific/Kiritimati")
    site = site_of(
        tmp_path, TABLES, performance('dates = ["2026-12-24"]\nfrom = "sunset + 20 min"\nto = "22:00"'), place=island
    )
    ((opens, closes),) = given(site, "2026-12-20", "2026-12-28")["2026-12-24"]
    assert near(opens, "2026-12-24T18:49:23+1400")
    assert closes == "2026-12-24T22:00:00+1400"


@pytest.mark.parametrize(
    ("zone", "day", "to", "opens", "closes"),
    [
        # spring: 2027-03-28 01:00 GMT -> 02:00 BST; six hours by the clock last five; 01:30 is skipped, so 02:30 BST
        ("Europe/London", "2027-03-27", "03:00", "2027-03-27T21:00:00+0000", "2027-03-28T03:00:00+0100"),
        ("Europe/London", "2027-03-27", "01:30", "2027-03-27T21:00:00+0000", "2027-03-28T02:30:00+0100"),
        # autumn: 2026-10-25 02:00 BST -> 01:00 GMT; 01:30 comes twice, the first is meant
        ("Europe/London", "2026-10-24", "03:00", "2026-10-24T21:00:00+0100", "2026-10-25T03:00:00+0000"),
        ("Europe/London", "2026-10-24", "01:30", "2026-10-24T21:00:00+0100", "2026-10-25T01:30:00+0100"),
        # spring: 2027-03-14 02:00 EST -> 03:00 EDT
        ("America/New_York", "2027-03-13", "02:30", "2027-03-13T21:00:00-0500", "2027-03-14T03:30:00-0400"),
        ("America/New_York", "2027-03-13", "04:00", "2027-03-13T21:00:00-0500", "2027-03-14T04:00:00-0400"),
        # autumn: 2026-11-01 02:00 EDT -> 01:00 EST
        ("America/New_York", "2026-10-31", "01:30", "2026-10-31T21:00:00-0400", "2026-11-01T01:30:00-0400"),
        ("America/New_York", "2026-10-31", "02:30", "2026-10-31T21:00:00-0400", "2026-11-01T02:30:00-0500"),
        # half an hour: 2026-10-04 02:00 (+10:30) -> 02:30 (+11:00); 02:15 is skipped, so 02:45
        ("Australia/Lord_Howe", "2026-10-03", "02:15", "2026-10-03T21:00:00+1030", "2026-10-04T02:45:00+1100"),
        # and back: 2027-04-04 02:00 (+11:00) -> 01:30 (+10:30); 01:45 comes twice
        ("Australia/Lord_Howe", "2027-04-03", "01:45", "2027-04-03T21:00:00+1100", "2027-04-04T01:45:00+1100"),
        ("Australia/Lord_Howe", "2027-04-03", "02:15", "2027-04-03T21:00:00+1100", "2027-04-04T02:15:00+1030"),
    ],
)
def test_the_nights_on_which_the_clocks_are_changed(
    tmp_path: Path, zone: str, day: str, to: str, opens: str, closes: str
) -> None:
    """The tz database's changes; RFC 5545 3.3.5: a time that is skipped moves by the gap, of two the first is meant."""
    where = {"Europe/London": (51.5, -0.12), "America/New_York": (40.7, -74.0), "Australia/Lord_Howe": (-31.5, 159.1)}
    site = site_of(tmp_path, TABLES, performance(f'from = "21:00"\nto = "{to}"'), place=place(*where[zone], zone))
    assert given(site, day, day) == {day: [(opens, closes)]}


def test_the_evening_after_a_change_of_the_clock_follows_the_sun_and_not_the_clock(tmp_path: Path) -> None:
    """51.5 N, 0.12 W. 27 March 2027: d = 2.722, E = -5.34 min, H = 94.77: 18:24:53 GMT.

    28 March: d = 3.113, E = -5.03 min, H = 95.27: 18:26:34 UT, by the clock an hour later, 19:26:34 BST.
    """
    site = site_of(
        tmp_path, TABLES, performance('from = "sunset"\nto = "22:00"'), place=place(51.5, -0.12, "Europe/London")
    )
    spring = given(site, "2027-03-27", "2027-03-28")
    assert near(spring["2027-03-27"][0][0], "2027-03-27T18:24:53+0000")
    assert near(spring["2027-03-28"][0][0], "2027-03-28T19:26:34+0100")


def test_not_before_and_not_after_hold_the_opening(tmp_path: Path) -> None:
    times = 'from = "sunset + 20 min"\nnot_before = "16:30"\nnot_after = "20:00"\nto = "22:00"'
    site = site_of(tmp_path, TABLES, performance(times))
    assert given(site, "2026-12-21", "2026-12-21")["2026-12-21"][0][0] == "2026-12-21T16:30:00+0000"
    assert given(site, "2026-06-21", "2026-06-21")["2026-06-21"][0][0] == "2026-06-21T20:00:00+0100"
    (night,) = nights(site, date(2026, 6, 21), date(2026, 6, 21))
    assert (night.opens_code, night.opens_by) == (OpensBy.NOT_AFTER, "not_after 20:00")


def test_a_special_night_in_place_of_the_usual_one_and_nights_that_stay_dark(tmp_path: Path) -> None:
    special = performance('dates = ["12-24"]\nfrom = "16:00"\nto = "20:00"\nrank = 1\nalone = true', "turn of the year")
    usual = EVENING.replace("season", 'except = ["12-25", "easter"]\nseason')
    site = site_of(tmp_path, TABLES, usual, special)
    season = given(site, "2026-12-23", "2026-12-26")
    assert list(season) == ["2026-12-23", "2026-12-24", "2026-12-26"]
    assert season["2026-12-24"] == [("2026-12-24T16:00:00+0000", "2026-12-24T20:00:00+0000")]
    (left_out,) = not_given(site, date(2026, 12, 24), date(2026, 12, 24))
    assert left_out.code == Cause.GIVEN_ALONE
    assert left_out.why == "another performance is set to be given alone on this date"


def test_dark_hours_of_a_whole_day_leave_out_its_performance(tmp_path: Path) -> None:
    hours = '[neighbours]\ndark = [{ dates = ["12-25"], from = "12:00", to = "12:00" }]\n'
    site = site_of(tmp_path, hours, TABLES, EVENING)
    assert list(given(site, "2026-12-24", "2026-12-26")) == ["2026-12-24", "2026-12-26"]
    (left_out,) = not_given(site, date(2026, 12, 25), date(2026, 12, 25))
    assert (left_out.code, left_out.why) == (Cause.DARK_HOURS, "it lies in the dark hours (site.toml:7)")


def test_dark_hours_cut_a_night_short_or_open_it_late(tmp_path: Path) -> None:
    monday_s, tuesday_s = 'days = "mon", from = "21:00", to = "07:00"', 'days = "tue", from = "12:00", to = "18:00"'
    hours = f"[neighbours]\ndark = [{{ {monday_s} }}, {{ {tuesday_s} }}]\n"
    site = site_of(tmp_path, hours, TABLES, EVENING)
    monday, tuesday = nights(site, date(2026, 12, 14), date(2026, 12, 15))
    assert (local(monday.to_ns, site), monday.cut_by) == (
        "2026-12-14T21:00:00+0000",
        "dark hours (site.toml:7 neighbours.dark)",
    )
    assert local(tuesday.opens_ns, site) == "2026-12-15T18:00:00+0000"
    assert tuesday.opens_by == "the end of the dark hours (site.toml:7)"


def dark(site: Site, first: str, last: str) -> list[tuple[str, str]]:
    found = windows(site.dark, site.spot, ns(first, site.timezone), ns(last, site.timezone))
    return [(local(begin, site), local(end, site)) for begin, end, _ in found]


def test_dark_hours_by_the_sun_hold_where_there_is_no_sunset(tmp_path: Path) -> None:
    """At 69.65 N in midsummer: no sunset. The hours begin at the earliest possible instant, solar noon."""
    hours = '[neighbours]\ndark = [{ from = "sunset + 3 h", to = "07:00" }]\n'
    site = site_of(tmp_path, hours, TABLES, EVENING, place=TROMSO)
    ((winter, _),) = dark(site, "2026-12-21T12:00", "2026-12-22T12:00")
    assert near(winter, "2026-12-21T14:42:18+0100")  # 12 h - 4 min x 18.96 - 1.9 min = 10:42 UT, 11:42 CET, + 3 h
    ((begin, end),) = dark(site, "2026-06-21T12:00", "2026-06-22T07:00")
    assert near(begin, "2026-06-21T15:46:02+0200")  # 12 h - 4 min x 18.96 + 1.9 min = 10:46 UT, 12:46 CEST, + 3 h
    assert end == "2026-06-22T07:00:00+0200"


def test_dark_hours_to_a_sunrise_that_does_not_come_last_a_day(tmp_path: Path) -> None:
    hours = '[neighbours]\ndark = [{ dates = ["12-21"], from = "22:00", to = "sunrise" }]\n'
    site = site_of(tmp_path, hours, TABLES, EVENING, place=TROMSO)
    assert dark(site, "2026-12-20T12:00", "2026-12-24T12:00") == [
        ("2026-12-21T22:00:00+0100", "2026-12-22T22:00:00+0100")
    ]


@pytest.mark.parametrize(
    ("zone", "times", "day", "begins", "ends"),
    [
        # autumn: 2026-10-25 02:00 BST -> 01:00 GMT: 01:00 to 02:00 comes twice
        ("Europe/London", ("22:30", "01:30"), "2026-10-24", "2026-10-24T22:30:00+0100", "2026-10-25T01:30:00+0000"),
        ("Europe/London", ("01:15", "01:45"), "2026-10-25", "2026-10-25T01:15:00+0100", "2026-10-25T01:45:00+0000"),
        # 01:30 comes before and after the first 01:45: the end is that of the next day, as on every other day
        ("Europe/London", ("01:45", "01:30"), "2026-10-25", "2026-10-25T01:45:00+0100", "2026-10-26T01:30:00+0000"),
        # spring: 2026-03-29 01:00 GMT -> 02:00 BST: 01:00 to 02:00 is skipped
        ("Europe/London", ("01:30", "05:00"), "2026-03-29", "2026-03-29T02:00:00+0100", "2026-03-29T05:00:00+0100"),
        ("Europe/London", ("01:00", "05:00"), "2026-03-29", "2026-03-29T02:00:00+0100", "2026-03-29T05:00:00+0100"),
        ("Europe/London", ("22:30", "01:30"), "2026-03-28", "2026-03-28T22:30:00+0000", "2026-03-29T02:30:00+0100"),
        ("Europe/London", ("01:15", "01:45"), "2026-03-29", "2026-03-29T02:00:00+0100", "2026-03-29T02:45:00+0100"),
        # half an hour: 2026-10-04 02:00 (+10:30) -> 02:30 (+11:00), 2027-04-04 02:00 (+11:00) -> 01:30 (+10:30)
        (
            "Australia/Lord_Howe",
            ("02:15", "04:00"),
            "2026-10-04",
            "2026-10-04T02:30:00+1100",
            "2026-10-04T04:00:00+1100",
        ),
        (
            "Australia/Lord_Howe",
            ("22:00", "01:45"),
            "2027-04-03",
            "2027-04-03T22:00:00+1100",
            "2027-04-04T01:45:00+1030",
        ),
    ],
)
def test_dark_hours_on_the_nights_when_the_clocks_change_are_too_long_rather_than_too_short(
    tmp_path: Path, zone: str, times: tuple[str, str], day: str, begins: str, ends: str
) -> None:
    """The tz database's changes. A skipped beginning is the change itself; of two ends the second is meant."""
    where = {"Europe/London": (51.5, -0.12), "Australia/Lord_Howe": (-31.5, 159.1)}
    hours = f'[neighbours]\ndark = [{{ dates = ["{day}"], from = "{times[0]}", to = "{times[1]}" }}]\n'
    site = site_of(tmp_path, hours, TABLES, EVENING, place=place(*where[zone], zone))
    after = f"{date.fromisoformat(day) + timedelta(days=2)}T12:00"
    assert dark(site, f"{day}T00:00", after) == [(begins, ends)]


def test_hours_that_begin_on_the_evening_before_their_date_are_found_from_that_evening(tmp_path: Path) -> None:
    hours = '[neighbours]\ndark = [{ dates = ["12-22"], from = "sunrise - 9 h", to = "07:00" }]\n'
    site = site_of(tmp_path, hours, TABLES, EVENING)
    ((begin, _),) = dark(site, "2026-12-21T23:30", "2026-12-21T23:31")
    assert begin.startswith("2026-12-21T23:2")


def test_the_highest_rank_and_every_date_once(tmp_path: Path) -> None:
    extra = performance('dates = ["12-31"]\nfrom = "21:00"\nto = "00:30"\nrank = 1', "turn of the year")
    site = site_of(tmp_path, TABLES, EVENING, extra)
    found = each_date(site, date(2026, 12, 1), date(2027, 1, 6))
    keys = [(night.date, night.performance.place) for night in found]
    assert len(keys) == len(set(keys)) == 38
    assert [night.rank for night in found if isinstance(night, Night) and night.date == date(2026, 12, 31)] == [0, 1]


@pytest.mark.parametrize(
    ("first", "last", "problem"),
    [
        (date(9999, 1, 1), date(9999, 1, 7), "not within 1900 to 2100"),
        (date(1, 1, 1), date(1, 1, 7), "not within 1900 to 2100"),
        (date(2026, 1, 1), date(2026, 1, 1) + timedelta(days=99_999), "not within 1900 to 2100"),
        (date(2026, 1, 1), date(2030, 1, 1), "too many"),
    ],
)
def test_too_distant_years_and_too_many_days_are_errors(tmp_path: Path, first: date, last: date, problem: str) -> None:
    with pytest.raises(InputError, match=problem):
        nights(site_of(tmp_path), first, last)


WORDS = ["sunset", "dawn", "sun at", "22:30", "7:00", "+", "-", "-4", "20", "1.5", "min", "h", "ms", "mins", "daily"]
WORDS += ["mon", "tue", "sun", "mon-wed", "thu,sun", "mon-fir", "weekends", ","]


@pytest.mark.parametrize("before", ["", "sunset + ", "sun at -4 - "])
def test_each_text_that_is_read_matches_the_pattern_for_editors(before: str) -> None:
    patterns: dict[Callable[[object], object], str] = {
        read_time: TIME_PATTERN,
        read_length: LENGTH_PATTERN,
        read_days: DAYS_PATTERN,
    }
    texts = [before + " ".join(words) for count in (1, 2, 3) for words in product(WORDS, repeat=count)]
    accepted = 0
    for read, pattern in patterns.items():
        for text in texts:
            try:
                read(text)
            except ValueError:
                continue
            accepted += 1
            assert re.search(pattern, text, re.ASCII), (pattern, text)
    assert accepted >= 5


@pytest.mark.parametrize(
    ("table", "keys", "name"),
    [
        (Hours, {"from": "22:30", "to": "07:00"}, "4db53ce5de7ac7aa"),
        (QuietHours, {"from": "21:00", "to": "sunrise + 1 h", "volume": 0.3, "days": "fri,sat"}, "c61894eb0031b289"),
        (
            DimHours,
            {"from": "sun at -4", "to": "23:00", "brightness": 0.5, "season": "11-27..01-06", "except": ["12-24"]},
            "83a6c4e97161b148",
        ),
    ],
)
def test_a_rule_keeps_its_id_over_an_upgrade(table: type[Hours], keys: dict[str, object], name: str) -> None:
    """The state and the transmitter name a window by this id. They outlive an upgrade of the planner."""
    spot = Spot(54.486, -0.613, 12.0, ZoneInfo("Europe/London"))
    assert {rule_id(table.model_validate(keys | {"place": at}), spot) for at in ("", "site.toml:12")} == {name}


def test_every_cause_of_a_night_not_given_has_its_text() -> None:
    assert set(CAUSES) == set(Cause)
