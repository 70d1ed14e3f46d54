"""How far a sign's text is from the wire: from the first packet of each piece to the arrival of its title.

    python -m tests.bench.sign [--seconds 60] [--piece 2.0]

As root, with mosquitto, in a network namespace: `gloaming run` with a hook at piece-begins, a subscriber, and the
`sacn` library's receiver. Every fifth piece ends by a skip. In brackets is the time in frames.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from itertools import pairwise
from pathlib import Path

from tests.daemon.planner.sign import FPS, sign_evening
from tests.waiting import wait_until


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.sign")
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--piece", type=float, default=2.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, sign_evening(Path(folder), args.piece) as sign:
        sign.evening.now()
        wait_until(lambda: len(sign.wire()) > 1, "light")
        begin_s = time.monotonic()
        while time.monotonic() < begin_s + args.seconds:
            time.sleep(4.6 * args.piece)
            assert sign.evening.ask("POST", "/api/overrides", {"kind": "skip"})[0] == 201
        time.sleep(args.piece / 2)  # the last piece is on both
        wire, titles = sign.wire(), sign.titles()
    pairs = list(zip(wire, titles[-len(wire) :], strict=True))
    assert all(one[1] == other[1] for one, other in pairs), "the sign and the wire differ"
    apart: dict[str, list[float]] = {"at its time": [], "after a skip": []}
    for ((before_s, _), _), ((at_s, _), (told_s, _)) in pairwise(pairs):
        if at_s > begin_s:  # the beginning of the programs is over
            skipped = at_s - before_s < args.piece
            apart["after a skip" if skipped else "at its time"].append(told_s - at_s)
    print(f"a frame lasts {1000 / FPS:g} ms")
    for kind, found in apart.items():
        far = sorted(abs(value_s) for value_s in found)
        figures = {"median": statistics.median(far), "longest": far[-1]}
        texts = (f"{name} {value * 1000:.1f} ms ({value * FPS:.2f} frames)" for name, value in figures.items())
        late = sum(value_s > 0.2 for value_s in far)
        before = sum(value_s < 0 for value_s in found)
        print(f"{len(far)} pieces {kind}: {', '.join(texts)}, {late} over 200 ms, {before} told before the packet")


if __name__ == "__main__":
    main()
