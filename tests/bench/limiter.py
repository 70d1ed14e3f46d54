"""What the limiter costs the transmitter: the whole process, with it and without, the same frames in turn.

    python -m tests.bench.limiter [--universes 96] [--seconds 10] [--rounds 3] [--level 0.8]

As root (it makes two network namespaces and a cable between them), with gcc. A share is processor time of the process,
in percent of one core; a ratio is the median over the rounds of each case divided by "no limiter" in the same round.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from fractions import Fraction
from pathlib import Path
from typing import Any

from tests.bench.transmit import FPS, HERE, HOST, SETTLE_S, SLOTS, frames_of, measure, receiver
from tests.daemon.transmitter.process_harness import Street, moving, run, running_transmitter, segment, street, universe
from tests.daemon.transmitter.process_harness import write_frames as write

PIXELS = 80
CASES: dict[str, float | None] = {"no limiter": None, "nothing to lower": 4700.0, "every string lowered": 100.0}


def limits(universes: int, fuse_ma: float | None) -> dict[str, Any] | None:
    """Strings of 80 pixels, side by side, ten on a supply."""
    if fuse_ma is None:
        return None
    strings = []
    for number in range(universes * SLOTS // (3 * PIXELS)):
        spans, slot, left = [], number * 3 * PIXELS, 3 * PIXELS
        while left:
            at, first = divmod(slot, SLOTS)
            count = min(left, SLOTS - first)
            spans.append([at + 1, first + 1, first + count])
            slot, left = slot + count, left - count
        feeds = {"name": f"run {number}", "ma": 20, "fuse_ma": fuse_ma, "supply": f"box {number // 10}"}
        strings.append({**feeds, "spans": spans})
    supplies = [{"name": f"box {number}", "ma": fuse_ma * 9.5} for number in range(len(strings) // 10 + 1)]
    return {"strings": strings, "supplies": supplies}


def share(there: Street, path: Path, folder: Path, fuse_ma: float | None, args: argparse.Namespace) -> float:
    with running_transmitter(folder, there.sender) as transmitter:
        universes = [universe(number + 1, HOST) for number in range(args.universes)]
        transmitter.setup(universes, interface="out0", limits=limits(args.universes, fuse_ma))
        transmitter.dark()
        now = time.time_ns()
        transmitter.score(segment(now, now + 3600 * 10**9, (args.level, args.level), **moving(path, args.frames)))
        transmitter.wait_for("telemetry", lambda said: said["frames_sent"] > 0)
        time.sleep(SETTLE_S)
        found = measure(transmitter.process.pid, args.seconds)
        transmitter.end()
    return found


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.limiter")
    parser.add_argument("--universes", type=int, default=96)
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--level", type=float, default=0.8)
    args = parser.parse_args()
    shares: dict[str, list[float]] = {name: [] for name in CASES}
    with tempfile.TemporaryDirectory() as name, street() as there:
        folder = Path(name)
        program = folder / "transmit"
        run("gcc", "-O2", "-o", str(program), str(HERE / "transmit.c"))
        frames = frames_of(args.universes, "picture")
        args.frames = len(frames)
        path = write(folder / "bench.frames", frames, Fraction(FPS), SLOTS)
        for _ in range(args.rounds):
            for case, fuse_ma in CASES.items():
                with receiver(there, program, HOST, args.universes):
                    shares[case].append(share(there, path, folder, fuse_ma, args))
    print(f"| {args.universes} universes | % of a core | ratio |\n| --- | --- | --- |")
    for case, found in shares.items():
        ratios = [mine / bare for mine, bare in zip(found, shares["no limiter"], strict=True)]
        print(f"| {case} | {' '.join(f'{one:.2f}' for one in found)} | {statistics.median(ratios):.2f} |")


if __name__ == "__main__":
    main()
