"""What everybody may know: titles and opening times, and nothing of who did what."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.direction.overrides import Check, Kind, Override
from gloaming.daemon.reports.public import PublicNow, opening_times, public_now
from gloaming.daemon.site.site import Site
from tests.daemon.quay_site import RIG, SECOND_NS, TABLES, ns, performance, site_of

DAY = "2026-12-12"
TITLED = TABLES.replace('name = "bells"\n', 'name = "bells"\ntitle = "Ring the bells"\nartist = "Pier Road ensemble"\n')
EVENING = performance('from = "17:00"\nto = "22:00"')
DARK = '\n[neighbours]\ndark = [{ from = "23:00", to = "07:00" }]\n'
ZONES = """
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 1

[[zone]]
name = "roof"
strings = ["ridge"]
"""


@pytest.fixture(scope="module")
def quay(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return site_of(tmp_path_factory.mktemp("quay"), TITLED, EVENING, DARK)


def known(site: Site, at: str, *overrides: Override, day: str = DAY) -> PublicNow:
    at_ns = ns(f"{day}T{at}")
    return public_now(at_ns, site, opening_times(at_ns, site), overrides)


def times(site: Site, at: str, day: str = DAY) -> tuple[str | None, ...]:
    """Opens, closes and the next opening, as day of the month and time."""
    found = known(site, at, day=day).as_json(site)
    return tuple(text and text[8:16] for text in (found["opens"], found["closes"], found["next_opening"]))


def override(kind: Kind, at: str, until: str, **more: Any) -> Override:
    return Override(7, kind, ns(f"{DAY}T{at}"), ns(f"{DAY}T{until}"), "mara", **more)


def test_the_title_and_the_next_one_follow_the_rundown(quay: Site) -> None:
    bells = known(quay, "17:00:10")
    assert (bells.title, bells.artist, bells.next_title) == ("Ring the bells", "Pier Road ensemble", "tide")
    gap = known(quay, "17:01:42")
    assert (gap.title, gap.artist, gap.next_title) == (None, None, "tide")
    tide = known(quay, "17:01:44")
    assert (tide.title, tide.artist, tide.next_title) == ("tide", None, "lanterns")
    assert known(quay, "21:59:59").next_title is None


def test_it_is_the_same_until_the_instant_that_it_names(quay: Site) -> None:
    """Walks an evening from one such instant to the next, and looks at every second between."""
    at_ns, end_ns, steps = ns(f"{DAY}T16:59:00"), ns(f"{DAY}T17:20:00"), []
    while at_ns < end_ns:
        now = public_now(at_ns, quay, opening_times(at_ns, quay))
        assert now.until_ns and now.until_ns > at_ns
        for between_ns in range(at_ns, min(now.until_ns, end_ns), SECOND_NS):
            assert public_now(between_ns, quay, opening_times(between_ns, quay)) == now
        if not steps or steps[-1] != now.title:
            steps.append(now.title)
        at_ns = now.until_ns
    assert steps[:7] == [None, "Ring the bells", None, "tide", None, "lanterns", None]


def test_tonight_is_the_evening_under_way_or_the_one_before_the_next_noon(quay: Site) -> None:
    assert times(quay, "11:59:59") == (None, None, "12T17:00")
    assert times(quay, "12:00:00") == ("12T17:00", "12T22:00", "12T17:00")
    assert times(quay, "16:59:59") == ("12T17:00", "12T22:00", "12T17:00")
    assert times(quay, "17:00:00") == ("12T17:00", "12T22:00", "13T17:00")
    assert times(quay, "22:00:00") == (None, None, "13T17:00")


def test_performances_that_follow_each_other_are_one_evening(tmp_path: Path) -> None:
    early = performance('from = "17:00"\nto = "19:00"')
    site = site_of(tmp_path, TITLED, early, performance('from = "19:00"\nto = "00:30"', "turn of the year"))
    assert times(site, "18:00:00") == ("12T17:00", "13T00:30", "13T17:00")
    assert times(site, "00:10:00", "2026-12-13") == ("12T17:00", "13T00:30", "13T17:00")


def test_without_a_night_to_come_there_is_no_opening(tmp_path: Path) -> None:
    site = site_of(tmp_path, TITLED, performance('dates = ["2026-12-12"]\nfrom = "17:00"\nto = "22:00"'))
    assert times(site, "23:00:00") == (None, None, None)


@pytest.mark.parametrize(
    "asked",
    [
        override(Kind.PAUSE, "17:00:05", "18:00:00"),
        override(Kind.DARK, "17:00:05", "23:00:00"),
        override(
            Kind.RIG_CHECK, "17:00:05", "17:15:00", check=Check("a walk", "walk.frames", 40, Fraction(40)), level=1.0
        ),
    ],
    ids=lambda asked: asked.kind,
)
def test_what_a_person_did_is_nobodys_business(asked: Override, quay: Site) -> None:
    """Nothing is left but the opening times, which are as ever: a stranger cannot tell them apart."""
    usual = known(quay, "17:00:10")
    assert usual.title
    assert known(quay, "17:00:10", asked) == replace(usual, title=None, artist=None, next_title=None)


def test_dark_hours_have_no_title(tmp_path: Path) -> None:
    site = site_of(tmp_path, TITLED, performance('from = "17:00"\nto = "23:30"\nat_close = "cut"'), DARK)
    assert known(site, "22:59:00").title
    assert known(site, "23:00:01") == PublicNow(next_opening_ns=ns("2026-12-13T17:00"))


def test_a_show_that_is_called_has_its_titles_and_the_opening_times_stay(quay: Site) -> None:
    call = override(Kind.CALL, "16:00:00", "16:30:00", show="turn of the year")
    now = known(quay, "16:00:01", call)
    assert (now.title, now.next_title) == ("lanterns", None)
    assert replace(now, title=None, artist=None) == known(quay, "16:00:01")


def test_a_piece_that_is_called_has_its_title_whether_a_show_is_on_or_not(quay: Site) -> None:
    during = override(Kind.CALL, "17:00:05", "19:00:00", piece="lanterns")
    now = known(quay, "17:00:10", during)
    assert (now.title, now.next_title) == ("lanterns", "Ring the bells")
    assert known(quay, "17:02:30", during).title == "Ring the bells"
    alone = override(Kind.CALL, "16:00:05", "19:00:00", piece="lanterns")
    now = known(quay, "16:00:10", alone)
    assert (now.title, now.next_title) == ("lanterns", None)
    assert known(quay, "16:03:00", alone) == known(quay, "16:03:00")


def test_a_zone_that_differs_does_not_count_unless_the_rest_gives_no_show(tmp_path: Path) -> None:
    site = site_of(tmp_path, TITLED, EVENING, DARK, rig=RIG + ZONES)
    usual = known(site, "17:00:10")
    for asked in (
        override(Kind.DARK, "17:00:05", "18:00:00", zone="roof"),
        override(Kind.CALL, "17:00:05", "18:00:00", zone="roof", show="turn of the year"),
    ):
        assert known(site, "17:00:10", asked) == usual
    alone = known(site, "16:00:10", override(Kind.CALL, "16:00:00", "16:30:00", zone="roof", show="evening"))
    assert (alone.title, alone.next_title) == ("Ring the bells", "tide")
