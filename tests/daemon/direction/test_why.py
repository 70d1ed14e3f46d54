"""`gloaming why`: what is to be on the wire at an instant, and the rules that made it so."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from gloaming.api.cli.main import main
from gloaming.daemon.direction.decide import decide, next_piece, score
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.score import State
from tests.daemon.quay_site import EVENING, SECOND_NS, TABLES, local, ns, performance, site_of, write

HOURS = """
[neighbours]
dark = [
  { days = "mon-thu,sun", from = "22:30", to = "07:00" },
  { days = "fri,sat", from = "23:00", to = "07:00" },
]
quiet = [{ days = "daily", from = "21:00", to = "09:00" }]
dim = [{ days = "daily", from = "21:30", to = "23:00", brightness = 0.5 }]
"""
LATE = EVENING.replace('"22:00"', '"23:30"')


def why(capsys: pytest.CaptureFixture[str], *args: str | Path) -> dict[str, object]:
    assert main(["why", *map(str, args), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert set(answer) == {"at", "state", "show", "piece", "frame", "brightness", "sound", "reasons", "next"}
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
    assert why(capsys, folder, "2026-12-25T23:15")["reasons"][0]["rule"] == "site.toml:10 neighbours.dark"  # type: ignore[index]


def test_what_plays_is_told_with_its_piece_its_show_and_what_makes_it_dimmer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = write(tmp_path, HOURS, TABLES, performance('from = "17:00"\nto = "23:00"'))
    answer = why(capsys, folder, "2026-12-24T17:00:10")
    assert (answer["state"], answer["show"], answer["piece"], answer["frame"]) == ("playing", "evening", "bells", 20)
    assert answer["sound"] is True
    assert answer["next"] == {"at": "2026-12-24T17:01:40+00:00", "state": "waiting"}
    rules = [reason["rule"] for reason in why(capsys, folder, "2026-12-24T21:40")["reasons"]]  # type: ignore[index, union-attr]
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
def test_a_local_time_is_read_as_rfc_5545_has_it(
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
def test_an_instant_that_cannot_be_read_is_told_on_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], asked: str
) -> None:
    assert main(["why", str(write(tmp_path)), asked]) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    (wrong,) = (line for line in printed.err.splitlines() if not line.startswith("warning: "))
    assert "as 2026-12-24T22:45" in wrong
    assert main(["why", "a", "b", "c"]) == 2


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


def test_what_fills_the_rest_of_an_evening_is_said(tmp_path: Path) -> None:
    shows = TABLES.replace('gap = "4 s"', 'gap = "4 s"\nbetween = "swell"\nstart_every = "30 min"')
    times = 'from = "17:10"\nto = "22:00"\nat_close = "finish"\ngrace = "1 min"'
    site = site_of(tmp_path, shows, performance(times))
    before = decide(ns("2026-12-24T17:20"), site)
    assert (before.state, before.piece) == (State.WAITING, "swell")
    assert before.reasons[0].text == "until the order begins on the clock, swell fills the time"
    assert decide(ns("2026-12-24T17:30"), site).piece == "bells"
    # 21:30 bells 100 s, tide 225 s, lanterns 140 s with gaps of 4 s; then the swell until 22:00
    assert decide(ns("2026-12-24T21:45"), site).piece == "swell"
    after = decide(ns("2026-12-24T21:31:43"), site)
    assert after.reasons[0].text == "between pieces, swell fills the time"


def test_a_piece_that_cannot_end_in_time_is_not_begun_and_that_is_said(tmp_path: Path) -> None:
    times = 'from = "17:00"\nto = "17:05"\nat_close = "finish"\ngrace = "30 s"'
    site = site_of(tmp_path, TABLES, performance(times))
    # bells to 17:01:40, a gap, tide would end at 17:05:29, within the grace
    assert decide(ns("2026-12-24T17:05:20"), site).piece == "tide"
    assert (
        decide(ns("2026-12-24T17:05:29"), site).state == State.WAITING
        or not decide(ns("2026-12-24T17:05:29"), site).show
    )
    shorter = site_of(tmp_path, TABLES, performance(times.replace("30 s", "20 s")))
    waiting = decide(ns("2026-12-24T17:02"), shorter)
    assert waiting.state == State.WAITING
    assert waiting.reasons[0].text == "tide could not end in time"
    cut = site_of(tmp_path, TABLES, performance(times.replace("finish", "cut")))
    assert decide(ns("2026-12-24T17:04:59"), cut).piece == "tide"
    assert decide(ns("2026-12-24T17:05"), cut).show is None


@pytest.mark.parametrize("year", [1, 1899, 1970, 2038, 2100, 2106, 2262, 9999])
def test_a_clock_that_stands_in_another_century_finds_it_dark_or_finds_its_evening(tmp_path: Path, year: int) -> None:
    """A clock without a battery stands at 1970, one of 32 bits at 2106 (2**32 s); none may stop the planner."""
    by_rule = performance('rrule = "FREQ=WEEKLY;BYDAY=FR"\nfrom = "dusk"\nto = "23:00"')
    site = site_of(tmp_path, HOURS, TABLES, by_rule)
    for month, day in ((1, 1), (12, 31)):
        passed = datetime(year, month, day, 19, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
        at_ns = (passed.days * 86_400 + passed.seconds) * SECOND_NS
        call = Override(1, Kind.CALL, at_ns, at_ns + 600 * SECOND_NS, show="evening")
        decision = decide(at_ns, site)
        assert decision.show is None or datetime(year, month, day, tzinfo=UTC).weekday() == 4
        assert score(at_ns, at_ns + 1800 * SECOND_NS, site, (call,))
        if not 1900 <= year <= 2100:
            assert decide(at_ns, site, (call,)).brightness == 0
            assert (decision.state, decision.next_ns) == (State.DARK, None)


def test_a_season_that_is_over_is_dark_to_the_end_of_the_calendar(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, EVENING.replace("11-27..01-06", "2026-11-27..2027-01-06"))
    for day in range(-40, 40):
        at_ns = ns(f"{date(2099, 12, 1) + timedelta(days=day)}T20:00")
        assert (decide(at_ns, site).state, decide(at_ns, site).next_ns) == (State.DARK, None)


def test_the_piece_that_begins_next_is_known(tmp_path: Path) -> None:
    """bells 100 s, 4 s of gap, tide 225 s, 4 s, lanterns 140 s: from 17:00:00 on, in a round."""
    site = site_of(tmp_path, TABLES, performance('from = "17:00"\nto = "18:00"'))

    def after(at: str, *overrides: Override) -> tuple[str, str] | None:
        found = next_piece(ns(f"2026-12-24T{at}"), site, overrides)
        return None if found is None else (local(found[0], site)[11:19], found[1])

    assert after("12:00") == ("17:00:00", "bells")
    assert after("17:00:10") == ("17:01:44", "tide")
    assert after("17:01:42") == ("17:01:44", "tide")
    assert after("17:02") == ("17:05:33", "lanterns")
    assert after("18:30") == ("17:00:00", "bells")
    pause = Override(1, Kind.PAUSE, ns("2026-12-24T17:00:10"), ns("2026-12-24T17:10:10"), "the porch")
    assert after("17:05", pause) == ("17:11:43", "tide"), "a paused piece goes on before the next begins"
