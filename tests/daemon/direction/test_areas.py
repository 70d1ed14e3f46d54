"""Areas: parts of the rig with rules or overrides of their own, beside the rest, and what is heard."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from gloaming.daemon.direction.areas import decide_areas, score_areas
from gloaming.daemon.direction.decide import decide, score, segment_at
from gloaming.daemon.direction.overrides import Kind, Override
from gloaming.daemon.direction.requests import SOUND_AHEAD_NS, Refusal, ask
from gloaming.daemon.direction.score import State
from gloaming.daemon.site.site import Site
from tests.daemon.quay_site import SECOND_NS, TABLES, ns, site_of

S, MIN, H = SECOND_NS, 60 * SECOND_NS, 3600 * SECOND_NS
RIG = """[[controller]]
name = "left"
universes = "1-4"

[[fixture]]
name = "ridge"
controller = "left"
universe = 1
slot = 1
channels = ["dimmer"]

[[fixture]]
name = "gutter"
controller = "left"
universe = 1
slot = 2
channels = ["dimmer"]

[[fixture]]
name = "gate"
controller = "left"
universe = 1
slot = 3
channels = ["dimmer"]

[[zone]]
name = "roof"
fixtures = ["ridge", "gutter"]

[[zone]]
name = "path"
fixtures = ["gate"]
"""
EVENING = """
[[performance]]
show = "evening"
from = "17:00"
to = "22:00"
"""
PATH = """
[[performance]]
show = "turn of the year"
zone = "path"
from = "16:00"
to = "23:00"
rank = 1
"""
ROOF_SLEEPS = """
[neighbours]
dark = [{ from = "23:30", to = "07:00" }, { zone = "roof", from = "21:00", to = "07:00" }]
"""
DAY = "2026-12-14"


def at(clock: str) -> int:
    return ns(f"{DAY}T{clock}")


def site(folder: Path, *tables: str) -> Site:
    return site_of(folder, *tables, TABLES, rig=RIG)


def asked(kind: Kind, begin: str, end: str, zone: str | None = None, **more: object) -> Override:
    return replace(Override(7, kind, at(begin), at(end), "Ada", zone=zone), **more)  # type: ignore[arg-type]


def shown(site: Site, clock: str, *overrides: Override) -> dict[str, tuple[str, str | None, float]]:
    """State, show and brightness of the rest and of each area, by the names of its zones."""
    found = decide_areas(at(clock), site, overrides)
    named = [("rest", found.rest), *((" ".join(sorted(area.zones)), one) for area, one in found.areas)]
    return {name: (str(one.state), one.show, round(one.brightness, 3)) for name, one in named}


def test_the_roof_sleeps_while_the_rest_plays(tmp_path: Path) -> None:
    quay = site(tmp_path, ROOF_SLEEPS, EVENING)
    playing = ("playing", "evening", 1.0)
    assert shown(quay, "20:59") == {"rest": playing, "roof": playing}
    assert shown(quay, "21:00") == {"rest": playing, "roof": ("dark", None, 0.0)}
    (reason,) = decide(at("21:30"), quay, zone="roof").reasons
    assert (reason.rule, reason.text) == ("site.toml:8 neighbours.dark", "roof: dark hours 21:00 to 07:00: no light")


def test_a_score_has_an_area_only_where_its_light_differs(tmp_path: Path) -> None:
    quay = site(tmp_path, ROOF_SLEEPS, EVENING)
    assert score_areas(at("20:00"), at("20:30"), quay).areas == ()
    found = score_areas(at("20:45"), at("21:15"), quay)
    ((roof, segments),) = found.areas
    assert (roof.zones, roof.spans) == ({"roof"}, ((1, 1, 2),))
    assert found.rest == score(at("20:45"), at("21:15"), quay)
    assert [one for one in segments if one.until_ns > at("21:00") and (one.level_from or one.level_until)] == []
    assert score_areas(at("23:30"), at("23:59"), quay).areas == ()


def test_without_zones_there_are_no_areas(tmp_path: Path) -> None:
    quay = site(tmp_path, EVENING)
    assert score_areas(at("17:00"), at("18:00"), quay, (asked(Kind.DARK, "17:10", "17:20"),)).areas == ()
    assert decide_areas(at("17:30"), quay).areas == ()


@pytest.mark.parametrize(
    ("override", "roof"),
    [
        (asked(Kind.DARK, "18:00", "19:00", "roof"), ("dark", "evening", 0.0)),
        (asked(Kind.DIM, "18:00", "19:00", "roof", level=0.5), ("playing", "evening", 0.5)),
        (asked(Kind.CALL, "18:00", "19:00", "roof", show="turn of the year"), ("playing", "turn of the year", 1.0)),
        (asked(Kind.OUT_OF_SERVICE, "18:00", "19:00", "roof", why="it flickers"), ("dark", "evening", 0.0)),
    ],
)
def test_an_override_for_a_zone_leaves_the_rest_as_it_is(
    override: Override, roof: tuple[str, str, float], tmp_path: Path
) -> None:
    quay = site(tmp_path, EVENING)
    found = shown(quay, "18:30:10", override)
    assert found == {"rest": ("playing", "evening", 1.0), "roof": roof}
    assert decide(at("18:30"), quay, (override,)) == decide(at("18:30"), quay)
    assert shown(quay, "19:00:10", override)["roof"] == ("playing", "evening", 1.0)
    assert not any(area.zones for area, _ in score_areas(at("19:02"), at("19:30"), quay, (override,)).areas)
    reason = decide(at("18:30"), quay, (override,), zone="roof").reasons
    assert any("roof" in one.text and "Ada" in one.text for one in reason)


def test_a_pause_and_a_dark_for_everything_hold_in_every_area(tmp_path: Path) -> None:
    quay = site(tmp_path, EVENING, PATH)
    pause, dark = asked(Kind.PAUSE, "18:00", "19:00"), asked(Kind.DARK, "18:00", "19:00")
    assert {one[0] for one in shown(quay, "18:30", pause).values()} == {"paused"}
    assert {one[0] for one in shown(quay, "18:30", dark).values()} == {"dark"}


def test_the_loop_of_the_path_runs_beside_the_evening_of_the_house(tmp_path: Path) -> None:
    quay = site(tmp_path, EVENING, PATH)
    assert [shown(quay, clock)["path"][1] for clock in ("16:30", "17:30", "22:30")] == ["turn of the year"] * 3
    assert [shown(quay, clock)["rest"][1] for clock in ("16:30", "17:30", "22:30")] == [None, "evening", None]


def test_a_lamp_out_of_service_is_dark_alone_and_the_answer_for_its_zone_names_it(tmp_path: Path) -> None:
    quay = site(tmp_path, EVENING)
    ridge = asked(Kind.OUT_OF_SERVICE, "12:00", "23:00", "ridge", why="it flickers")
    roof, lamp = (decide(at("18:00:10"), quay, (ridge,), zone=zone) for zone in ("roof", "ridge"))
    assert (roof.state, roof.differing, lamp.state) == (State.PLAYING, ("ridge",), State.DARK)
    assert lamp.reasons[0].text == (
        "ridge: out of service by Ada at 12:00 on 14 December 2026 until 23:00 on 14 December 2026: it flickers"
    )
    assert decide(at("23:30"), quay, (ridge,), zone="roof").differing == ()


def test_a_zone_that_the_rig_no_longer_has_changes_nothing(tmp_path: Path) -> None:
    quay = site(tmp_path, EVENING)
    gone = asked(Kind.OUT_OF_SERVICE, "12:00", "23:00", "pier")
    assert shown(quay, "18:00", gone) == shown(quay, "18:00")
    with pytest.raises(KeyError):
        decide(at("18:00"), quay, zone="pier")


def test_a_call_in_the_dark_hours_of_its_zone_is_refused_and_one_for_the_whole_leaves_the_zone_dark(
    tmp_path: Path,
) -> None:
    quay = site(tmp_path, ROOF_SLEEPS)
    with pytest.raises(Refusal) as refusal:
        ask({"kind": "call", "show": "evening", "zone": "roof"}, at("22:00"), quay)
    assert refusal.value.reasons[0].rule == "site.toml:8 neighbours.dark"
    call = ask({"kind": "call", "show": "evening"}, at("22:00"), quay)
    assert shown(quay, "22:10", call) == {"rest": ("playing", "evening", 1.0), "roof": ("dark", "evening", 0.0)}


def heard(site: Site, clock: str, *overrides: Override) -> str | None:
    segment = segment_at(at(clock), site, overrides)
    assert segment.show or not segment.level_from + segment.level_until
    return segment.piece if segment.sound else None


def test_the_show_of_the_rest_is_heard(tmp_path: Path) -> None:
    loud = EVENING.replace("17:00", "18:00").replace("[[performance]]", '[[performance]]\nzone = "path"\nrank = 2')
    quay = site(tmp_path, EVENING, loud)
    assert heard(quay, "17:00:10") == "bells"
    assert heard(quay, "18:00:10") == "tide"  # of the show of 17:00; that of 18:00 begins with bells


def test_where_the_rest_has_no_show_the_strongest_show_with_sound_is_heard(tmp_path: Path) -> None:
    roof = EVENING.replace("[[performance]]", '[[performance]]\nzone = "roof"')
    quay = site(tmp_path, roof, PATH.replace("rank = 1", "rank = 3"))
    assert heard(quay, "16:30") is None
    assert heard(quay, "17:00:10") == "bells"
    assert heard(quay, "17:01:42") is None  # the gap after bells, which last 100 s
    ridge = asked(Kind.OUT_OF_SERVICE, "12:00", "23:00", "ridge")
    assert heard(quay, "17:00:10", ridge) == "bells"
    assert heard(quay, "17:00:10", asked(Kind.DARK, "16:00", "18:00", "roof")) is None
    assert heard(quay, "17:00:10", asked(Kind.MUTE, "16:00", "18:00")) is None
    whole = score(at("17:00"), at("18:00"), quay)
    assert {one.piece for one in whole if one.sound} == {"bells", "tide"}
    for one in whole:
        assert one.show is None and one.level_from == one.level_until == 0
        assert segment_at(one.from_ns, quay).picture == one.picture


def test_a_skip_is_for_every_show_that_is_given_also_where_the_rest_has_none(tmp_path: Path) -> None:
    quay = site(tmp_path, EVENING.replace("[[performance]]", '[[performance]]\nzone = "roof"'))
    skip = replace(ask({"kind": "skip"}, at("17:00:10"), quay), id=1)
    assert skip.at_ns == at("17:00:10") + SOUND_AHEAD_NS  # bells has sound, and is heard
    assert decide(at("17:00:20"), quay, zone="roof").piece == heard(quay, "17:00:20") == "bells"
    assert decide(at("17:00:20"), quay, (skip,), zone="roof").piece == heard(quay, "17:00:20", skip) == "tide"
    with pytest.raises(Refusal):
        ask({"kind": "skip"}, at("16:00"), quay)
