"""Zones in site.toml: which rules a part of the rig has, and each mistake as one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.daemon.direction.decide import decide_area
from gloaming.daemon.direction.score import State
from gloaming.daemon.site.last_good import with_hours_of
from gloaming.daemon.site.site import Site
from gloaming.shows.config_files.errors import ConfigError, InputError
from tests.daemon.quay_site import TABLES, ns, site_of, write

RIG = """[[controller]]
name = "left"
universes = "1-4"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 1
group = "roof"

[[string]]
name = "rails"
controller = "left"
universe = 2
pixels = 50

[[zone]]
name = "path"
strings = ["rails"]

[[zone]]
name = "house"
groups = ["roof"]
"""
"""The quay's pieces have slots 1 to 3 of universe 1: the ridge."""
RULES = """
[neighbours]
dark = [{ from = "22:30", to = "07:00" }, { zone = "roof", from = "21:00", to = "07:00" }]
dim = [{ zone = "path", from = "20:00", to = "22:00", brightness = 0.3 }]
quiet = [{ from = "21:00", to = "09:00" }]

[output]
brightness = 0.8

[[output.zone]]
name = "roof"
brightness = 0.4

[[output.zone]]
name = "house"
brightness = 0.5

[[performance]]
show = "evening"
from = "17:00"
to = "22:00"

[[performance]]
show = "turn of the year"
zone = "roof"
from = "18:00"
to = "19:00"
rank = 1
"""
NONE = frozenset[str]()
ROOF = frozenset({"roof", "house", "ridge"})


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return site_of(tmp_path, RULES, TABLES, rig=RIG)


def test_a_part_of_the_rig_has_the_rules_of_its_zones_and_those_of_the_whole(site: Site) -> None:
    assert site.zones_with_rules == {"roof", "path", "house"}
    rest, roof, path = (site.in_zones(zones) for zones in (NONE, ROOF, frozenset({"path"})))
    assert [len(one.neighbours.dark) for one in (rest, roof, path)] == [1, 2, 1]
    assert [len(one.neighbours.dim) for one in (rest, roof, path)] == [0, 0, 1]
    assert [len(one.neighbours.quiet) for one in (rest, roof, path)] == [1, 1, 1]
    assert [len(one.performances) for one in (rest, roof, path)] == [1, 2, 1]
    assert [len(one.output.zone) for one in (rest, roof, path)] == [0, 2, 0]


def test_views_of_the_same_rules_are_one_view(site: Site, tmp_path: Path) -> None:
    assert site.in_zones(ROOF) is site.in_zones(frozenset({"roof", "house", "left"}))
    assert site.in_zones(frozenset({"rails"})) is site.in_zones(NONE)
    plain = site_of(tmp_path / "plain", TABLES, rig=RIG)
    assert plain.in_zones(ROOF) is plain.in_zones(NONE) is plain


def test_each_part_is_decided_by_its_own_rules_and_says_which(site: Site) -> None:
    rest, roof, path = NONE, ROOF, frozenset({"path"})

    def at(clock: str, zones: frozenset[str]) -> tuple[State, str | None, float]:
        found = decide_area(ns(f"2026-12-14T{clock}"), site, (), (), zones)
        return found.state, found.show, round(found.brightness, 3)

    assert at("17:30", rest) == (State.PLAYING, "evening", 0.8)
    assert at("17:30", roof) == (State.PLAYING, "evening", 0.4)
    assert [at("18:30:10", zones)[1] for zones in (rest, roof, path)] == ["evening", "turn of the year", "evening"]
    assert at("20:30", path) == (State.PLAYING, "evening", 0.3)
    assert at("21:00", roof) == (State.DARK, None, 0)
    assert at("21:00", path)[0] == at("21:00", rest)[0] == State.PLAYING
    reasons = decide_area(ns("2026-12-14T17:30"), site, (), (), roof).reasons
    assert (reasons[-1].rule, reasons[-1].text) == ("site.toml:15 output.zone.brightness", "roof: brightness 0.4")
    (dark,) = decide_area(ns("2026-12-14T21:00"), site, (), (), roof).reasons
    assert dark.rule == "site.toml:8 neighbours.dark"
    assert dark.text == "roof: dark hours 21:00 to 07:00: no light"


def errors(folder: Path, *tables: str, rig: str = RIG) -> list[ConfigError]:
    with pytest.raises(InputError) as error:
        site_of(folder, *tables, rig=rig)
    return list(error.value.errors)


def show(zone: str, begin: str = "18:00", rank: int = 0, name: str = "evening") -> str:
    return f"""
[[performance]]
show = "{name}"
{f'zone = "{zone}"' if zone else ""}
from = "{begin}"
to = "22:00"
rank = {rank}
"""


