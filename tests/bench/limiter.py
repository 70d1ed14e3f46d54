"""What the limiter costs the transmitter: the whole process, with it and without, the same frames in turn.

    python -m tests.bench.limiter [--universes 96] [--seconds 10] [--rounds 3] [--level 0.8] [--case NAME ...]

As root (it makes two network namespaces and a cable between them), with gcc. A share is processor time of the process,
in percent of one core; a ratio is the median over the rounds of each case divided by "no limiter" in the same round.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
import time
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from tests.bench.transmit import FPS, HERE, HOST, SETTLE_S, SLOTS, frames_of, measure, receiver
from tests.daemon.transmitter.process_harness import Street, moving, run, running_transmitter, segment, street, universe
from tests.daemon.transmitter.process_harness import write_frames as write

PIXELS = 80


@dataclass(frozen=True)
class Fuses:
    """The fuse of a string, in mA, or that of as many strings on a port; and whether it lowers them."""

    ma: float
    strings: int = 1
    lowers: bool = False


CASES = {
    "no limiter": None,
    "nothing to lower": Fuses(4700),
    "every string lowered": Fuses(180, lowers=True),
    "ports, nothing to lower": Fuses(9400, strings=2),
    "ports, every port lowered": Fuses(360, strings=2, lowers=True),
}


def limits(universes: int, fuses: Fuses | None) -> dict[str, Any] | None:
    """Strings of 80 pixels, side by side; ten on a supply. A dark pixel draws 1 mA."""
    if fuses is None:
        return None
    strings = []
    for number in range(universes * SLOTS // (3 * PIXELS)):
        spans, slot, left = [], number * 3 * PIXELS, 3 * PIXELS
        while left:
            at, first = divmod(slot, SLOTS)
            count = min(left, SLOTS - first)
            spans.append([at + 1, first + 1, first + count])
            slot, left = slot + count, left - count
        strings.append({"ma": 20, "spans": spans})

    def level(kind: str, ma: float, size: int) -> list[dict[str, Any]]:
        groups = [[*range(first, min(first + size, len(strings)))] for first in range(0, len(strings), size)]
        return [
            {"kind": kind, "name": f"{kind} {number}", "ma": ma, "always_ma": PIXELS * len(group), "strings": group}
            for number, group in enumerate(groups)
        ]

    kind = "string" if fuses.strings == 1 else "port"
    supply_ma = fuses.ma / fuses.strings * 9.5
    return {"strings": strings, "levels": [level(kind, fuses.ma, fuses.strings), level("supply", supply_ma, 10)]}


def share(there: Street, path: Path, folder: Path, fuses: Fuses | None, args: argparse.Namespace) -> float:
    with running_transmitter(folder, there.sender) as transmitter:
        universes = [universe(number + 1, HOST) for number in range(args.universes)]
        transmitter.setup(universes, interface="out0", limits=limits(args.universes, fuses))
        transmitter.dark()
        now = time.time_ns()
        transmitter.score(segment(now, now + 3600 * 10**9, (args.level, args.level), **moving(path, args.frames)))
        transmitter.wait_for("telemetry", lambda said: said["frames_sent"] > 0)
        time.sleep(SETTLE_S)
        found = measure(transmitter.process.pid, args.seconds)
        lowered = transmitter.wait_for("telemetry")["limited"]
        assert bool(lowered) == bool(fuses and fuses.lowers), lowered
        transmitter.end()
    return found


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.limiter")
    parser.add_argument("--universes", type=int, default=96)
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--level", type=float, default=0.8)
    parser.add_argument("--case", action="append", choices=CASES, help="only this case, and the one without a limiter")
    args = parser.parse_args()
    cases = {name: fuses for name, fuses in CASES.items() if fuses is None or not args.case or name in args.case}
    shares: dict[str, list[float]] = {name: [] for name in cases}
    with tempfile.TemporaryDirectory() as name, street() as there:
        folder = Path(name)
        program = folder / "transmit"
        run("gcc", "-O2", "-o", str(program), str(HERE / "transmit.c"))
        frames = frames_of(args.universes, "picture")
        args.frames = len(frames)
        path = write(folder / "bench.frames", frames, Fraction(FPS), SLOTS)
        for _ in range(args.rounds):
            for case, fuses in cases.items():
                with receiver(there, program, HOST, args.universes):
                    shares[case].append(share(there, path, folder, fuses, args))
    print(f"| {args.universes} universes | % of a core | ratio |\n| --- | --- | --- |")
    for case, found in shares.items():
        ratios = [mine / bare for mine, bare in zip(found, shares["no limiter"], strict=True)]
        print(f"| {case} | {' '.join(f'{one:.2f}' for one in found)} | {statistics.median(ratios):.2f} |")


if __name__ == "__main__":
    main()
