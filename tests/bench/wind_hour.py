"""`python -m tests.bench.wind_hour [MINUTES]`: an hour of drawn wind, over a real broker, on real processes.

The planner is killed, and the broker stops and starts. It prints the packets that `decide` does not have, and the
changes of the hold that the rule's reference does not have: none is wanted.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from random import Random

from tests.daemon.planner.drawn_wind import blow_at_random, differing, windy
from tests.daemon.planner.drawn_zones import drawn_evening, overrides_of, wrong_packets

SLEEPS_IN_S = 3000
LATE_S = 2.0
"""How late a change may be seen: the planner looks once a second."""


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60
    with (
        tempfile.TemporaryDirectory() as folder,
        drawn_evening(Path(folder), SLEEPS_IN_S) as (evening, reader),
        windy(evening, Path(folder), for_s=5, clear_s=8) as wind,
    ):
        blow_at_random(wind, Random(1), 60 * minutes)
        evening.now()
        overrides = overrides_of(evening, Path(folder) / "copy")
        seen = reader.seen()
        wrong = wrong_packets(evening, seen, overrides, [])
        changes, others = differing(wind, overrides, LATE_S)
    print(f"{len(wind.blown)} stretches of wind, {len(wind.deaths)} deaths of the planner")
    print(f"{len(others)} changes of the hold that differ from the reference, of {changes}")
    print(f"{len(wrong)} packets that decide does not have, of {len(seen)}: ratio {len(wrong) / len(seen):.5f}")
    for line in (*others[:20], *wrong[:20]):
        print(f"  {line}")


if __name__ == "__main__":
    main()
