"""What zones cost the transmitter: the whole process, with ten areas and without, the same frames in turn.

    python -m tests.bench.zones [--universes 96] [--seconds 10] [--rounds 3] [--level 1.0] [--before FOLDER]
        [--only WORD]

As root (it makes two network namespaces and a cable between them), with gcc. A share is processor time of the process,
in percent of one core; a ratio is the median over the rounds of each case divided by "no zones" in the same round.
`--before` is a checkout of an earlier version, which plays without zones for comparison. `--only` chooses the cases
with a word in their name.
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
from tests.daemon.transmitter.process_harness import (
    Street,
    fading,
    moving,
    run,
    running_transmitter,
    segment,
    street,
    universe,
)
from tests.daemon.transmitter.process_harness import write_frames as write

ZONES = 10
HOUR_NS = 3600 * 10**9
BEFORE = "the version before, no zones"
CASES = (
    "no zones",
    BEFORE,
    "windows of ten zones",
    "ten zones, a level each",
    "ten zones, five dark",
    "ten zones, a cross-fade in all",
    "ten zones, a piece each",
)


def spans(universes: int, zone: int) -> list[tuple[int, int, int]]:
    """A tenth of the rig, with borders within universes."""
    begin, end = (universes * SLOTS * edge // ZONES for edge in (zone, zone + 1))
    first, last = begin // SLOTS, (end - 1) // SLOTS
    return [
        (number + 1, begin % SLOTS + 1 if number == first else 1, (end - 1) % SLOTS + 1 if number == last else SLOTS)
        for number in range(first, last + 1)
    ]


def share(there: Street, case: str, pieces: list[dict[str, Any]], folder: Path, args: argparse.Namespace) -> float:
    house, *own = pieces
    zones = [spans(args.universes, zone) for zone in range(ZONES)]
    before = ("env", f"PYTHONPATH={args.before}/.packages") if case == BEFORE else ()
    with running_transmitter(folder, there.sender, before) as transmitter:
        transmitter.setup([universe(number + 1, HOST) for number in range(args.universes)], interface="out0")
        now = time.time_ns()
        until = now + HOUR_NS
        windows = [(until, until + HOUR_NS, 0.0, 1.0, one) for one in zones] if case == "windows of ten zones" else []
        transmitter.dark(*windows)
        level, areas = args.level, []
        for zone, one in enumerate(zones if case.startswith("ten zones") else []):
            shown = segment(now, until, (level - zone / 20, level - zone / 20), **house)
            if "piece each" in case:
                shown = segment(now, until, (level, level), **own[zone])
            elif "cross-fade" in case:
                shown["mix"] = fading(now, until, house["path"], frames=house["frames"])
            elif "dark" in case and zone % 2:
                shown = segment(now, until)
            areas.append({"spans": one, "segments": [shown]})
        transmitter.score(segment(now, until, (level, level), **house), areas=areas)
        transmitter.wait_for("telemetry", lambda said: said["frames_sent"] > 0)
        time.sleep(SETTLE_S)
        sent = transmitter.wait_for("telemetry")
        found = measure(transmitter.process.pid, args.seconds)
        packets = transmitter.end()["packets_sent"] - sent["packets_sent"]
        assert packets > 0.9 * args.universes * FPS * args.seconds, "frames are missing"
    return found


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.zones")
    parser.add_argument("--universes", type=int, default=96)
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--level", type=float, default=1.0)
    parser.add_argument("--before", type=Path)
    parser.add_argument("--only", default="", metavar="WORD")
    args = parser.parse_args()
    cases = [case for case in CASES if case != BEFORE or args.before]
    cases = [case for case in cases if case == "no zones" or args.only in case]
    shares: dict[str, list[float]] = {name: [] for name in cases}
    with tempfile.TemporaryDirectory() as name, street() as there:
        folder = Path(name)
        program = folder / "transmit"
        run("gcc", "-O2", "-o", str(program), str(HERE / "transmit.c"))
        frames = frames_of(args.universes, "look")
        pieces = [moving(write(folder / "house.frames", frames, Fraction(FPS), SLOTS), len(frames))]
        for zone in range(ZONES):
            first, last = spans(args.universes, zone)[0][0], spans(args.universes, zone)[-1][0]
            mine = frames[:, (first - 1) * SLOTS : last * SLOTS]
            path = write(folder / f"zone-{zone}.frames", mine, Fraction(FPS), SLOTS, first)
            pieces.append(moving(path, len(frames)))
        for _ in range(args.rounds):
            for case in cases:
                with receiver(there, program, HOST, args.universes):
                    shares[case].append(share(there, case, pieces, folder, args))
    print(f"| {args.universes} universes, level {args.level} | % of a core | ratio |\n| --- | --- | --- |")
    for case, found in shares.items():
        ratios = [mine / bare for mine, bare in zip(found, shares["no zones"], strict=True)]
        print(f"| {case} | {' '.join(f'{one:.2f}' for one in found)} | {statistics.median(ratios):.2f} |")


if __name__ == "__main__":
    main()
