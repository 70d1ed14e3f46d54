"""What zones were lit, how long, and with how much energy, by a journal that is written down here."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.reports.lit_stretches import of_zone, stretches
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from tests.daemon.numbered import write_site
from tests.daemon.reports.test_journal_report import S, at, line, report

RIG = """[[controller]]
name = "left"
host = "192.0.2.21"
universes = "1"

[[supply]]
name = "left-12v"
volts = 12
amps = 29
efficiency = 0.9

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 2
ma_per_channel = 20
idle_ma = 0
supply = "left-12v"
group = "roof"

[[string]]
name = "path"
after = "ridge"
pixels = 2
ma_per_channel = 20
idle_ma = 0
supply = "left-12v"
group = "path"
"""
PATH = '\n[[performance]]\nshow = "evening"\nzone = "path"\nfrom = "22:00"\nto = "23:00"\nseason = "12-01..12-06"\n'


def area(zone: str, state: str, piece: str | None = None, level: float = 0.0) -> dict[str, Any]:
    show = None if piece is None else "evening"
    return {"zones": [zone], "state": state, "show": show, "piece": piece, "level": level, "why": f"{zone} {state}"}


EVENING = [
    line("2026-12-01T12:00", "start", boot="a"),
    line("2026-12-01T17:00", "playing", piece="tide", show="evening"),
    line("2026-12-01T20:00", "zone", "roof dark", areas=[area("roof", "dark")]),
    line("2026-12-01T21:00", "playing", piece="tide", show="evening", areas=[area("roof", "dark")]),
    line("2026-12-01T21:30", "zone", "roof as the rest of the rig"),
    line("2026-12-01T22:00", "waiting", areas=[area("path", "playing", "tide", 0.5)]),
    line("2026-12-01T23:00", "zone", "path as the rest of the rig"),
]


@pytest.fixture
def site(tmp_path: Path) -> Site:
    write_site(tmp_path, "192.0.2.21", 'from = "17:00"\nto = "22:00"\nseason = "12-01..12-06"', rig=RIG)
    path = tmp_path / "site.toml"
    path.write_text(path.read_text(encoding="utf-8") + PATH, encoding="utf-8")
    return load_site(tmp_path)


def test_an_area_s_stretches_are_those_of_its_lines_and_of_the_states_between() -> None:
    found = stretches(EVENING, at("2026-12-02T12:00"))
    roof = [(one.from_ns, one.until_ns, one.state) for one in found if one.zones == {"roof"}]
    assert roof == [
        (at("2026-12-01T20:00"), at("2026-12-01T21:00"), "dark"),
        (at("2026-12-01T21:00"), at("2026-12-01T21:30"), "dark"),
    ]
    shown = [(one.state, (one.until_ns - one.from_ns) // (60 * S)) for one in of_zone(found, "roof")]
    assert shown == [("playing", 180), ("dark", 60), ("dark", 30), ("playing", 30), ("waiting", 14 * 60)]
    assert of_zone(found, None) == [one for one in found if not one.zones]
    cut = stretches([*EVENING[:3], line("2026-12-01T20:30", "trouble"), line("2026-12-01T22:00", "start", boot="b")], 0)
    assert [one.until_ns for one in cut] == [at("2026-12-01T20:30")] * 2, "a power cut ends areas, too"


def test_the_light_of_an_area_counts_for_its_night_and_in_the_energy(site: Site) -> None:
    """Without the slots of the roof while they are dark. Half of the path's light is in the path's own night."""
    plain = [one for one in EVENING if one["kind"] != "zone"]
    plain = [{**one, "data": {key: value for key, value in one["data"].items() if key != "areas"}} for one in plain]
    now_ns, day = at("2026-12-02T12:00"), date(2026, 12, 1)
    house, path = report(site, EVENING, now_ns, day, 1).nights
    whole, unlit = report(site, plain, now_ns, day, 1).nights
    assert whole.energy_wh and house.energy_wh and path.energy_wh
    assert (house.outcome, house.lit_s) == (whole.outcome, whole.lit_s) == ("given", 5 * 3600)
    assert (path.outcome, path.lit_s, dict(path.pieces)) == ("given", 3600, {"tide": 1})
    assert (unlit.outcome, unlit.lit_s, unlit.energy_wh) == ("left out", 0, None)
    of_path = path.energy_wh / 0.5 * 5  # what the path takes in five hours at full
    of_roof = whole.energy_wh - of_path
    assert house.energy_wh == pytest.approx(whole.energy_wh - of_roof * 1.5 / 5, abs=0.3)
