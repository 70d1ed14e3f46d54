"""`python -m tests.bench.kills [KILLS] [CUTS] [SEED]`: kill -9 of both processes at random moments, and power cuts.

After each: every lit frame is what `decide` has, the overrides and the journal's lines that were confirmed are there,
and the database is whole. Prints how many held, and how long the light was away.
"""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

from tests.daemon.broken_evening import Broken, broken_evening
from tests.daemon.numbered import FPS, is_right
from tests.waiting import wait_until


def light_again(broken: Broken, since_ns: int) -> float:
    """Seconds from a moment until light that is right."""
    site, overrides, offset_ns = broken.site, broken.overrides(), broken.evening.offset_ns
    wait_until(lambda: len(broken.lit(since_ns)) > FPS // 4, "light again", 60)
    packets = broken.lit(since_ns + 50_000_000)
    wrong = [packet for packet in packets if not is_right(packet, packet.at_ns + offset_ns, site, overrides)]
    assert not wrong, wrong[0]
    return (packets[0].at_ns - since_ns) / 1e9


def whole(broken: Broken, asked: set[int], lines: set[int]) -> None:
    """The database is whole, and holds every override and line that was confirmed."""
    with sqlite3.connect(f"{(broken.evening.state / 'state.db').as_uri()}?mode=ro", uri=True) as file:
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert asked <= {row[0] for row in file.execute("SELECT id FROM override")}
        assert lines <= {row[0] for row in file.execute("SELECT id FROM journal")}


def one(broken: Broken, chance: random.Random, way: str, asked: set[int], lines: set[int]) -> float:
    """One more death at a random moment, right after something was asked for."""
    time.sleep(chance.uniform(0.05, 1.2))
    code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 1.0, "minutes": 1})
    assert code == 201, answer
    asked.add(answer["id"])
    lines |= {row["id"] for row in broken.ask("/api/journal?limit=20")}
    time.sleep(chance.uniform(0.0, 0.3))
    at_ns = time.time_ns()
    if way == "power":
        broken.evening.kill_everything()
        whole(broken, asked, lines)
        at_ns = time.time_ns()
        broken.evening.start()
    else:
        before = broken.evening.pid(way)
        os.kill(before, signal.SIGKILL)
        wait_until(lambda: broken.evening.pid(way) != before, f"another {way}")
    away_s = light_again(broken, at_ns)
    wait_until(lambda: answers(broken), "the planner's answer", 60)
    whole(broken, asked, lines)
    return away_s


def answers(broken: Broken) -> bool:
    try:
        return bool(broken.ask("/api/now")["health"]["transmitter"])
    except (OSError, AssertionError):
        return False


def main() -> None:
    kills, cuts, seed = (int(value) for value in (*sys.argv[1:], *("200", "50", "1")[len(sys.argv) - 1 :]))
    chance = random.Random(seed)
    ways = [chance.choice(("planner", "transmitter")) for _ in range(kills)] + ["power"] * cuts
    chance.shuffle(ways)
    away: dict[str, list[float]] = {"planner": [], "transmitter": [], "power": []}
    asked: set[int] = set()
    lines: set[int] = set()
    with tempfile.TemporaryDirectory() as folder, broken_evening(Path(folder), "127.0.74.60") as broken:
        broken.wait_until_lit()
        for way in ways:
            away[way].append(one(broken, chance, way, asked, lines))
            broken.ear.packets.clear()
    for way, seconds in away.items():
        if seconds:
            middle, worst = sorted(seconds)[len(seconds) // 2], max(seconds)
            print(f"{way}: {len(seconds)} deaths, every frame right; light after {middle:.2f} s, {worst:.2f} at most")
    print(
        f"{len(asked)} overrides and {len(lines)} lines were confirmed: all are there, the database whole (seed {seed})"
    )


if __name__ == "__main__":
    main()
