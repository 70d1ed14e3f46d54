"""`python -m tests.bench.zones_hour [MINUTES]`: the path's loop and the house's evening on the wire together.

For an hour of drawn overrides, with a killed planner or transmitter every few minutes. It prints the packets
that `decide` does not have.
"""

from __future__ import annotations

import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from random import Random

from tests.daemon.planner.drawn_zones import (
    SECOND_NS,
    ask_at_random,
    drawn_evening,
    kill,
    overrides_of,
    wrong_packets,
)

SLEEPS_IN_S = 3000
KILL_EVERY = 25


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60
    chance, gaps = Random(1), list[tuple[int, int]]()
    with tempfile.TemporaryDirectory() as folder, drawn_evening(Path(folder), SLEEPS_IN_S) as (evening, reader):
        end_s, turn = time.monotonic() + 60 * minutes, 0
        while time.monotonic() < end_s:
            turn += 1
            ask_at_random(evening, chance)
            time.sleep(chance.uniform(2, 15))
            if turn % KILL_EVERY == 0:
                which = chance.choice(("planner", "transmitter"))
                at_ns = kill(evening, which)
                if which == "transmitter":
                    gaps.append((at_ns, at_ns + 8 * SECOND_NS))
                evening.now()
        overrides = overrides_of(evening, Path(folder) / "copy")
        seen = reader.seen()
        print(f"{len(seen)} packets, {len(overrides)} overrides, {turn // KILL_EVERY} deaths", flush=True)
        wrong = wrong_packets(evening, seen, overrides, gaps)
    print(f"{len(wrong)} packets that decide does not have, of {len(seen)}: ratio {len(wrong) / len(seen):.5f}")
    for line in wrong[:20]:
        print(f"  {line}")
    for one in overrides if wrong else ():
        ended = f", ended at {datetime.fromtimestamp(one.ended_ns / 1e9, UTC):%T.%f}" if one.ended_ns else ""
        at, until = (datetime.fromtimestamp(ns / 1e9, UTC) for ns in (one.at_ns, one.until_ns))
        print(f"  {one.kind} {one.zone or ''} {one.level or one.show or ''} {at:%T.%f} to {until:%T.%f}{ended}")


if __name__ == "__main__":
    main()
