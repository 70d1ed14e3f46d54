"""The voltage at the end of a cable and of a string, worked by hand with handbook values."""

from __future__ import annotations

import pytest

from gloaming.shows.analysis.voltage import awg_mm2, length_m, ohm_per_m, worst_drop
from gloaming.shows.rig.model import PixelString


def string(pixels: int = 101, **keys: object) -> PixelString:
    given = {"name": "ridge", "controller": "left", "universe": 1, "pixels": pixels, **keys}
    return PixelString.model_validate(given)


@pytest.mark.parametrize(
    ("awg", "mm", "mm2", "ohm_per_km"),
    [(10, 2.588, 5.261, 3.277), (14, 1.628, 2.081, 8.286), (18, 1.024, 0.823, 20.95), (22, 0.644, 0.326, 52.96)],
)
def test_gauges_agree_with_the_table_of_the_trade(awg: int, mm: float, mm2: float, ohm_per_km: float) -> None:
    """Diameter and cross-section: the table of ASTM B258. Resistance: the usual table of copper wire at 20 C, made for
    1.724e-8 ohm m (annealed copper, IEC 60028), which is 2.6 % above the 1.68e-8 of pure copper. From memory."""
    assert awg_mm2(awg) == pytest.approx(mm2, rel=2e-3)
    assert awg_mm2(awg) == pytest.approx(3.14159 / 4 * mm**2, rel=2e-3)
    assert 1000 * ohm_per_m(awg_mm2(awg)) == pytest.approx(ohm_per_km * 1.68 / 1.724, rel=2e-3)


def test_the_voltage_at_the_end_of_10_m_of_18_awg_at_4_a() -> None:
    """By hand, with handbook values. 18 AWG has a diameter of 0.127 mm x 92^(18/39) = 1.024 mm (ASTM B258), 0.823 mm2.
    Copper at 20 C has 1.68e-8 ohm m, so a metre has 1.68e-8 / 0.823e-6 = 0.02041 ohm. 10 m out and 10 m back have
    0.408 ohm, and 4 A lose 4 x 0.408 = 1.63 V there. Of 12 V 10.37 V are left: 13.6 % less.
    """
    drop = worst_drop(string(awg=18, feed_m=10), 4.0)
    assert drop is not None and drop.feed_v is not None
    assert drop.feed_v == pytest.approx(1.63, abs=0.005)
    assert 12 - drop.volts == pytest.approx(10.37, abs=0.005)
    assert drop.own_v is None  # its length is not known


def test_a_string_that_is_fed_at_one_end_loses_half_of_what_a_load_at_its_end_would() -> None:
    """A load that is spread evenly over 10 m: each metre carries less than the one before, half of it in the mean."""
    line = [[0, 0], [6, 0], [6, 4]]
    drop = worst_drop(string(awg=18, line=line, feed_m=0), 4.0)
    assert drop is not None and (drop.feed_v, drop.pixel) == (0.0, 101)
    assert drop.own_v == pytest.approx(1.63 / 2, abs=0.003)


def summed(string: PixelString, amps: float) -> float:
    """The lowest voltage by a sum over the pixels: each draws alike, each feed carries the pixels nearest to it."""
    length, last = length_m(string) or 0.0, string.pixels - 1
    ohm = 2 * ohm_per_m(string.mm2 or 0.0)
    feeds = sorted({1, *string.inject_at})
    nearest = [min(feeds, key=lambda feed: abs(feed - number)) for number in range(1, string.pixels + 1)]
    lost = []
    for number, feed in enumerate(nearest, start=1):
        own = [other for other, of in enumerate(nearest, start=1) if of == feed and (other > feed) == (number > feed)]
        ways = [min(abs(other - feed), abs(number - feed)) * length / last for other in own]
        shared = (string.feed_m or 0.0) * nearest.count(feed)
        lost.append(ohm * (sum(ways) + shared) * amps / string.pixels)
    return max(lost)


@pytest.mark.parametrize("inject_at", [[], [2001], [1001], [500, 1500], [200, 300, 1900], [1, 2001]])
def test_each_feed_carries_the_halves_of_its_neighbouring_stretches(inject_at: list[int]) -> None:
    """2001 pixels over 20 m, added up pixel by pixel."""
    one = string(2001, mm2=0.75, line=[[0, 0], [20, 0]], feed_m=3, inject_at=inject_at)
    drop = worst_drop(one, 8.0)
    assert drop is not None
    assert drop.volts == pytest.approx(summed(one, 8.0), rel=5e-3)


def test_the_worst_pixel_is_at_the_end_or_in_the_middle_between_two_feeds() -> None:
    def pixel(*inject_at: int) -> int | None:
        drop = worst_drop(string(101, mm2=0.75, line=[[0, 0], [20, 0]], feed_m=1, inject_at=list(inject_at)), 4.0)
        return drop and drop.pixel

    assert (pixel(), pixel(101), pixel(41), pixel(81)) == (101, 51, 101, 41)


def test_injection_at_both_ends_leaves_a_quarter_of_the_drop_in_the_strings_own_wires() -> None:
    line = [[0, 0], [10, 0]]
    one, both = (worst_drop(string(awg=18, line=line, feed_m=0, inject_at=at), 4.0) for at in ([], [101]))
    assert one and both and one.own_v and both.own_v
    assert both.own_v == pytest.approx(one.own_v / 4)


def test_what_is_not_known_does_not_count_and_without_a_gauge_nothing_is_known() -> None:
    assert worst_drop(string(feed_m=10), 4.0) is None
    assert worst_drop(string(awg=18), 4.0) is None
    drop = worst_drop(string(awg=18, line=[[0, 0], [10, 0]]), 4.0)
    assert drop is not None and drop.feed_v is None and drop.own_v
    alone = worst_drop(string(1, awg=18, line=[[0, 0], [10, 0]], feed_m=10), 4.0)  # one pixel hangs at one place
    assert alone is not None and alone.pixel == 1
