"""`gloaming nights`, `why` and `rehearse`: what they print, and how they refuse a wrong call."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import icalendar
import numpy as np
import pytest

from gloaming.api.cli.main import main
from gloaming.daemon.direction.decide import decide
from gloaming.daemon.direction.score import State
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from tests.api.evening import Evening, gloaming
from tests.daemon.direction.test_why import HOURS
from tests.daemon.quay_site import EVENING, SECOND_NS, TABLES, local, ns, performance, place, site_of, write
from tests.daemon.reports.test_nights import NEW_YEAR, command
from tests.daemon.reports.test_rehearsal import HOUR_SHOW
from tests.waiting import wait_until

FRIDAYS = performance(
    'days = "fri"\nfrom = "dusk"\nto = "23:00"\nrank = 2\nat_close = "finish"\ngrace = "4 min"', "turn of the year"
)
FRIDAY_HOURS = (
    '[neighbours]\ndark = [{ days = "fri", from = "22:40", to = "07:00" }, { from = "23:30", to = "07:00" }]\n'
)
LATE = EVENING.replace('"22:00"', '"23:30"')


def agrees_with_decide(site: Site, row: dict[str, object]) -> None:
    """A night as it is printed, against `decide` a second before and at its opening and closing."""
    opens, closes = ns(str(row["opens"])), ns(str(row["closes"]))
    before, first, last, after = (
        decide(at_ns, site) for at_ns in (opens - SECOND_NS, opens, closes - SECOND_NS, closes)
    )
    for within in (first, last):
        assert within.show == row["show"]
        assert within.state in (State.PLAYING, State.WAITING)
    assert before.show != row["show"] or before.next_ns == opens
    assert after.show != row["show"] or after.state == State.DARK or after.brightness == 0


@pytest.mark.parametrize(
    ("where", "times"),
    [
        (place(54.486, -0.613, "Europe/London"), EVENING + NEW_YEAR),
        (
            place(54.486, -0.613, "Europe/London"),
            EVENING.replace('"22:00"', '"22:00"\nat_close = "finish"\ngrace = "3 min"'),
        ),
        (place(54.486, -0.613, "Europe/London"), FRIDAY_HOURS + EVENING + FRIDAYS),
        (place(69.65, 18.96, "Europe/Oslo", 'if_no_sunset = "15:30"'), EVENING),
        (place(1.87, -157.4, "Pacific/Kiritimati"), EVENING + NEW_YEAR),
        (place(-31.5, 159.1, "Australia/Lord_Howe"), performance('from = "sunset"\nto = "02:15"')),
    ],
)
def test_nights_agrees_with_decide_at_every_opening_and_closing_to_the_second(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], where: str, times: str
) -> None:
    folder = write(tmp_path, TABLES, times, place=where)
    site = load_site(folder, datetime(2026, 11, 25, tzinfo=UTC))
    code, out = command(capsys, "nights", folder, "--from", "2026-12-20", "--days", "21", "--json")
    rows = json.loads(out)
    assert code == 0
    assert len(rows) >= 18
    for row in rows:
        assert set(row) == {"date", "show", "opens", "closes", "opens_code", "opens_by", "closes_by", "cut_by"}
        agrees_with_decide(site, row)


def test_a_night_is_printed_with_its_rules(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write(tmp_path, FRIDAY_HOURS, TABLES, EVENING, FRIDAYS)
    code, out = command(capsys, "nights", folder, "--from", "2026-12-17", "--days", "2")
    assert code == 0
    head, thursday, friday, extra = out.splitlines()
    assert head == "Pier Road boathouse, 17 December 2026 to 18 December 2026, times of Europe/London"
    assert thursday.startswith("Thu 17 Dec 2026  15:5")
    assert thursday.endswith("-22:00:00  evening          sunset + 20 min; to 22:00")
    assert friday.startswith("Fri 18 Dec 2026  15:5")
    assert extra.endswith("cut by dark hours (site.toml:7 neighbours.dark)")


def test_a_night_that_is_not_given_is_printed_with_the_cause(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hours = '[neighbours]\ndark = [{ days = "fri", from = "15:00", to = "07:00" }]\n'
    folder = write(tmp_path, hours, TABLES, EVENING)
    code, out = command(capsys, "nights", folder, "--from", "2026-12-17", "--days", "3")
    assert code == 0
    _, thursday, friday, saturday = out.splitlines()
    assert thursday.startswith("Thu 17 Dec 2026  15:5")
    assert friday == "Fri 18 Dec 2026  not given          evening          it lies in the dark hours (site.toml:7)"
    assert saturday.startswith("Sat 19 Dec 2026  15:5")


def test_no_night_is_exit_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write(tmp_path)
    assert command(capsys, "nights", folder, "--from", "2026-07-01", "--days", "30") == (
        1,
        "Pier Road boathouse, 01 July 2026 to 30 July 2026, times of Europe/London\nno night is given on these dates\n",
    )
    assert command(capsys, "nights", folder, "--from", "2026-07-01", "--days", "30", "--json") == (1, "[]\n")


@pytest.mark.parametrize(
    ("args", "wrong"),
    [
        (("--days", "100000"), "not within 1900 to 2100"),
        (("--days", "5000"), "5000 dates are too many"),
        (("--days", "0"), "0 is not a number of dates"),
        (("--days", "-3"), "-3 is not a number of dates"),
        (("--days", "999999999999"), "run past the calendar"),
        (("--from", "9999-01-01"), "not within 1900 to 2100"),
        (("--from", "9999-12-31", "--days", "2"), "run past the calendar"),
        (("--from", "0001-01-01", "--days", "2"), "not within 1900 to 2100"),
        (("--from", "tomorrow"), "'tomorrow' is not a date"),
        (("--from", "2026-02-29"), "'2026-02-29' is not a date"),
        (("--svg", "/nowhere/season.svg"), "cannot be written"),
        (("--ics", "/nowhere/season.ics"), "cannot be written"),
    ],
)
@pytest.mark.parametrize("verb", ["nights", "rehearse"])
def test_wrong_dates_are_reported_on_one_line_with_exit_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], verb: str, args: tuple[str, ...], wrong: str
) -> None:
    folder = write(tmp_path)
    if verb == "rehearse" and args[0] in ("--svg", "--ics"):
        with pytest.raises(SystemExit):
            main([verb, str(folder), *args])
        assert "unrecognized arguments" in capsys.readouterr().err
        return
    first = () if "--from" in args else ("--from", "2026-12-01")
    assert main([verb, str(folder), *first, *args]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    (line,) = [line for line in printed.err.splitlines() if line.strip() and not line.startswith("warning: ")]
    assert wrong in line


def test_wrong_words_are_reported_on_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["nights", "--days", "many"], ["nights", "--json", "--ics", "x"], ["nigths"], ["why", "--jason"]):
        with pytest.raises(SystemExit) as error:
            main(words)
        assert error.value.code == 2
        assert len(capsys.readouterr().err.splitlines()) == 1


def test_an_empty_season_is_a_calendar_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write(tmp_path)
    code, _ = command(capsys, "nights", folder, "--from", "2026-07-01", "--days", "9", "--ics", tmp_path / "s.ics")
    assert code == 1
    assert not icalendar.Calendar.from_ical((tmp_path / "s.ics").read_bytes()).walk("VEVENT")


def test_nights_has_this_season_and_the_next_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write(tmp_path)
    code, out = command(capsys, "nights", folder, "--from", "2026-12-30", "--json")
    dates = [row["date"] for row in json.loads(out)]
    assert code == 0
    assert (dates[0], dates[7], dates[8], dates[-1]) == ("2026-12-30", "2027-01-06", "2027-11-27", "2028-01-06")
    assert len(dates) == 8 + 41


def test_nights_of_a_show_all_year_are_those_of_a_year(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write(tmp_path, TABLES, performance('days = "fri"\nfrom = "sunset"\nto = "23:50"'))
    code, out = command(capsys, "nights", folder, "--from", "2026-01-01", "--json")
    dates = [row["date"] for row in json.loads(out)]
    assert (code, dates[0], dates[-1], len(dates)) == (0, "2026-01-02", "2027-01-01", 53)


def test_the_picture_of_the_season_has_no_summer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _ = command(capsys, "nights", write(tmp_path), "--from", "2026-06-01", "--svg", tmp_path / "s.svg")
    assert code == 0
    assert "27 November 2026 to 06 January 2027" in (tmp_path / "s.svg").read_text()


@pytest.mark.parametrize("verb", ["nights", "rehearse"])
def test_nights_and_their_rehearsal_can_be_pages_to_print(
    verb: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, out = write(tmp_path, TABLES, EVENING), tmp_path / "page.html"
    assert main([verb, str(folder), "--from", "2026-12-14", "--days", "3", "--html", str(out)]) == 0
    assert str(out) in capsys.readouterr().out
    text = out.read_text(encoding="utf-8")
    assert text.startswith("<!doctype html>")
    assert [line for line in text.splitlines() if "Mon 14 Dec 2026" in line]
    assert ('<th scope="row">light</th>' in text) == (verb == "rehearse")
    assert ("data:image/svg+xml;base64," in text) == (verb == "nights")


def test_rehearse_prints_the_sums_of_the_season(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write(tmp_path, TABLES, HOUR_SHOW)
    assert main(["rehearse", str(folder), "--from", "2026-12-14", "--days", "3"]) == 0
    out = capsys.readouterr().out
    assert "Mon 14 Dec 2026  18:00:00-19:00:00  evening" in out
    assert "nights        3\n" in out
    assert "pieces given  bells 24, lanterns 21, tide 24\n" in out
    assert "gaps          66, together 0 h 04 min\n" in out
    assert "cut short     3\n" in out
    assert "  tide: 3 times, first on Mon 14 Dec 2026 at 19:00:00, by the closing at 19:00 (to 19:00)" in out

    assert main(["rehearse", str(folder), "--from", "2026-12-14", "--days", "3", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["pieces"] == {"bells": 24, "lanterns": 21, "tide": 24}
    assert len(found["nights"]) == len(found["cuts"]) == 3
    assert main(["nights", str(folder), "--from", "2026-12-14", "--days", "3", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == found["nights"]

    assert main(["rehearse", str(write(tmp_path, TABLES, EVENING)), "--from", "2026-07-01", "--days", "3"]) == 1


def why(capsys: pytest.CaptureFixture[str], *args: str | Path) -> dict[str, Any]:
    assert main(["why", *map(str, args), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert set(answer) - ({"differing"} if "--zone" in args else set()) == {
        "at",
        "state",
        "show",
        "piece",
        "frame",
        "brightness",
        "sound",
        "reasons",
        "next",
    }
    return dict(answer)


def test_christmas_eve_at_a_quarter_to_eleven_names_the_rule_that_made_it_dark(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(tmp_path, HOURS, TABLES, LATE)
    answer = why(capsys, folder, "2026-12-24T22:45")  # a Thursday
    assert answer["at"] == "2026-12-24T22:45:00+00:00"
    assert answer["state"] == "dark"
    assert (answer["show"], answer["piece"], answer["brightness"], answer["sound"]) == (None, None, 0, False)
    text = "dark hours 22:30 to 07:00: no light"
    assert answer["reasons"] == [{"code": "dark-hours", "rule": "site.toml:9 neighbours.dark", "text": text}]
    lines = (folder / "site.toml").read_text().splitlines()
    assert lines[9 - 1] == '  { days = "mon-thu,sun", from = "22:30", to = "07:00" },'
    friday = why(capsys, folder, "2026-12-25T22:45")
    assert friday["state"] == "playing"
    assert why(capsys, folder, "2026-12-25T23:15")["reasons"][0]["rule"] == "site.toml:10 neighbours.dark"


def test_why_names_the_piece_the_show_and_what_dims_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write(tmp_path, HOURS, TABLES, performance('from = "17:00"\nto = "23:00"'))
    answer = why(capsys, folder, "2026-12-24T17:00:10")
    assert (answer["state"], answer["show"], answer["piece"], answer["frame"]) == ("playing", "evening", "bells", 20)
    assert answer["sound"] is True
    assert answer["next"] == {"at": "2026-12-24T17:01:40+00:00", "state": "waiting"}
    rules = [reason["rule"] for reason in why(capsys, folder, "2026-12-24T21:40")["reasons"]]
    lines = (folder / "site.toml").read_text().splitlines()
    starts = [lines[int(rule.split()[0].partition(":")[2] or 0) - 1] for rule in rules[:-1]]
    assert starts == ["[[show]]", "[[performance]]", lines[11], lines[12]]
    assert rules[-1] == "site.toml output.brightness"
    late = why(capsys, folder, "2026-12-24T21:40:01")
    assert late["brightness"] == 0.5
    assert late["sound"] is False


@pytest.mark.parametrize(
    ("asked", "at"),
    [
        # the clocks go from 01:00 GMT to 02:00 BST: 01:30 does not exist and moves on by the gap
        ("2027-03-28T01:30", "2027-03-28T02:30:00+01:00"),
        ("2027-03-28T02:30", "2027-03-28T02:30:00+01:00"),
        # the clocks go from 02:00 BST to 01:00 GMT: 01:30 comes twice, the first is meant
        ("2026-10-25T01:30", "2026-10-25T01:30:00+01:00"),
        ("2026-10-25T01:30+00:00", "2026-10-25T01:30:00+00:00"),
        ("2026-12-24T22:45-05:00", "2026-12-25T03:45:00+00:00"),
        ("2026-12-24T22:45Z", "2026-12-24T22:45:00+00:00"),
        ("2026-12-24", "2026-12-24T00:00:00+00:00"),
    ],
)
def test_a_local_time_is_read_by_rfc_5545(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], asked: str, at: str
) -> None:
    folder = write(tmp_path)
    assert why(capsys, folder, asked)["at"] == at
    assert main(["why", str(folder), asked]) == 0
    clock = at[11:19]
    assert f" {clock}:" in capsys.readouterr().out.splitlines()[0]


def test_a_time_of_today_and_no_time_at_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write(tmp_path)
    assert str(why(capsys, folder, "22:45")["at"])[11:16] == "22:45"
    assert why(capsys, folder)["state"] in {str(state) for state in State}


@pytest.mark.parametrize(
    "asked", ["half past ten", "2026-12-24T25:00", "2026-02-30", "9999-01-01", "0001-01-01", "24:30"]
)
def test_an_instant_that_cannot_be_read_is_reported_on_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], asked: str
) -> None:
    assert main(["why", str(write(tmp_path)), asked]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    (wrong,) = (line for line in printed.err.splitlines() if not line.startswith("warning: "))
    assert "as 2026-12-24T22:45" in wrong
    with pytest.raises(SystemExit, match="2"):
        main(["why", "a", "b", "c"])


def test_now_and_why_show_why_the_wire_is_black_while_a_piece_plays(tmp_path: Path) -> None:
    evening = Evening(tmp_path / "site", "127.0.74.61", "1")
    evening.write(np.zeros((400, 12), np.uint8))
    evening.move_to("2026-12-01T18:00")
    said = "the wire is black: the picture itself is dark here  [transmitter picture]"
    with evening.running():

        def rules() -> list[str]:
            return [reason["rule"] for reason in evening.now()["reasons"]]

        wait_until(lambda: "transmitter picture" in rules(), "the reason", 60)
        assert said in gloaming("now", evening.folder).stdout
        assert said in gloaming("why", evening.folder).stdout
        gloaming("pause", evening.folder, "15")
        paused = gloaming("why", evening.folder)
        assert ": paused" in paused.stdout, "the planner knows the overrides"
        assert paused.stderr == ""
        assert ": playing" in gloaming("why", evening.folder, "2026-12-01T18:30").stdout, "the pause is over by then"
    alone = gloaming("why", evening.folder)
    assert "no planner runs for this site" in alone.stderr
    assert said not in alone.stdout, "nobody is asked where no planner runs"


def test_outside_the_season_the_next_opening_is_found_however_far(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(tmp_path)
    answer = why(capsys, folder, "2026-07-01T20:00")
    assert answer["state"] == "dark"
    site = site_of(tmp_path)
    opens = decide(ns("2026-11-27T12:00"), site).next_ns
    assert opens is not None
    assert answer["next"] == {"at": "2026-11-27T00:00:00+00:00", "state": "waiting"}
    assert local(opens, site).startswith("2026-11-27T16:0")
    assert decide(opens, site).state == State.PLAYING
    assert decide(opens - SECOND_NS, site).state == State.WAITING


ROOF = """[[controller]]
name = "left"
universes = "1-4"

