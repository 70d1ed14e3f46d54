"""A rehearsal: the season minute by minute, by the code that the planner runs."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from gloaming.daemon.direction.decide import decide
from gloaming.daemon.direction.score import State
from gloaming.daemon.reports.rehearsal import rehearse
from tests.daemon.quay_site import SECOND_NS, TABLES, local, ns, performance, site_of

HOUR_SHOW = performance('from = "18:00"\nto = "19:00"')
NIGHT = date(2026, 12, 14)


def test_one_evening_adds_up_by_hand(tmp_path: Path) -> None:
    """An hour of bells 100 s, tide 225 s, lanterns 140 s, each followed by 4 s: a round lasts 477 s, 7 of them 3339 s.

    The eighth round has 261 s left: bells whole, then tide is cut after 261 - 104 = 157 s. Gaps: 7 x 3 + 1.
    """
    result = rehearse(site_of(tmp_path, TABLES, HOUR_SHOW), NIGHT, NIGHT)
    assert dict(result.pieces) == {"bells": 8, "tide": 8, "lanterns": 7}
    assert (result.gaps, result.gaps_ns) == (22, 22 * 4 * SECOND_NS)
    (cut,) = result.cuts
    assert (cut.what, cut.at_ns) == ("tide", ns("2026-12-14T19:00"))
    assert "closes 19:00 (to 19:00)" in cut.by
    assert sum(result.minutes.values()) == 24 * 60
    assert result.minutes[State.PLAYING] + result.minutes[State.WAITING] >= 60
    assert 58 <= result.lit_minutes <= 60


def test_a_gap_that_begins_with_a_cross_fade_is_one_gap(tmp_path: Path) -> None:
    fading = TABLES.replace('gap = "4 s"', 'gap = "4 s"\nbetween = "swell"\ncross_fade = "2 s"')
    result = rehearse(site_of(tmp_path, fading, HOUR_SHOW), NIGHT, NIGHT)
    assert (result.gaps, result.gaps_ns) == (22, 22 * 4 * SECOND_NS)


def test_every_minute_is_decided_as_decide_has_it(tmp_path: Path) -> None:
    site = site_of(tmp_path, '[neighbours]\nquiet = [{ from = "18:30", to = "09:00" }]\n', TABLES, HOUR_SHOW)
    result = rehearse(site, NIGHT, NIGHT)
    noon = ns("2026-12-14T12:00")
    decided = [decide(noon + minute * 60 * SECOND_NS, site) for minute in range(24 * 60)]
    assert result.lit_minutes == sum(one.brightness > 0 for one in decided)
    assert result.sound_minutes == sum(one.sound for one in decided)
    for state in State:
        assert result.minutes[state] == sum(one.state == state for one in decided)


def test_what_is_cut_short_is_said_with_what_cut_it(tmp_path: Path) -> None:
    hours = '[neighbours]\ndark = [{ from = "18:50", to = "07:00" }]\n'
    special = performance('dates = ["12-14"]\nfrom = "18:20"\nto = "18:40"\nrank = 1', "turn of the year")
    site = site_of(tmp_path, hours, TABLES, HOUR_SHOW, special)
    result = rehearse(site, NIGHT, NIGHT)
    cuts = {(local(cut.at_ns, site)[11:19], cut.what): cut.by for cut in result.cuts}
    assert cuts["18:50:00", "the night of 2026-12-14"] == "dark hours (site.toml:7 neighbours.dark)"
    begins = [by for (at, what), by in cuts.items() if at == "18:50:00" and what != "the night of 2026-12-14"]
    assert begins == ["dark hours 18:50 to 07:00: no light (site.toml:7 neighbours.dark)"]
    taken = [by for (at, _), by in cuts.items() if at == "18:20:00"]
    assert len(taken) == 1
    assert taken[0].startswith("turn of the year opened 18:20")
    assert result.pieces["lanterns"] > 0


def test_a_season_over_new_year_and_a_change_of_the_clock_has_every_minute_once(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, performance('from = "sunset + 20 min"\nto = "00:30"'))
    result = rehearse(site, date(2027, 3, 27), date(2027, 3, 28))
    assert sum(result.minutes.values()) == 47 * 60  # 28 March 2027 has 23 hours
    assert [row.night.date for row in result.rows] == [date(2027, 3, 27), date(2027, 3, 28)]


def test_a_rehearsal_tells_how_far_it_is(tmp_path: Path) -> None:
    done: list[tuple[int, int]] = []
    site = site_of(tmp_path, TABLES, HOUR_SHOW)
    rehearse(site, date(2026, 12, 30), date(2027, 1, 2), progress=lambda *days: done.append(days))
    assert done == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_the_show_of_a_zone_is_rehearsed_beside_the_one_of_the_whole_rig(tmp_path: Path) -> None:
    """The roof has its own hour from 18:30: the same rounds of bells, tide and lanterns."""
    rig = (
        '[[controller]]\nname = "left"\nuniverses = "1-4"\n'
        '[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = 1\ngroup = "roof"\n'
    )
    roof = performance('zone = "roof"\nfrom = "18:30"\nto = "19:30"\nrank = 1')
    alone = rehearse(site_of(tmp_path / "alone", TABLES, HOUR_SHOW), NIGHT, NIGHT)
    both = rehearse(site_of(tmp_path / "both", TABLES, HOUR_SHOW, roof, rig=rig), NIGHT, NIGHT)
    assert {name: both.pieces[name] - alone.pieces[name] for name in alone.pieces} == alone.pieces
    assert 88 <= both.lit_minutes <= 90
    assert (both.gaps, both.minutes) == (alone.gaps, alone.minutes)
    assert [(cut.what, local(cut.at_ns, site_of(tmp_path, TABLES))[11:19]) for cut in both.cuts] == [
        ("tide", "19:00:00"),
        ("tide", "19:30:00"),
    ]
