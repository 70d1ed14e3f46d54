"""When pieces and shows begin and end, as the wire has them."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.daemon.direction.decide import decide
from gloaming.daemon.direction.moments import At, Moment, OnWire, moments
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.site.site import Site
from tests.daemon.quay_site import PIECES, SECOND_NS, TABLES, local, ns, performance, site_of

OPENS = ns("2026-12-01T17:00:00")
FADE_S = 1
"""The default of output.fade: a show stands still once the light of a pause has faded."""
NIGHT = performance('from = "17:00"\nto = "17:30"')
SHORT = '\n[[show]]\nname = "short"\norder = ["swell"]\ngap = "10 s"\n'


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    """The order is bells (100 s), tide (225 s), lanterns (140 s), with gaps of 4 s."""
    return site_of(tmp_path_factory.mktemp("site"), TABLES, SHORT, NIGHT)


def override(kind: Kind, from_s: int, until_s: int, id: int = 1, **more: object) -> Override:
    return Override(id, kind, OPENS + from_s * SECOND_NS, OPENS + until_s * SECOND_NS, **more)  # type: ignore[arg-type]  # any keys


def found(site: Site, *overrides: Override, from_s: int = -60, until_s: int = 480) -> list[Moment]:
    return list(moments(OPENS + from_s * SECOND_NS, OPENS + until_s * SECOND_NS, OnWire(), site, overrides))


def told(moments: list[Moment]) -> list[tuple[float, str, str | None]]:
    """Seconds after the opening, what begins or ends, and its name."""
    return [((one.at_ns - OPENS) / SECOND_NS, str(one.at), one.name) for one in moments]


def pieces(site: Site, *overrides: Override, until_s: int = 480) -> list[tuple[float, str, str | None]]:
    return [one for one in told(found(site, *overrides, until_s=until_s)) if one[1].startswith("piece")]


BEGINS, ENDS = "piece-begins", "piece-ends"


def test_each_piece_begins_and_ends_and_the_gaps_are_no_pieces(site: Site) -> None:
    assert told(found(site)) == [
        (0, "show-begins", "evening"),
        (0, BEGINS, "bells"),
        (100, ENDS, "bells"),
        (104, BEGINS, "tide"),
        (329, ENDS, "tide"),
        (333, BEGINS, "lanterns"),
        (473, ENDS, "lanterns"),
        (477, BEGINS, "bells"),
    ]


def test_a_filler_between_two_pieces_is_no_piece(tmp_path: Path) -> None:
    show = '\n[[show]]\nname = "late"\norder = ["bells", "lanterns"]\ngap = "10 s"\nbetween = "swell"\n'
    site = site_of(tmp_path, TABLES, show, performance('from = "17:00"\nto = "17:30"', "late"))
    assert pieces(site, until_s=200) == [(0, BEGINS, "bells"), (100, ENDS, "bells"), (110, BEGINS, "lanterns")]


def test_at_the_closing_the_piece_ends_before_the_show(site: Site) -> None:
    last = told(found(site, from_s=1780, until_s=3600))
    assert [one[1:] for one in last[:2]] == [("show-begins", "evening"), (BEGINS, last[1][2])]
    assert last[2:] == [(1800, ENDS, last[1][2]), (1800, "show-ends", "evening")]


def test_a_pause_neither_ends_nor_begins_a_piece(site: Site) -> None:
    pause = override(Kind.PAUSE, 50, 200)
    late_s = 150 - FADE_S
    assert pieces(site, pause, until_s=300) == [
        (0, BEGINS, "bells"),
        (100 + late_s, ENDS, "bells"),
        (104 + late_s, BEGINS, "tide"),
    ]


def test_a_show_that_continues_in_a_pause_is_in_another_piece_at_its_end(site: Site) -> None:
    pause = override(Kind.PAUSE, 50, 200, show_continues=True)
    assert pieces(site, pause, until_s=300) == [(0, BEGINS, "bells"), (200, ENDS, "bells"), (200, BEGINS, "tide")]


def test_a_pause_over_the_opening_puts_the_beginning_off(site: Site) -> None:
    pause = override(Kind.PAUSE, -30, 40)
    assert told(found(site, pause, until_s=60)) == [(40, "show-begins", "evening"), (40, BEGINS, "bells")]


def test_a_skip_ends_a_piece_and_begins_the_next(site: Site) -> None:
    skip = override(Kind.SKIP, 50, 350)
    assert pieces(site, skip, until_s=200) == [(0, BEGINS, "bells"), (50, ENDS, "bells"), (50, BEGINS, "tide")]


def test_lights_off_by_hand_end_piece_and_show_until_the_light_is_back(site: Site) -> None:
    dark = override(Kind.DARK, 50, 120)
    assert told(found(site, dark, until_s=200)) == [
        (0, "show-begins", "evening"),
        (0, BEGINS, "bells"),
        (50, ENDS, "bells"),
        (50, "show-ends", "evening"),
        (120, "show-begins", "evening"),
        (120, BEGINS, "tide"),
    ]


def test_after_a_called_show_the_piece_that_goes_on_begins_again_for_the_sign(site: Site) -> None:
    call = override(Kind.CALL, 120, 170, show="short")
    assert told(found(site, call, until_s=300))[4:] == [
        (120, ENDS, "tide"),
        (120, "show-ends", "evening"),
        (120, "show-begins", "short"),
        (120, BEGINS, "swell"),
        (150, ENDS, "swell"),
        (160, BEGINS, "swell"),
        (170, ENDS, "swell"),
        (170, "show-ends", "short"),
        (170, "show-begins", "evening"),
        (170, BEGINS, "tide"),
    ]


def test_a_called_piece_interrupts_a_piece_and_not_the_show(site: Site) -> None:
    call = override(Kind.CALL, 120, 4000, piece="swell")
    assert told(found(site, call, until_s=200))[4:] == [
        (120, ENDS, "tide"),
        (120, BEGINS, "swell"),
        (150, ENDS, "swell"),
        (150, BEGINS, "tide"),
    ]


def test_a_piece_that_is_called_for_later_begins_at_the_end_of_the_one_that_plays(site: Site) -> None:
    call = override(Kind.CALL, 120, 4000, piece="swell", after=True)
    assert pieces(site, call, until_s=400)[3:] == [
        (329, ENDS, "tide"),
        (329, BEGINS, "swell"),
        (359, ENDS, "swell"),
        (363, BEGINS, "lanterns"),
    ]


def test_a_called_piece_outlives_the_show_beneath_it_and_is_paused_with_it(site: Site) -> None:
    call = override(Kind.CALL, 1790, 6000, piece="swell")
    last = told(found(site, call, override(Kind.PAUSE, 1810, 1850, 2), from_s=1780, until_s=3600))
    until_s = 1820 + 40 - FADE_S
    assert last[3:] == [(1790, BEGINS, "swell"), (1800, "show-ends", "evening"), (until_s, ENDS, "swell")]


def test_one_piece_that_repeats_with_nothing_between_begins_once(tmp_path: Path) -> None:
    site = site_of(tmp_path, TABLES, performance('from = "17:00"\nto = "17:30"', "turn of the year"))
    assert pieces(site, until_s=1200) == [(0, BEGINS, "lanterns")]


def test_dark_hours_end_piece_and_show(tmp_path: Path) -> None:
    dark = '\n[neighbours]\ndark = [{ days = "daily", from = "17:02", to = "07:00" }]\n'
    site = site_of(tmp_path, dark, TABLES, NIGHT)
    assert told(found(site, until_s=1700))[-2:] == [(120, ENDS, "tide"), (120, "show-ends", "evening")]


def test_a_show_for_a_zone_alone_has_no_moments(tmp_path: Path) -> None:
    rig = (
        '[[controller]]\nname = "left"\nhost = "127.0.66.1"\nuniverses = "1-4"\n'
        '[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = 1\ngroup = "roof"\n'
    )
    night = performance('from = "17:00"\nto = "17:30"\nzone = "roof"')
    assert found(site_of(tmp_path, TABLES, night, rig=rig)) == []


@pytest.mark.parametrize("begin_s", range(0, 470, 47))
def test_the_moments_after_any_instant_are_the_same_as_from_the_opening_on(site: Site, begin_s: int) -> None:
    """Who begins to look in the middle knows what is on the wire, and finds no moment twice."""
    overrides = (override(Kind.PAUSE, 50, 130), override(Kind.SKIP, 260, 600, 2))
    whole = found(site, *overrides, until_s=900)
    at_ns = OPENS + begin_s * SECOND_NS
    on_wire = [one for one in whole if one.at_ns <= at_ns][-1].on_wire
    later = list(moments(at_ns, OPENS + 900 * SECOND_NS, on_wire, site, overrides))
    assert later == [one for one in whole if one.at_ns > at_ns]


def test_they_agree_with_what_decide_says(site: Site) -> None:
    overrides = (override(Kind.SKIP, 30, 330), override(Kind.CALL, 120, 170, 2, show="short"))
    begins = [one for one in found(site, *overrides, until_s=900) if one.at == At.PIECE_BEGINS]
    assert len(begins) > len(PIECES)
    for one in begins:
        assert decide(one.at_ns, site, overrides).piece == one.piece, local(one.at_ns, site)
