"""The path's loop and the house's evening on the wire together, over drawn overrides and killed processes.

`python -m tests.bench.zones_hour` does the same for an hour.
"""

from __future__ import annotations

import time
from pathlib import Path
from random import Random

from tests.cases import cases
from tests.daemon.planner.drawn_zones import (
    FRAME_NS,
    PATH,
    ROOF,
    SECOND_NS,
    ask_at_random,
    drawn_evening,
    kill,
    overrides_of,
    roof_sleeps_ns,
    wrong_packets,
)
from tests.tools import needs

pytestmark = needs("ip")
SLEEPS_IN_S = 16
STARTS_NS = 8 * SECOND_NS
"""A transmitter that was killed is back by then, on a busy machine too."""


def test_the_roof_is_black_from_its_second_on_over_a_killed_planner_and_a_killed_transmitter(tmp_path: Path) -> None:
    with drawn_evening(tmp_path, SLEEPS_IN_S) as (evening, reader):
        sleeps_ns = roof_sleeps_ns(evening)
        time.sleep(max(0, sleeps_ns - time.monotonic_ns()) / 1e9 - 1)
        kill(evening, "planner")
        time.sleep(max(0, sleeps_ns - time.monotonic_ns()) / 1e9 + 1)
        killed_ns = kill(evening, "transmitter")
        time.sleep(4)
        evening.now()
        seen = reader.seen()
        wrong = wrong_packets(evening, seen, (), [(killed_ns, killed_ns + STARTS_NS)])
    assert wrong == []
    roof = [one for one in seen if one.universe == ROOF]
    assert [one for one in roof if one.at_ns > sleeps_ns + FRAME_NS // 2 and not one.black] == []
    assert len([one for one in roof if one.at_ns < sleeps_ns and not one.black]) > 20
    path = [one for one in seen if one.universe == PATH and one.at_ns > sleeps_ns]
    assert not any(one.black for one in path if one.at_ns < killed_ns), "the path is lit without a break"
    assert not path[-1].black


def test_every_packet_of_drawn_overrides_is_as_decide_has_it(tmp_path: Path) -> None:
    chance = Random(17)
    with drawn_evening(tmp_path, 3600) as (evening, reader):
        for _ in range(cases(10)):
            ask_at_random(evening, chance)
            time.sleep(chance.uniform(0.2, 1.2))
        overrides = overrides_of(evening, tmp_path / "copy")
        seen = reader.seen()
        wrong = wrong_packets(evening, seen, overrides, [])
    assert wrong == []
    assert len({one.kind for one in overrides}) > 3
    assert {(one.universe, one.black) for one in seen} == {(ROOF, True), (ROOF, False), (PATH, True), (PATH, False)}
