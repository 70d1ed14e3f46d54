"""Zones as sets of slots, the areas into which they part a rig, and zones that cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig
from gloaming.shows.rig.zones import Area, Spans, areas, joined, named_spans, part_spans, parts_in, zone_spans

RIG = """\
[[controller]]
name = "left"
universes = "1-3"
[[controller]]
name = "right"
universes = "7"
[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 100
group = "roof"
[[string]]
name = "eaves"
after = "ridge"
pixels = 100
group = "roof"
[[string]]
name = "path"
after = "eaves"
pixels = 50
[[fixture]]
name = "lamp"
controller = "right"
universe = 7
slot = 5
channels = ["dimmer"]
"""
HOUSE = """\
[[zone]]
name = "house"
groups = ["roof"]
fixtures = ["lamp"]
[[zone]]
name = "everything"
zones = ["house"]
strings = ["path"]
controllers = ["right"]
"""


def load(tmp_path: Path, text: str) -> Rig:
    path = tmp_path / "rig.toml"
    path.write_text(RIG + text, encoding="utf-8")
    return load_rig(path)


def test_the_strings_and_fixtures_of_a_zone_are_those_of_which_it_has_every_slot(tmp_path: Path) -> None:
    rig = load(tmp_path, HOUSE)
    parts = part_spans(rig)
    found = {name: parts_in(spans, parts["string"] | parts["fixture"]) for name, spans in zone_spans(rig).items()}
    assert found == {
        "roof": ("ridge", "eaves"),
        "house": ("ridge", "eaves", "lamp"),
        "everything": ("ridge", "eaves", "path", "lamp"),
    }
    assert parts_in(((1, 1, 299), (2, 90, 240)), parts["string"]) == ("path",)


def test_a_zone_has_the_slots_of_its_parts_and_a_group_is_a_zone(tmp_path: Path) -> None:
    """100 pixels end at slot 300; 100 more end at slot 90 of universe 2; 50 more at slot 240."""
    rig = load(tmp_path, HOUSE)
    assert zone_spans(rig) == {
        "roof": ((1, 1, 510), (2, 1, 90)),
        "house": ((1, 1, 510), (2, 1, 90), (7, 5, 5)),
        "everything": ((1, 1, 510), (2, 1, 240), (7, 1, 512)),
    }
    assert named_spans(rig)["eaves"] == ((1, 301, 510), (2, 1, 90))
    assert named_spans(rig)["left"] == ((1, 1, 512), (2, 1, 512), (3, 1, 512))


def test_the_areas_of_zones_within_each_other(tmp_path: Path) -> None:
    found = areas(zone_spans(load(tmp_path, HOUSE)))
    assert found == (
        Area(frozenset({"roof", "house", "everything"}), ((1, 1, 510), (2, 1, 90))),
        Area(frozenset({"everything"}), ((2, 91, 240), (7, 1, 4), (7, 6, 512))),
        Area(frozenset({"house", "everything"}), ((7, 5, 5),)),
    )


SPANS = st.lists(
    st.tuples(st.integers(1, 3), st.integers(1, 12), st.integers(0, 6)).map(lambda one: (one[0], one[1], sum(one[1:]))),
    max_size=5,
)


def slots(spans: Spans) -> set[tuple[int, int]]:
    return {(universe, slot) for universe, first, last in spans for slot in range(first, last + 1)}


@given(st.dictionaries(st.sampled_from(["roof", "path", "quay", "mast"]), SPANS.map(joined)))
def test_every_slot_of_a_zone_is_in_the_one_area_of_its_zones(zones: dict[str, Spans]) -> None:
    by_slot = {
        slot: frozenset(name for name, spans in zones.items() if slot in slots(spans))
        for spans in zones.values()
        for slot in slots(spans)
    }
    found = areas(zones)
    assert {slot: area.zones for area in found for slot in slots(area.spans)} == by_slot
    assert sum(len(slots(area.spans)) for area in found) == len(by_slot)
    assert len({area.zones for area in found}) == len(found)


@pytest.mark.parametrize(
    ("text", "report"),
    [
        ('strings = ["rigde"]', "rig.toml:30: zone[0].strings: there is no string 'rigde'; did you mean ridge?"),
        ('fixtures = ["ridge"]', "rig.toml:30: zone[0].fixtures: there is no fixture 'ridge'; use lamp"),
        (
            'controllers = ["lift"]',
            "rig.toml:30: zone[0].controllers: there is no controller 'lift'; did you mean left",
        ),
        ('groups = ["rof"]', "rig.toml:30: zone[0].groups: there is no group 'rof'; did you mean roof?"),
        ('zones = ["quay"]', "rig.toml:30: zone[0].zones: there is no zone 'quay'"),
        ('zones = ["front"]', "rig.toml:30: zone[0].zones: the zone is within itself: front within front"),
        (
            'zones = ["side"]\n[[zone]]\nname = "side"\nzones = ["front"]',
            "rig.toml:30: zone[0].zones: the zone is within itself: front within side within front",
        ),
        ("", "rig.toml:28: zone[0]: the zone has no part; name strings"),
    ],
)
def test_a_zone_that_cannot_be_is_reported_at_its_line(tmp_path: Path, text: str, report: str) -> None:
    with pytest.raises(InputError) as caught:
        load(tmp_path, f'[[zone]]\nname = "front"\n{text}\n')
    assert str(caught.value.errors[0]).removeprefix(f"{tmp_path}/").startswith(report)


def test_a_zone_may_not_have_the_name_of_a_string(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"zone\[0\]\.name: there is a string ridge too; give the zone another name"):
        load(tmp_path, '[[zone]]\nname = "ridge"\nstrings = ["eaves"]\n')