[[string]]
name = "ridge"
controller = "left"
universe = 2
pixels = 50
group = "roof"

[[zone]]
name = "house"
controllers = ["left"]
"""
ROOF_HOURS = '[neighbours]\ndark = [{ zone = "roof", from = "18:00", to = "07:00" }]\n'


def test_why_says_which_rule_made_which_zone_dark(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = write(tmp_path, ROOF_HOURS, TABLES, EVENING, rig=ROOF)
    at = "2026-12-14T18:30"
    roof, house = why(capsys, folder, at, "--zone", "roof"), why(capsys, folder, at, "--zone", "house")
    assert (roof["state"], roof["brightness"]) == ("dark", 0)
    assert roof["reasons"][0]["rule"].startswith("site.toml:") and "neighbours.dark" in roof["reasons"][0]["rule"]
    assert roof["reasons"][0]["text"] == "roof: dark hours 18:00 to 07:00: no light"
    assert (house["state"], house["differing"]) == ("playing", ["roof"])
    assert why(capsys, folder, at)["state"] == "playing"
    assert main(["why", str(folder), at, "--zone", "house"]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith("Monday 14 December 2026 18:30:00: house: playing ")
    assert "  something else shows in roof" in said
    assert main(["why", str(folder), "--zone", "hous"]) == 2
    assert capsys.readouterr().err.splitlines()[-1] == "request: zone: there is no zone 'hous'; did you mean house?"
