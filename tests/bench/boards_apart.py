"""`python -m tests.bench.boards_apart [MINUTES [SEED]]`: three boards that are apart again and again, drawn by chance.

In each round a cable is unplugged, people ask for contradictory things on both sides, a planner is killed or the broker
restarted without its memory, and the cable is plugged in. Then all boards must list the same, show what is decided over
the facts of all, and have everything that was confirmed. It prints how long that takes, as a ratio to the broker's
keepalive: a board finds out by it that its connection is dead.
"""

from __future__ import annotations

import os
import signal
import statistics
import sys
import tempfile
import time
from pathlib import Path
from random import Random

from gloaming.daemon.integrations.mqtt_client import KEEPALIVE_S
from gloaming.daemon.planner.stored_rows import read_overrides
from gloaming.daemon.site.load import load_site
from gloaming.daemon.site.site import Site
from tests.daemon.planner.test_sharing_on_the_wire import Asked, agree, shows, standing
from tests.three_boards import ADDRESSES, ThreeBoards, three_boards
from tests.waiting import wait_until

REQUESTS = (
    {"kind": "pause", "minutes": 2},
    {"kind": "dark", "minutes": 3},
    {"kind": "dim", "level": 0.5, "minutes": 4},
    {"kind": "dim", "level": 0.2, "minutes": 1},
    {"kind": "call", "piece": "numbers"},
    {"kind": "mute", "minutes": 3},
)


def apart(three: ThreeBoards, asked: Asked, chance: Random) -> None:
    """A cable that is unplugged, and what people do meanwhile."""
    away = chance.choice(list(ADDRESSES))
    three.partition(away)
    for _ in range(chance.randrange(2, 6)):
        board = three[chance.choice(list(ADDRESSES))]
        match chance.choice(("ask", "ask", "undo", "kill", "forget")):
            case "ask":
                board.now()
                asked.ask(board.name, chance.choice(REQUESTS))
            case "undo" if found := [one for one in standing(board) if one[1] != "call"]:  # a call soon ends by itself
                asked.undo(board.name, chance.choice(found)[0])
            case "kill":
                os.kill(board.pid("planner"), signal.SIGKILL)
                time.sleep(1)  # until another one answers, `now` waits
            case "forget":
                three.broker.stop()
                three.broker.start()
    three.heal(away)


def check(three: ThreeBoards, asked: Asked, site: Site) -> None:
    """All agree, nothing that was confirmed is lost, and the lights are what is decided."""
    agree(three, asked.ids)
    now_ns = time.time_ns() + three["quay"].offset_ns
    facts = {one.id: one for one in read_overrides(three["spare"].state / "state.db", 0)}
    lost = [id for id in asked.ended if facts[id].end_ns > now_ns]
    assert not lost, f"confirmed as ended, and not ended: {lost}"
    wait_until(lambda: shows(three, site), "what is decided, on the wire")


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 10
    chance = Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    os.environ["GLOAMING_BOARD"] = "quay"
    took_s: list[float] = []
    with tempfile.TemporaryDirectory() as folder, three_boards(Path(folder)) as three:
        for name in ("quay", "east"):
            three.reader(name).wait_for(lambda seen: any(not one.black for one in seen), "light")
        site, asked = load_site(three["quay"].folder), Asked(three)
        until_s = time.monotonic() + minutes * 60
        while time.monotonic() < until_s:
            apart(three, asked, chance)
            begin_s = time.monotonic()
            check(three, asked, site)
            took_s.append(time.monotonic() - begin_s)
            print(f"round {len(took_s)}: agreed after {took_s[-1]:.1f} s", file=sys.stderr, flush=True)
    print(f"{len(took_s)} times apart; of {len(asked.ids)} confirmed requests and {len(asked.ended)} ends none is lost")
    median, longest = statistics.median(took_s) / KEEPALIVE_S, max(took_s) / KEEPALIVE_S
    print(f"the same on all boards and on the wire: median {median:.1f}, longest {longest:.1f} times the keepalive")


if __name__ == "__main__":
    main()
