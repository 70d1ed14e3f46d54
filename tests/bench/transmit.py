"""Sending: the whole path, from compressed frame file to kernel, against a plain C sender and the `sacn` library's.

    python -m tests.bench.transmit [--seconds N] [--rounds N] [--content picture|look] [--level L] [CASE...]

As root (it makes two network namespaces and a cable between them), with gcc. In turn, in each round, every sender sends
the same frames at 40 a second to a receiver in the other namespace that counts what comes. A share is CPU time of the
process, all threads, in percent of one core; a ratio is the median over the rounds of one sender's divided by another's
in the same round. The case `protocols` sends by E1.31, Art-Net and DDP. Nothing is asserted: other load on the machine
moves the figures.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from gloaming.shows.protocols import ProtocolName
from tests.daemon.transmitter.process_harness import (
    Street,
    TransmitterProcess,
    moving,
    running_transmitter,
    segment,
    street,
    universe,
)
from tests.daemon.transmitter.process_harness import write_frames as write
from tests.places import MOVING_PICTURE

HERE = Path(__file__).parent
FPS, SLOTS, HOST = 40, 510, "192.0.2.21"
SETTLE_S = 2.0


class Sender(NamedTuple):
    """Who sends: ours, the plain C sender or the `sacn` library's; and by which protocol."""

    who: str
    protocol: ProtocolName = ProtocolName.E131

    @property
    def words(self) -> str:
        return f"{self.who} {self.protocol}"


OURS, C, SACN = Sender("ours"), Sender("c"), Sender("sacn")
ARTNET, DDP = (Sender("ours", protocol) for protocol in (ProtocolName.ARTNET, ProtocolName.DDP))
C_ARTNET, C_DDP = (Sender("c", protocol) for protocol in (ProtocolName.ARTNET, ProtocolName.DDP))


class Ratio(NamedTuple):
    """A sender's share divided by another's, and what it is to be at the most; None: it is only reported."""

    one: Sender
    other: Sender
    wanted: float | None = None


@dataclass(frozen=True)
class Case:
    """So many universes, unicast or multicast, and the ratios to measure."""

    universes: int
    multicast: bool
    ratios: tuple[Ratio, ...]

    @property
    def senders(self) -> tuple[Sender, ...]:
        return tuple(dict.fromkeys(sender for ratio in self.ratios for sender in ratio[:2]))


CASES = {
    "1024": Case(1024, False, (Ratio(OURS, C, 0.5),)),
    "4096": Case(4096, False, (Ratio(OURS, C, 0.4),)),
    "multicast": Case(512, True, (Ratio(OURS, C, 1.25),)),
    "sacn": Case(96, False, (Ratio(OURS, SACN, 0.1),)),
    "protocols": Case(
        96,
        False,
        (
            Ratio(OURS, C),
            Ratio(ARTNET, OURS, 1.1),
            Ratio(DDP, OURS, 1.1),
            Ratio(ARTNET, C),
            Ratio(DDP, C),
            Ratio(ARTNET, C_ARTNET),
            Ratio(DDP, C_DDP),
        ),
    ),
}


@dataclass
class Run:
    """What one sender did in one round."""

    share: float
    packets: int
    lost: int
    disorder: int
    silences: int
    more: str = ""


