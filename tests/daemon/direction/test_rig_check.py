"""A rig check is requested and decided, and ends by itself. In dark hours it needs a level from the site."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from gloaming.daemon.direction.decide import decide, instant, score
from gloaming.daemon.direction.overrides import Check, Kind, Override
from gloaming.daemon.direction.requests import Refusal
from gloaming.daemon.direction.rig_check import RequestedCheck, ask_rig_check, dark_windows
from gloaming.daemon.direction.score import State
from gloaming.daemon.planner.store import Store
from gloaming.daemon.score.score import Picture, Score, Segment
from gloaming.daemon.score.windows import NeighboursWindow, Windows
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from gloaming.daemon.transmitter.lookup import look_up
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.rig.patterns import blocks, frame_rate
from gloaming.shows.time_units import DAY_NS, SECOND_NS
from tests.daemon import quay_site

CHECK = Check("walk of string ridge", "/x/walk.frames", 200, Fraction(2))
SITE = """[site]
name = "Pier Road boathouse"
latitude = 54.486
longitude = -0.613
timezone = "Europe/London"
[neighbours]
dark = [{{ days = "daily", from = "22:30", to = "07:00" }}]
dim = [{{ days = "daily", from = "21:00", to = "22:30", brightness = 0.2 }}]
{more}
"""
RIG = """[[controller]]
name = "left"
universes = "1-2"
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 200
[[controller]]
name = "mast"
universes = "7"
"""


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return site_of(tmp_path)


def site_of(folder: Path, more: str = "", rig: str = RIG) -> Site:
    (folder / "site.toml").write_text(SITE.format(more=more), encoding="utf-8")
    (folder / "rig.toml").write_text(rig, encoding="utf-8")
    return load_site(folder)


def at(site: Site, local: str) -> int:
    return instant(datetime.fromisoformat(f"2026-11-20T{local}").replace(tzinfo=site.timezone))


def standing(asked: RequestedCheck) -> Override:
    return Override(7, asked.kind, asked.at_ns, asked.until_ns, "Nan", level=asked.level, check=CHECK)


def test_it_lasts_ten_minutes_at_a_low_level_by_default(site: Site) -> None:
    asked = ask_rig_check({"string": "ridge"}, at(site, "17:00"), site)
    assert asked.until_ns - asked.at_ns == 600 * SECOND_NS
    assert (asked.level, asked.pattern.kind) == (0.3, "colours")


def test_it_decides_what_is_shown_and_ends_by_itself(site: Site) -> None:
    check = standing(ask_rig_check({"pattern": "walk"}, at(site, "17:00"), site))
    now = decide(at(site, "17:03"), site, (check,))
    assert (now.state, now.brightness, now.sound, now.frame) == (State.RIG_CHECK, 0.3, False, 160)
    assert now.piece == "rig check: walk of string ridge"
    assert "rig check, walk of string ridge by Nan at 17:00 until 17:10" in now.reasons[0].text
    assert decide(at(site, "17:10"), site, (check,)).state == State.DARK


@pytest.mark.parametrize(("pixels", "minutes", "a_second"), [(1200, 10, 2), (1201, 10, 3), (2000, 10, 4), (500, 1, 9)])
def test_a_walk_is_fast_enough_to_reach_the_end_of_the_longest_string(
    tmp_path: Path, pixels: int, minutes: float, a_second: int
) -> None:
    site = site_of(
        tmp_path,
        rig=RIG.replace("pixels = 200", f"pixels = {pixels}")
        .replace('"1-2"', '"10-30"')
        .replace("universe = 1", "universe = 10"),
    )
    asked = ask_rig_check({"pattern": "walk", "minutes": minutes}, at(site, "17:00"), site)
    seconds = (asked.until_ns - asked.at_ns) // SECOND_NS
    rate = frame_rate(asked.pattern)
    assert rate == a_second and rate * seconds >= pixels
    frames = np.concatenate(list(blocks(asked.pattern, site.rig, site.slots)))
    assert len(frames) == pixels and frames[-1].sum() == 3 * 255
    assert asked.pattern.text == "walk, white of the whole rig" + (
        f", {a_second} pixels a second" if a_second > 2 else ""
    )


def test_a_walk_that_cannot_reach_the_end_of_a_string_reports_how_far_it_comes(site: Site) -> None:
    asked = ask_rig_check({"pattern": "walk", "minutes": 0.05}, at(site, "17:00"), site)
    assert asked.text == "walk, white of the whole rig, 40 pixels a second, up to pixel 120 of 200"


def test_a_pixel_that_was_cut_out_cannot_be_lit_and_a_walk_passes_over_it(tmp_path: Path) -> None:
    porch = '[[string]]\nname = "porch"\ncontroller = "left"\nuniverse = 2\nslot = 200\npixels = 40\n'
    rig = RIG.replace("pixels = 200\n", f"pixels = 200\nmissing = [37, 121]\n{porch}")
    site, now = site_of(tmp_path, rig=rig), at(load_site(tmp_path), "17:00")
    with pytest.raises(InputError, match=r"^request: string: pixel 37 of ridge was cut out; check another pixel"):
        ask_rig_check({"pattern": "pixel", "number": 37, "string": "ridge"}, now, site)
    assert ask_rig_check({"pattern": "pixel", "number": 37}, now, site), "the porch has a pixel 37"
    with pytest.raises(InputError, match=r"^request: string: pixel 121 of ridge was cut out"):
        ask_rig_check({"pattern": "pixel", "number": 121}, now, site)
    walk = ask_rig_check({"pattern": "walk", "minutes": 0.05}, now, site)
    assert walk.text == "walk, white of the whole rig, 40 pixels a second, up to pixel 122 of 200"


def test_the_neighbours_dim_hours_hold_for_it(site: Site) -> None:
    check = standing(ask_rig_check({"pattern": "walk", "level": 0.9}, at(site, "21:30"), site))
    assert decide(at(site, "21:31"), site, (check,)).brightness == 0.2


def test_in_dark_hours_it_is_refused_and_before_them_it_ends_where_they_begin(site: Site) -> None:
    with pytest.raises(Refusal, match="dark hours 22:30 to 07:00"):
        ask_rig_check({"pattern": "walk"}, at(site, "23:00"), site)
    asked = ask_rig_check({"pattern": "walk"}, at(site, "22:25"), site)
    assert asked.until_ns == at(site, "22:30")


def test_even_an_impossible_check_is_dark_in_dark_hours(site: Site) -> None:
    check = Override(7, Kind.RIG_CHECK, at(site, "22:00"), at(site, "23:59"), level=1.0, check=CHECK)
    now = decide(at(site, "23:00"), site, (check,))
    assert (now.state, now.brightness) == (State.DARK, 0)


def test_a_site_may_allow_a_low_level_in_dark_hours(tmp_path: Path) -> None:
    site = site_of(tmp_path, "rig_check = 0.05")
    check = standing(ask_rig_check({"pattern": "walk"}, at(site, "23:00"), site))
    now = decide(at(site, "23:01"), site, (check,))
    assert (now.state, now.brightness) == (State.RIG_CHECK, 0.05)
    assert [reason.text for reason in now.reasons[1:]] == ["dark hours 22:30 to 07:00: a rig check at 0.05 at most"]
    for segment in score(at(site, "22:30"), at(site, "23:59"), site, (check,)):
        assert max(segment.level_from, segment.level_until) <= 0.05
    assert decide(at(site, "23:11"), site, (check,)).state == State.DARK


def test_a_burn_in_lasts_hours_is_dark_in_dark_hours_and_goes_on_after_them(tmp_path: Path) -> None:
    site = site_of(tmp_path, "rig_check = 0.05")
    begin = at(site, "17:00")
    asked = ask_rig_check({"hours": 24, "level": 0.4}, begin, site)
    assert (asked.kind, asked.until_ns - begin, asked.pattern.kind) == (Kind.BURN_IN, 24 * 3600 * SECOND_NS, "colours")
    burn_in = standing(asked)
    states = {
        hours: decide(begin + hours * 3600 * SECOND_NS + SECOND_NS, site, (burn_in,)) for hours in (1, 5, 6, 15, 24)
    }
    shown = {hours: (now.state, now.brightness) for hours, now in states.items()}
    assert shown == {
        1: (State.RIG_CHECK, 0.4),
        5: (State.RIG_CHECK, 0.2),  # dim hours
        6: (State.DARK, 0.0),
        15: (State.RIG_CHECK, 0.4),
        24: (State.DARK, 0.0),
    }
    assert states[1].reasons[0].text == (
        "burn-in, walk of string ridge by Nan at 17:00 on 20 November 2026 until 17:00 on 21 November 2026"
    )
    assert states[6].reasons[0].text == "dark hours 22:30 to 07:00: no light"
    assert [(one.from_ns, one.until_ns) for one in dark_windows(site, begin, asked.until_ns)] == [
        (at(site, "22:30"), at(site, "07:00") + DAY_NS)
    ]


def test_a_burn_in_may_begin_in_dark_hours_but_not_lie_in_them_alone(site: Site) -> None:
    assert ask_rig_check({"hours": 9}, at(site, "23:00"), site).until_ns == at(site, "08:00") + DAY_NS
    with pytest.raises(Refusal, match="dark hours 22:30 to 07:00"):
        ask_rig_check({"hours": 8}, at(site, "23:00"), site)


def test_a_walk_of_a_burn_in_keeps_its_pace_and_comes_to_every_end(site: Site) -> None:
    asked = ask_rig_check({"pattern": "walk", "hours": 12}, at(site, "08:00"), site)
    assert (asked.pattern.a_second, asked.text) == (2, "walk, white of the whole rig")


def test_a_rig_check_is_shown_over_a_burn_in_which_goes_on_after_it(site: Site) -> None:
    burn_in = standing(ask_rig_check({"hours": 5}, at(site, "08:00"), site))
    check = replace(standing(ask_rig_check({"level": 0.7}, at(site, "09:00"), site, (burn_in,))), id=8)
    assert not check.replaces(burn_in)
    assert burn_in.replaces(check)
    levels = [decide(at(site, clock), site, (burn_in, check)).brightness for clock in ("08:59", "09:05", "09:11")]
    assert levels == [0.3, 0.7, 0.3]


@pytest.mark.parametrize("kind", [Kind.PAUSE, Kind.DARK])
def test_lights_off_ends_a_burn_in(kind: Kind, site: Site) -> None:
    burn_in = standing(ask_rig_check({"hours": 5}, at(site, "08:00"), site))
    assert Override(9, kind, at(site, "09:00"), at(site, "10:00")).replaces(burn_in)
    with pytest.raises(Refusal, match="dark by Ada"):
        ask_rig_check({"hours": 5}, at(site, "09:00"), site, (Override(9, Kind.DARK, 0, 2**62, "Ada"),))


def test_a_part_that_is_out_of_service_stays_dark_in_a_burn_in(site: Site) -> None:
    """A rig check lights it, for ten minutes and with somebody there."""
    broken = Override(3, Kind.OUT_OF_SERVICE, at(site, "07:30"), at(site, "18:00"), zone="ridge")
    burn_in = standing(ask_rig_check({"hours": 5}, at(site, "08:00"), site, (broken,)))
    assert decide(at(site, "09:00"), site, (broken, burn_in)).brightness == 0.3
    assert decide(at(site, "09:00"), site, (broken, burn_in), zone="ridge").brightness == 0


def test_the_second_lock_limits_the_level_and_length_of_a_check_in_dark_hours() -> None:
    dark = Windows(0, 1000, (NeighboursWindow(100, 900, 0, 0, "rule"),), rig_checks=((200, 300, 0.05),))
    assert [dark.ceiling(ns) for ns in (50, 150, 200, 299, 300, 950)] == [1, 0, 0.05, 0.05, 0, 1]
    assert dark.ceiling(2000) == 0
    assert dark.next_edge(150) == 200
    assert dark.next_edge(200) == 300


def test_a_dark_override_is_stronger(site: Site) -> None:
    dark = Override(3, Kind.DARK, at(site, "16:00"), at(site, "22:00"), "Ada")
    with pytest.raises(Refusal, match="dark by Ada"):
        ask_rig_check({"pattern": "walk"}, at(site, "17:00"), site, (dark,))
    check = standing(ask_rig_check({"pattern": "walk"}, at(site, "17:00"), site))
    assert decide(at(site, "17:01"), site, (check, dark)).state == State.DARK


def test_a_rig_can_be_checked_while_a_zone_is_dark_by_hand_and_the_zone_stays_dark(site: Site) -> None:
    dark = Override(3, Kind.DARK, at(site, "16:00"), at(site, "22:00"), "Ada", zone="ridge")
    check = standing(ask_rig_check({"pattern": "walk"}, at(site, "17:00"), site, (dark,)))
    assert decide(at(site, "17:01"), site, (check, dark)).state == State.RIG_CHECK
    assert decide(at(site, "17:01"), site, (check, dark), zone="ridge").state == State.DARK


def test_while_the_show_is_paused_the_rig_can_be_checked(site: Site) -> None:
    pause = Override(3, Kind.PAUSE, at(site, "16:50"), at(site, "18:00"))
    check = standing(ask_rig_check({"pattern": "walk"}, at(site, "17:00"), site, (pause,)))
    assert decide(at(site, "17:01"), site, (pause, check)).state == State.RIG_CHECK
    assert decide(at(site, "17:20"), site, (pause, check)).state == State.PAUSED


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        ({"pattern": "walk", "string": "none"}, "there is no string 'none'; use ridge"),
        ({"pattern": "walk", "controller": "none"}, "there is no controller 'none'; use left"),
        ({"pattern": "pixel", "number": 201}, "there is no pixel 201; the longest string has 200"),
        ({"pattern": "universe", "number": 3}, "there is no universe 3; use 1-2"),
        ({"pattern": "universe", "number": 1, "controller": "mast"}, "there is no universe 1; use 7"),
    ],
)
def test_a_name_that_the_rig_does_not_have_is_reported_in_one_line(
    site: Site, request_: dict[str, object], message: str
) -> None:
    with pytest.raises(InputError) as caught:
        ask_rig_check(request_, at(site, "17:00"), site)
    assert len(caught.value.errors) == 1
    assert message in str(caught.value)


def test_the_brightness_of_the_show_does_not_apply_to_a_rig_check(tmp_path: Path) -> None:
    site = quay_site.site_of(tmp_path, quay_site.TABLES, quay_site.EVENING, "[output]\nbrightness = 0.5\n")
    begin = instant(datetime(2026, 11, 28, 20, tzinfo=site.timezone))
    check = Override(7, Kind.RIG_CHECK, begin, begin + 600 * SECOND_NS, "Nan", level=0.9, check=CHECK)
    now = decide(begin + 60 * SECOND_NS, site, (check,))
    assert (now.brightness, len(now.reasons)) == (0.9, 1)
    assert "brightness 0.5" in decide(begin - SECOND_NS, site).reasons[-1].text


def test_a_colour_that_no_string_has_is_refused(site: Site, tmp_path: Path) -> None:
    """Otherwise all strings stay dark, as if they were broken."""
    with pytest.raises(Refusal, match="none of these strings and fixtures has a channel for w: nothing would light up"):
        ask_rig_check({"pattern": "colour", "colour": "w"}, at(site, "17:00"), site)
    with_white = (
        RIG + '[[string]]\nname = "star"\ncontroller = "left"\nuniverse = 2\nslot = 91\npixels = 5\norder = "RGBW"\n'
    )
    (tmp_path / "rig.toml").write_text(with_white, encoding="utf-8")
    other = load_site(tmp_path)
    assert ask_rig_check({"pattern": "colour", "colour": "w"}, at(site, "17:00"), other).pattern.colour == "w"
    with pytest.raises(Refusal):
        ask_rig_check({"pattern": "walk", "colour": "w", "string": "ridge"}, at(site, "17:00"), other)


FIXTURE = """[[fixture]]
name = "lamp"
controller = "mast"
universe = 7
slot = 1
channels = ["dimmer", "red", "fog"]

