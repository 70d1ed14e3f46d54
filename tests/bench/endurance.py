"""Long runs: nothing lost, nothing late for a receiver, no drift, no growth.

    python -m tests.bench.endurance [--seconds N] [--runs 4x 1024 film]    an hour of all three; as root, with gcc

Three transmitters at once, each to a receiver in another network namespace that follows E1.31 6.7.2 (sequence) and
6.7.1 (data loss): 24 universes at four times the beat (160 frames a second of 100 slots), 1024 universes at 40, and
one at 30000/1001 whose frame number is held against the arithmetic of fractions at the end.
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
import time
from contextlib import ExitStack
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.transmit import HERE, frames_of, receiver
from tests.daemon.transmitter.process_harness import (
    SECOND_NS,
    TransmitterProcess,
    moving,
    running_transmitter,
    segment,
    street,
    universe,
    write_frames,
)

FILM = Fraction(30000, 1001)
RUNS = {"4x": ("192.0.2.21", 24, 100), "1024": ("192.0.2.22", 1024, 510), "film": ("192.0.2.23", 1, 512)}


def resident_mb(transmitter: TransmitterProcess) -> float:
    pages = int(Path(f"/proc/{transmitter.process.pid}/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def newest(transmitter: TransmitterProcess) -> dict[str, Any]:
    """The newest telemetry; those before it have waited in the socket."""
    told = transmitter.wait_for("telemetry")
    while time.time_ns() - told["at_ns"] > 1.5 * SECOND_NS:
        told = transmitter.wait_for("telemetry")
    transmitter.heard.clear()
    return told


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.endurance")
    parser.add_argument("--seconds", type=float, default=3600)
    parser.add_argument("--runs", nargs="+", choices=list(RUNS), default=list(RUNS))
    args = parser.parse_args()
    seconds = args.seconds
    with tempfile.TemporaryDirectory() as name, ExitStack() as stack:
        folder = Path(name)
        there = stack.enter_context(street(hosts=3))
        program = folder / "transmit"
        subprocess.run(["gcc", "-O2", "-o", str(program), str(HERE / "transmit.c")], check=True)
        fast = np.random.default_rng(1).integers(0, 256, (1600, 2400), np.uint8)
        films = {
            "4x": write_frames(folder / "fast.frames", fast, Fraction(160), 100),
            "1024": write_frames(folder / "look.frames", frames_of(1024, "look"), Fraction(40), 510),
            "film": write_frames(folder / "film.frames", np.zeros((997, 512), np.uint8), FILM, 512),
        }
        rates = {"4x": (160, 1, 1600), "1024": (40, 1, 80), "film": (30000, 1001, 997)}
        counts, transmitters, begun = {}, {}, {}
        for run in args.runs:
            host, universes, slots = RUNS[run]
            counts[run] = stack.enter_context(receiver(there, program, host, universes))
            transmitter = transmitters[run] = stack.enter_context(running_transmitter(folder, there.sender))
            transmitter.setup([universe(n + 1, host, slots=slots) for n in range(universes)], interface="out0")
            transmitter.dark()
            begin = begun[run] = time.time_ns()
            numerator, denominator, frames = rates[run]
            until = begin + int(seconds + 60) * SECOND_NS
            transmitter.score(segment(begin, until, **moving(films[run], frames, (numerator, denominator))))
        time.sleep(10)
        before = {run: (newest(transmitter), resident_mb(transmitter)) for run, transmitter in transmitters.items()}
        deadline = time.monotonic() + seconds
        while time.monotonic() < deadline:
            time.sleep(min(30.0, max(0.0, deadline - time.monotonic())))
            for transmitter in transmitters.values():
                newest(transmitter)
        after = {run: (newest(transmitter), resident_mb(transmitter)) for run, transmitter in transmitters.items()}
        for transmitter in transmitters.values():
            transmitter.end()
    print(f"{seconds:g} s")
    for run, (packets, lost, disorder, silences) in counts.items():
        told, was = after[run][0], before[run][0]
        due, dropped = told["frames_due"] - was["frames_due"], told["frames_dropped"] - was["frames_dropped"]
        unread = told["frames_unread"] - was["frames_unread"]
        print(f"{run:5} {due} frames due, {dropped} dropped ({unread} unread); ", end="")
        print(f"{packets} packets received, {lost} lost, ", end="")
        print(f"{disorder} out of sequence, {silences} silences; ", end="")
        print(f"late by us: {' '.join(f'{key} {value}' for key, value in told['lateness_us'].items())}; ", end="")
        print(f"memory {before[run][1]:.1f} -> {after[run][1]:.1f} MB")
    if "film" in after:
        film = after["film"][0]
        passed = Fraction(film["at_ns"] - begun["film"], SECOND_NS)
        wanted = {int((passed - Fraction(early, 1000)) * FILM) % 997 for early in (0, 10)}  # one may be due just now
        exact = "exact" if film["frame"] in wanted else f"WRONG, it should be {sorted(wanted)}"
        print(f"frame {film['frame']} after {float(passed):.1f} s at 30000/1001: {exact}")


if __name__ == "__main__":
    main()
