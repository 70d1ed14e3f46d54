"""How far a sign's text is from the wire: from the first packet of each piece to the arrival of its title.

    python -m tests.bench.sign [--seconds 60] [--piece 2.0]

As root, with mosquitto, in a network namespace: `gloaming run` with a hook at piece-begins, a subscriber, and the
`sacn` library's receiver. Every fifth piece ends by a skip. A ratio is a time divided by that of a frame.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from pathlib import Path

from tests.daemon.planner.sign import FPS, sign_evening
from tests.waiting import wait_until


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.sign")
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--piece", type=float, default=2.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, sign_evening(Path(folder), args.piece) as sign:
        wait_until(lambda: len(sign.wire()) > 1, "light")
        until_s, skips = time.monotonic() + args.seconds, 0
        while time.monotonic() < until_s:
            time.sleep(4.6 * args.piece)
            skips += sign.evening.ask("POST", "/api/overrides", {"kind": "skip"})[0] == 201
        time.sleep(args.piece / 2)  # the last piece is on both
        wire, titles = sign.wire()[1:], sign.titles()
    pairs = list(zip(wire, titles[-len(wire) :], strict=True))
    assert all(one[1] == other[1] for one, other in pairs), "the sign and the wire differ"
    apart = sorted(abs(other[0] - one[0]) for one, other in pairs)
    print(f"{len(apart)} pieces, {skips} of them by a skip; a frame lasts {1000 / FPS:g} ms")
    for name, value_s in (("median", statistics.median(apart)), ("longest", apart[-1])):
        print(f"{name} {value_s * 1000:.1f} ms from the first packet to the title, {value_s * FPS:.2f} frames")
    late = sum(value_s > 0.2 for value_s in apart)
    print(f"{late} of {len(apart)} are further apart than 200 ms")


if __name__ == "__main__":
    main()