[[fixture]]
name = "fogger"
controller = "mast"
universe = 7
slot = 11
channels = ["fog", "strobe"]
"""


def test_a_fixture_and_a_port_are_checked_alone(tmp_path: Path) -> None:
    site = site_of(tmp_path, rig=RIG.replace("pixels = 200\n", "pixels = 200\nport = 3\n") + FIXTURE)
    now = at(site, "17:00")
    assert ask_rig_check({"fixture": "lamp"}, now, site).text == "colours of fixture lamp"
    assert ask_rig_check({"port": "3 of left", "pattern": "walk"}, now, site).text == "walk, white of port 3 of left"
    with pytest.raises(InputError, match=r"^request: fixture: there is no fixture 'lmap'; use lamp, fogger"):
        ask_rig_check({"fixture": "lmap"}, now, site)
    with pytest.raises(InputError, match=r"^request: port: there is no port '4 of left'; use 3 of left"):
        ask_rig_check({"port": "4 of left"}, now, site)
    with pytest.raises(InputError, match=r"^request: pattern: fixture lamp has no pixels; use colours, colour or ramp"):
        ask_rig_check({"fixture": "lamp", "pattern": "walk"}, now, site)
    with pytest.raises(Refusal, match="has a channel for blue"):
        ask_rig_check({"fixture": "lamp", "pattern": "colour", "colour": "blue"}, now, site)
    for pattern in ({}, {"pattern": "strings"}, {"pattern": "universe", "number": 7}):
        with pytest.raises(Refusal, match="has a channel for light"):
            ask_rig_check({"fixture": "fogger", **pattern}, now, site)


def test_it_survives_a_restart_and_an_older_database_gets_its_column(tmp_path: Path) -> None:
    old = Store(tmp_path, 0)
    old._db.execute("ALTER TABLE override DROP COLUMN rig_check")  # as the table was before
    old.close()
    check = Override(1, Kind.RIG_CHECK, 10, 20, "Nan", level=0.3, check=CHECK)
    store = Store(tmp_path, 0)
    store.add(check)
    store.close()
    assert Store(tmp_path, 0).overrides(0) == (check,)


def test_days_that_meet_agree_on_a_check_over_midnight(tmp_path: Path) -> None:
    site = site_of(tmp_path, "rig_check = 0.1")
    begin = at(site, "23:55")
    check = standing(ask_rig_check({"pattern": "walk"}, begin, site))
    for minutes in range(10):
        now = decide(begin + minutes * 60 * SECOND_NS + SECOND_NS, site, (check,))
        assert now.frame == (minutes * 120 + 2) % 200, timedelta(minutes=minutes)


def test_the_transmitter_plays_a_check_no_brighter_than_the_lock_allows() -> None:
    end_ns, walk = 900 * SECOND_NS, Picture("rig check", "/x/walk.frames", 9, Fraction(2), 0)
    score = Score(1, 0, 0, (Segment(0, end_ns, picture=walk, level_from=0.4, level_until=0.4),))
    low = (100 * SECOND_NS, 200 * SECOND_NS, 0.05)
    windows = Windows(0, end_ns, (NeighboursWindow(0, end_ns, 0, 0, "rule"),), rig_checks=(low,))
    seen = [look_up(score, windows, 0, at_s * SECOND_NS, at_s * SECOND_NS).segment for at_s in (99, 100, 199, 200)]
    assert [one and (one.level_from, one.level_until) for one in seen] == [None, (0.05, 0.05), (0.05, 0.05), None]
