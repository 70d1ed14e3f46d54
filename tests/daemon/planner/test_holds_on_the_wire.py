"""Wind by a real broker: the wire is dark when and only when the rule says, over a death and a broker that comes back.

`python -m tests.bench.wind_hour` is the long form.
"""

from __future__ import annotations

from pathlib import Path

from tests.daemon.planner.drawn_wind import BETWEEN, CLEAR, OVER, differing, windy
from tests.daemon.planner.drawn_zones import drawn_evening, overrides_of, wrong_packets
from tests.tools import needs
from tests.waiting import PATIENCE_S

pytestmark = needs("ip", "mosquitto")


def test_it_is_dark_when_and_only_when_the_wind_says_so(tmp_path: Path) -> None:
    with (
        drawn_evening(tmp_path, 3000) as (evening, reader),
        windy(evening, tmp_path, for_s=2, clear_s=5) as wind,
    ):
        wind.blow(OVER, 0.1)
        wind.blow(BETWEEN, 0.1)  # a gust that is too short
        wind.blow(OVER, 3, "same planner")  # killed before `for` is over
        wind.blow(CLEAR, 0.1)  # a lull that is too short
        wind.blow(BETWEEN, 0.1, "changed broker")
        wind.blow(CLEAR, 5.5)
        evening.now()
        overrides, seen = overrides_of(evening, tmp_path / "copy"), reader.seen()
        assert wrong_packets(evening, seen, overrides, []) == []
        assert differing(wind, overrides, PATIENCE_S) == (2, [])
    assert any(one.black for one in seen)
