"""The survey of the schedule: what never opens, what is always cut, what the sun does not give."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

from gloaming.daemon.reports.survey_schedule import survey_schedule
from gloaming.shows.analysis.finding import Finding, FindingCode
from tests.daemon.quay_site import EVENING, PLACE, TABLES, performance, place, site_of

FIRST = date(2026, 11, 25)
ALL = TABLES.split('[[show]]\nname = "turn')[0]
"""The tables without the second show."""
WHOLE = EVENING.replace("sunset + 20 min", "17:00")


def found(tmp_path: Path, *tables: str, where: str = PLACE, first: date = FIRST) -> tuple[Finding, ...]:
    return survey_schedule(site_of(tmp_path, *tables, place=where), first, first + timedelta(days=60))


def line(tmp_path: Path, text: str) -> str:
    before = (tmp_path / "site.toml").read_text().split(text)[0]
    return f"site.toml:{before.count(chr(10)) + 1}"


def only(findings: tuple[Finding, ...]) -> Finding:
    (finding,) = findings
    return finding


def test_a_schedule_with_nothing_wrong_has_nothing_to_say(tmp_path: Path) -> None:
    assert found(tmp_path, ALL, WHOLE) == ()


def test_no_performance_at_all(tmp_path: Path) -> None:
    assert only(found(tmp_path, ALL)).text == "there is no performance"


def test_an_opening_that_never_comes(tmp_path: Path) -> None:
    inside = '[neighbours]\ndark = [{ from = "16:30", to = "07:00" }]\n'
    finding = only(found(tmp_path, inside, ALL, WHOLE))
    assert finding.severity == "error"
    assert finding.place == line(tmp_path, "[[performance]]")
    assert finding.text == "it never opens: it lies in the dark hours (site.toml:7)"
    assert finding.hint
    none = only(
        found(
            tmp_path,
            ALL,
            performance(
                'season = "12-01..12-05"\nrrule = "FREQ=YEARLY;BYMONTH=7;BYMONTHDAY=4"\nfrom = "17:00"\nto = "22:00"'
            ),
        )
    )
    assert none.severity == "error"
    assert "it selects no date from 2026-11-25 to 2027-11-25" in none.text


def test_a_date_that_does_not_exist_this_year(tmp_path: Path) -> None:
    leap = only(found(tmp_path, ALL, performance('dates = ["02-29"]\nfrom = "18:00"\nto = "22:00"')))
    assert leap.severity == "error"
    assert "it selects no date" in leap.text


def test_a_season_that_has_passed(tmp_path: Path) -> None:
    finding = only(found(tmp_path, ALL, WHOLE.replace("11-27..01-06", "2025-11-27..2026-01-06")))
    assert (finding.severity, finding.text) == ("warning", "it is over: its last date was 2026-01-06")
    dates = only(
        found(tmp_path, ALL, performance('dates = ["2025-12-24", "2025-12-31"]\nfrom = "17:00"\nto = "22:00"'))
    )
    assert dates.text == "it is over: its last date was 2025-12-31"


def test_a_performance_that_is_always_cut_and_one_that_is_cut_now_and_then(tmp_path: Path) -> None:
    always = only(found(tmp_path, '[neighbours]\ndark = [{ from = "21:30", to = "07:00" }]\n', ALL, WHOLE))
    assert always.severity == "warning"
    assert always.text == "every night is cut short, by dark hours (site.toml:7 neighbours.dark)"
    fridays = '[neighbours]\ndark = [{ days = "fri", from = "21:30", to = "07:00" }]\n'
    sometimes = only(found(tmp_path, fridays, ALL, WHOLE))
    assert sometimes.severity == "fact"
    assert sometimes.text.startswith("6 nights are cut short, the first on 2026-11-27, by dark hours")


def test_a_closing_before_its_opening(tmp_path: Path) -> None:
    """An hour after sunset is 16:38 at the earliest; 16:30 is then that of the day after."""
    finding = only(found(tmp_path, ALL, performance('season = "12-15..12-24"\nfrom = "sunset + 1 h"\nto = "16:30"')))
    assert finding.severity == "error"
    assert finding.text.startswith("it closes before it opens: on 20")
    assert "16:30 is 24 hours after the opening" in finding.text
    dawn = found(tmp_path, ALL, performance('season = "12-15..12-24"\nfrom = "sunset"\nto = "sunrise"'))
    assert dawn == ()


def test_nights_without_a_sunset(tmp_path: Path) -> None:
    north = place(69.65, 18.96, "Europe/Oslo")
    finding = only(found(tmp_path, ALL, EVENING, where=north))
    assert finding.severity == "warning"
    assert finding.text.startswith("40 nights are left out, the first on 2026-11-28: there is no sunset")
    assert finding.hint == 'set if_no_sunset in [site], as if_no_sunset = "15:30"'
    with_clock = only(found(tmp_path, ALL, EVENING, where=place(69.65, 18.96, "Europe/Oslo", 'if_no_sunset = "15:30"')))
    assert with_clock.severity == "fact"
    assert with_clock.text.startswith("40 nights are without a sunset, the first on 2026-11-28: if_no_sunset 15:30")


def test_an_overlap_that_comes_only_in_a_later_year(tmp_path: Path) -> None:
    """Easter Monday falls on 1 April in 2030 (22 April in 2030 is a Monday, Easter Sunday the 21st)."""
    monday = performance('dates = ["easter + 1 day"]\nfrom = "20:00"\nto = "22:00"')
    day = performance('dates = ["04-22"]\nfrom = "21:00"\nto = "23:00"')
    assert found(tmp_path, ALL, monday, day) == ()
    finding = only(found(tmp_path, ALL, monday, day, first=date(2030, 1, 1)))
    assert finding.severity == "error"
    assert finding.text.startswith("on 2030-04-22 it overlaps the performance at site.toml:")


def test_pieces_and_shows_that_are_never_given(tmp_path: Path) -> None:
    short = found(tmp_path, TABLES, performance('from = "17:00"\nto = "17:05"'))
    piece, show = sorted(short, key=lambda finding: finding.severity, reverse=True)
    assert piece.text == "evening never reaches lanterns: no night is long enough"
    assert (piece.severity, piece.place) == ("warning", line(tmp_path, '[[show]]\nname = "evening"'))
    assert (show.severity, show.text) == ("fact", "turn of the year has no performance; it can be called")


def test_what_a_special_night_takes_from_the_usual_one(tmp_path: Path) -> None:
    special = performance('dates = ["12-24"]\nfrom = "16:00"\nto = "20:00"\nrank = 1\nalone = true')
    finding = only(found(tmp_path, ALL, WHOLE, special))
    assert finding.severity == "fact"
    assert finding.text.startswith("1 night is left to another performance, the first on 2026-12-24")


def test_dark_hours_that_the_sun_does_not_give(tmp_path: Path) -> None:
    north = place(69.65, 18.96, "Europe/Oslo", 'if_no_sunset = "15:30"')
    hours = '[neighbours]\ndark = [{ from = "sunset + 8 h", to = "07:00" }]\n'
    findings = found(tmp_path, hours, ALL, performance('from = "17:00"\nto = "18:00"'), where=north)
    finding = next(one for one in findings if one.code == FindingCode.HOURS_WITHOUT_SUN)
    assert finding.place == "site.toml:8"
    assert "dates without sunset + 8 h, the first on 2026-11-28" in finding.text


def test_times_that_the_clocks_are_put_over(tmp_path: Path) -> None:
    finding = only(found(tmp_path, ALL, performance('from = "21:00"\nto = "01:30"')))
    assert finding.severity == "fact"
    assert finding.text == "on 2027-03-28 there is no 01:30, because the clocks go forward: performance to is 02:30"