def frames_of(universes: int, content: str) -> npt.NDArray[np.uint8]:
    """Frames `(frames, slots) uint8`, more than are read ahead: the film's pictures side by side, each at a time of its
    own, or a slow wave with sparkles."""
    slots = universes * SLOTS
    count = 80 if universes > 400 else 400
    if content == "picture":
        picture = np.load(MOVING_PICTURE)
        tiles = [
            np.roll(picture, 7 * tile, axis=0)[:, ::-1] ^ (tile & 3) for tile in range(slots // picture.shape[1] + 1)
        ]
        frames = np.concatenate(tiles, axis=1)[:, :slots]
        return np.ascontiguousarray(frames[np.arange(count) % len(frames)])
    pixel = np.arange(slots // 3) / (slots // 3)
    random = np.random.default_rng(4)
    frames = np.zeros((count, slots // 3, 3), np.uint8)
    for number in range(count):
        wave = 0.5 + 0.5 * np.sin(2 * np.pi * (universes * pixel / 8 + number / count))
        frames[number] = (wave[:, None] ** 2.2 * (200, 120, 40)).astype(np.uint8)
        frames[number, random.integers(0, len(pixel), len(pixel) // 100)] = 255
    return frames.reshape(count, slots)


def cpu_s(pid: int) -> float:
    """CPU time of a process and all its threads, to the nanosecond (proc(5), schedstat)."""
    tasks = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((task / "schedstat").read_text().split()[0]) for task in tasks) / 1e9


@contextmanager
def receiver(
    there: Street, program: Path, to: str, universes: int, protocol: ProtocolName = ProtocolName.E131
) -> Iterator[list[int]]:
    """Counts what comes; its figures are in the list when the block has ended."""
    figures: list[int] = []
    command = ["ip", "netns", "exec", there.receiver, str(program), "receive", to, str(universes), protocol]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout and process.stdin and process.stdout.readline() == "ready\n"
        yield figures
        time.sleep(0.3)
        process.stdin.close()
        figures += [int(word) for word in process.stdout.read().split()]


def measure(pid: int, seconds: float) -> float:
    """A process's share of one core over some seconds, in percent."""
    before, begin = cpu_s(pid), time.monotonic()
    time.sleep(seconds)
    return 100 * (cpu_s(pid) - before) / (time.monotonic() - begin)


def ours(
    there: Street, case: Case, protocol: ProtocolName, path: Path, frames: int, folder: Path, args: argparse.Namespace
) -> tuple[float, str]:
    """The share, and what the transmitter says of itself."""
    hosts = () if case.multicast else (HOST,)

    def of(number: int) -> dict[str, Any]:
        port_address = number if protocol is ProtocolName.ARTNET else None
        own: dict[str, Any] = {"protocol": protocol, "port_address": port_address, "slots_per_pixel": 3}
        return universe(number, *hosts, slots=SLOTS, multicast=case.multicast, **own)

    with running_transmitter(folder, there.sender) as transmitter:
        transmitter.setup([of(number + 1) for number in range(case.universes)], interface="out0")
        transmitter.dark()
        now, level = time.time_ns(), (args.level, args.level)
        transmitter.score(segment(now, now + 3600 * 10**9, level, **moving(path, frames)))
        transmitter.wait_for("telemetry", lambda said: said["frames_sent"] > 0)
        time.sleep(SETTLE_S)
        share = measure(transmitter.process.pid, args.seconds)
        memory = memory_mb(transmitter)
        last = transmitter.end()
    late = " ".join(f"{key} {value}" for key, value in last["lateness_us"].items())
    dropped, due = last["frames_dropped"], last["frames_due"]
    return share, f"{dropped} of {due} frames dropped, late by us: {late}; {memory:.0f} MB"


def memory_mb(transmitter: TransmitterProcess) -> float:
    status = Path(f"/proc/{transmitter.process.pid}/status").read_text()
    return int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]) / 1024


def plain_c(there: Street, case: Case, protocol: ProtocolName, raw: Path, seconds: float, program: Path) -> float:
    to = "multicast" if case.multicast else HOST
    words = ["send", raw, case.universes, SLOTS, FPS, seconds + SETTLE_S + 1, to, "192.0.2.1", protocol]
    command = ["ip", "netns", "exec", there.sender, str(program), *map(str, words)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as process:
        time.sleep(SETTLE_S)
        return measure(process.pid, seconds)


def sacn_library(there: Street, case: Case, raw: Path, seconds: float) -> float:
    words = [raw, case.universes, SLOTS, FPS, HOST]
    command = ["ip", "netns", "exec", there.sender, sys.executable, str(HERE / "transmit_sacn.py"), *map(str, words)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout and process.stdin and process.stdout.readline() == "ready\n"
        time.sleep(SETTLE_S)
        share = measure(process.pid, seconds)
        process.stdin.close()
    return share


def run_case(name: str, there: Street, folder: Path, program: Path, args: argparse.Namespace) -> None:
    case = CASES[name]
    frames = frames_of(case.universes, args.content)
    path = write(folder / f"{name}.frames", frames, Fraction(FPS), SLOTS)
    raw = folder / f"{name}.raw"
    raw.write_bytes(frames.tobytes())
    count = len(frames)
    del frames
    to = "multicast" if case.multicast else HOST
    runs: dict[Sender, list[Run]] = {sender: [] for sender in case.senders}
    for _ in range(args.rounds):
        for sender in runs:
            more, protocol = "", sender.protocol
            with receiver(there, program, to, case.universes, protocol) as figures:
                if sender.who == "ours":
                    share, more = ours(there, case, protocol, path, count, folder, args)
                elif sender.who == "c":
                    share = plain_c(there, case, protocol, raw, args.seconds, program)
                else:
                    share = sacn_library(there, case, raw, args.seconds)
            runs[sender].append(Run(share, *figures, more))
    way = "multicast" if case.multicast else "unicast"
    size = path.stat().st_size / count / 1024
    print(f"\n{case.universes} universes, {way}; compressed to {size:.0f} KB a frame")
    for sender, rounds in runs.items():
        shares = " ".join(f"{run.share:.2f}" for run in rounds)
        lost, disorder = sum(run.lost for run in rounds), sum(run.disorder for run in rounds)
        packets = sum(run.packets for run in rounds)
        print(
            f"  {sender.words:11} CPU % {shares};  {packets} packets received, {lost} lost, {disorder} out of sequence"
        )
        for run in rounds:
            if run.more:
                print(f"              {run.more}")
    for one, other, wanted in case.ratios:
        shares_of = zip(runs[one], runs[other], strict=True)
        ratio = statistics.median(mine.share / theirs.share for mine, theirs in shares_of)
        limit = "" if wanted is None else f" (wanted: {wanted} or less)"
        print(f"  {one.words} / {other.words}: {ratio:.3f}{limit}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.transmit")
    parser.add_argument("cases", nargs="*", metavar="CASE", choices=[*CASES, []], help=", ".join(CASES))
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--content", choices=["picture", "look"], default="look")
    parser.add_argument("--level", type=float, default=1.0)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name, street() as there:
        folder = Path(name)
        program = folder / "transmit"
        subprocess.run(["gcc", "-O2", "-o", str(program), str(HERE / "transmit.c")], check=True)
        there.run(there.receiver, "sysctl", "-qw", "net.ipv4.igmp_max_memberships=4096")
        print(f"content {args.content}, brightness {args.level}, {args.rounds} rounds of {args.seconds:g} s in turn")
        for case in args.cases or CASES:
            run_case(case, there, folder, program, args)


if __name__ == "__main__":
    main()