@pytest.mark.parametrize(
    ("table", "line", "key", "text"),
    [
        ('dark = [{ zone = "rof", from = "21:00", to = "07:00" }]', 9, "neighbours.dark[0].zone", "did you mean roof?"),
        (
            'dim = [{ zone = "pier", from = "21:00", to = "07:00", brightness = 0.5 }]',
            9,
            "neighbours.dim[0].zone",
            "there is no zone 'pier'; use left, ridge, rails, roof, path, house",
        ),
        ('quiet = [{ zone = "roof", from = "21:00", to = "07:00" }]', 9, "neighbours.quiet[0].zone", "no such key"),
    ],
)
def test_hours_for_an_unknown_zone(table: str, line: int, key: str, text: str, tmp_path: Path) -> None:
    (found,) = errors(tmp_path, f"\n[neighbours]\n{table}\n", TABLES, rig=RIG)
    assert (Path(found.file).name, found.line, found.key) == ("site.toml", line - 1, key), str(found)
    assert text in str(found)


def test_the_brightness_of_an_unknown_zone_and_of_one_twice(tmp_path: Path) -> None:
    zone = '[[output.zone]]\nname = "{}"\nbrightness = 0.5\n'
    unknown, twice = errors(tmp_path, zone.format("rof"), zone.format("path"), zone.format("path"), TABLES)
    assert (unknown.line, unknown.key) == (7, "output.zone[0].name")
    assert "there is no zone 'rof'; did you mean roof?" in str(unknown)
    assert (twice.line, twice.key) == (13, "output.zone[2].name")
    assert "path has a brightness already, at site.toml:9" in str(twice)


def test_a_performance_in_an_unknown_zone(tmp_path: Path) -> None:
    (found,) = errors(tmp_path, show("rof"), TABLES)
    assert (found.line, found.key) == (9, "performance[0].zone")
    assert "there is no zone 'rof'; did you mean roof?" in str(found)


@pytest.mark.parametrize(
    ("what", "of"), [('show = "evening"', "no piece of evening has a slot"), ('piece = "bells"', "bells has no slot")]
)
def test_a_trigger_whose_pieces_have_no_slot_in_its_zone(what: str, of: str, tmp_path: Path) -> None:
    (found,) = errors(tmp_path, f'\n[[trigger]]\nname = "gate"\n{what}\nhttp = true\nzone = "path"\n', TABLES)
    assert (found.line, found.key) == (11, "trigger[0].zone")
    assert f"{of} of path" in str(found)


def test_a_performance_whose_pieces_have_no_slot_in_its_zone(tmp_path: Path) -> None:
    (found,) = errors(tmp_path, show("path"), TABLES)
    assert (found.line, found.key) == (9, "performance[0].zone")
    assert "no piece of evening has a slot of path" in str(found)
    assert "name frames that have universe 2, slots 1 to 150" in str(found)


@pytest.mark.parametrize(("one", "other"), [("roof", "house"), ("", "house"), ("ridge", "")])
def test_two_performances_of_equal_rank_that_share_slots_and_time(one: str, other: str, tmp_path: Path) -> None:
    (found,) = errors(tmp_path, show(one), show(other, "19:00"), TABLES)
    assert (found.line, found.key) == (14, "performance[1].rank")
    assert "on 2026-01-01 it overlaps the performance at site.toml:7, which has the same rank" in str(found)
    assert f"{one or 'the whole rig'} and {other or 'the whole rig'} share slots" in str(found)


LAMPS = """[[controller]]
name = "left"
universes = "1-4"

[[fixture]]
name = "porch"
controller = "left"
universe = 1
slot = 1
channels = ["dimmer"]

[[fixture]]
name = "gate"
controller = "left"
universe = 1
slot = 2
channels = ["dimmer"]
"""


@pytest.mark.parametrize(
    "tables",
    [
        (show("porch"), show("gate")),
        (show("porch"), show("", "19:00", rank=1)),
        (show("left").replace("22:00", "19:00"), show("gate", "19:00")),
    ],
)
def test_performances_that_share_no_slot_no_rank_or_no_time_run_beside_each_other(
    tables: tuple[str, str], tmp_path: Path
) -> None:
    assert len(site_of(tmp_path, *tables, TABLES, rig=LAMPS).performances) == 2


def test_hours_of_a_file_with_a_mistake_hold_in_their_zone_if_the_site_has_it(site: Site, tmp_path: Path) -> None:
    hours = '[{ zone = "path", from = "20:00", to = "07:00" }, { zone = "pier", from = "20:00", to = "07:00" }]'
    write(tmp_path / "edited", f"\n[neighbours]\ndark = {hours}\n[output]\nbrightness = 8\n", TABLES, rig=RIG)
    both = with_hours_of(site, tmp_path / "edited" / "site.toml")
    assert both
    assert [rule.zone for rule in both.neighbours.dark] == [None, "roof", "path"]
    assert len(both.in_zones(frozenset({"path"})).neighbours.dark) == 2
