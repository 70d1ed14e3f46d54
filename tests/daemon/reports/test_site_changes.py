"""What another site would change, in sentences that a person reads before saving."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from gloaming.daemon.reports.site_changes import dates_text, differences
from tests.daemon.quay_site import EVENING, PLACE, RIG, TABLES, performance, site_of

TODAY = date(2026, 11, 25)
CHRISTMAS = performance(
    'dates = ["12-24..12-26"]\nfrom = "15:30"\nto = "22:00"\nrank = 1\nalone = true', "turn of the year"
)
STRING = '\n[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = 1\n'
DARK = '\n[neighbours]\ndark = [{ from = "22:30", to = "07:00" }]\n'
FIXED = EVENING.replace("sunset + 20 min", "17:00")
CASES: dict[str, tuple[str, str, list[str]]] = {
    "nothing": (EVENING, EVENING, []),
    "earlier": (EVENING, EVENING.replace("+ 20 min", "+ 0 min"), ["82 nights open 20 minutes earlier"]),
    "later and shorter": (
        FIXED, FIXED.replace("17:00", "18:30").replace("22:00", "21:59"),
        ["82 nights open 1 h 30 min later", "82 nights close 1 minute earlier"]),
    "from the sun to the clock": (
        EVENING, FIXED, ["82 nights open later, by 46 minutes to 1 h 3 min"]),
    "a longer season": (
        EVENING, EVENING.replace("01-06", "01-08"),
        ["4 nights are added: 7 to 8 January 2027, 7 to 8 January 2028"]),
    "a shorter one": (
        EVENING, EVENING.replace("11-27", "11-28"),
        ["2 nights are not given any more: 27 November 2026, 27 November 2027"]),
    "one night of this year": (
        EVENING, EVENING + 'except = ["2026-12-24"]\n', ["1 night is not given any more: 24 December 2026"]),
    "another show": (FIXED, FIXED + CHRISTMAS, [
        "the show of 6 nights is turn of the year, not evening", "6 nights open 1 h 30 min earlier"]),
    "hours": (EVENING, EVENING + DARK, ["dark hours 22:30 to 07:00 are added"]),
    "brightness": (EVENING, EVENING + "\n[output]\nbrightness = 0.6\n", ["the brightness is 60%, not 100%"]),
    "no hours": (EVENING + DARK, EVENING, ["dark hours 22:30 to 07:00 are no longer there"]),
}  # fmt: skip


@pytest.mark.parametrize("case", sorted(CASES))
def test_a_change_is_a_sentence(tmp_path: Path, case: str) -> None:
    before, after, wanted = CASES[case]
    sites = [site_of(tmp_path, TABLES, tables) for tables in (before, after)]
    assert [one.text for one in differences(*sites, TODAY).changes] == wanted


def test_orders_pieces_and_the_rig_are_sentences_too(tmp_path: Path) -> None:
    tables = TABLES.replace('order = ["bells", "tide", "lanterns"]\ngap = "4 s"', 'order = ["tide", "lanterns"]')
    tables = tables.replace(
        '[[piece]]\nname = "bells"\nframes = "pieces/bells.frames"\nsound = "pieces/bells.flac"\n', ""
    )
    place = PLACE.replace("Pier Road boathouse", "The quay")
    more = '\n[phone]\nannounce = false\n\n[[alert]]\nurl = "http://192.0.2.5/secret"\n'
    rig = RIG.replace("left", "shed").replace("1-4", "1-3") + STRING.replace("left", "shed")
    before = site_of(tmp_path, TABLES, EVENING)
    after = site_of(tmp_path, tables, EVENING, more, place=place, rig=rig)
    found = [one.text for one in differences(before, after, TODAY).changes]
    assert found == [
        "piece bells: no longer there",
        "the running order of evening is tide, lanterns",
        "evening has another gap",
        "the name of the site is The quay",
        "phone has another announce",
        "the alerts are other ones",
        "controller shed: new",
        "controller left: no longer there",
        "string ridge: new",
    ]
    assert "secret" not in str(found)


def test_the_pictures_are_of_one_season_before_and_after(tmp_path: Path) -> None:
    before = site_of(tmp_path, TABLES, EVENING)
    after = site_of(tmp_path, TABLES, EVENING.replace("01-06", "01-20"))
    found = differences(before, after, TODAY)
    for svg in (found.before_svg, found.after_svg):
        assert "25 November 2026 to 20 January 2027" in svg
    assert found.before_svg != found.after_svg


def test_a_site_without_a_performance_is_compared_too(tmp_path: Path) -> None:
    before, after = site_of(tmp_path, TABLES), site_of(tmp_path, TABLES, EVENING)
    assert differences(before, after, TODAY).changes[0].text.startswith("82 nights are added: 27 November 2026")
    assert differences(before, before, TODAY).changes == ()


def test_dates_are_read_as_stretches() -> None:
    days = [date(2026, 12, 24), date(2026, 12, 25), date(2026, 12, 31), date(2027, 1, 1), date(2027, 1, 5)]
    assert dates_text(days) == "24 to 25 December 2026, 31 December 2026 to 1 January 2027, 5 January 2027"
    assert dates_text([date(2026, 1, day) for day in range(1, 31, 2)]).endswith("11 January 2026 and 9 more")
