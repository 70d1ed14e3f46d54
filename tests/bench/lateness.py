"""How late frames are, beside cyclictest, on a machine that is kept busy.

    python -m tests.bench.lateness [--seconds N] [--without real-time] [--quiet]

As root, with cyclictest (Debian: rt-tests) and stress-ng. 96 universes at 40 frames a second go to a receiver on
loopback; stress-ng keeps both cores at work with computing and memory; 50 requests a second go to an HTTP server in a
process of its own. `--without real-time` takes the right to it away; `--quiet` leaves the load out. Ten minutes unless
said otherwise. Lateness is from the instant a frame is due to the instant its sending begins.

On a virtual machine the host may take the processors away for milliseconds, whatever the priorities; the kernel counts
it as steal (proc_stat(5)), in hundredths of a second. The seconds in which that happened are told apart from the rest.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from tests.bench.transmit import FPS, SLOTS, frames_of, memory_mb
from tests.daemon.transmitter.process_harness import moving, running_transmitter, segment, universe, write_frames

BOUNDS_US = (300, 500, 1000, 5000)
UNIVERSES, HOST, REQUESTS_HZ = 96, "127.0.44.200", 50
SERVER = """
import fastapi, uvicorn
app = fastapi.FastAPI()
@app.get("/now")
def now(): return {"state": "playing", "numbers": list(range(300))}
uvicorn.run(app, host="127.0.0.1", port=44880, log_level="error")
"""

RECEIVER = f"""
import socket
sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
sock.bind(("{HOST}", 5568))
print("ready", flush=True)
while True:
    sock.recv(2048)
"""


@contextmanager
def process(*command: str) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as started:
        try:
            yield started
        finally:
            started.terminate()


@contextmanager
def requests() -> Iterator[list[float]]:
    """Fifty requests a second to an HTTP server; how long each took, in seconds."""
    took: list[float] = []
    ending = threading.Event()

    def ask() -> None:
        while not ending.wait(1 / REQUESTS_HZ):
            begin = time.monotonic()
            try:
                urllib.request.urlopen("http://127.0.0.1:44880/now", timeout=5).read()
            except OSError:  # it has not started yet
                continue
            took.append(time.monotonic() - begin)

    with process(sys.executable, "-c", SERVER):
        thread = threading.Thread(target=ask)
        thread.start()
        try:
            yield took
        finally:
            ending.set()
            thread.join()


@contextmanager
def stolen_seconds() -> Iterator[list[tuple[int, int]]]:
    """What the host had taken of both processors, in clock ticks, at instants a quarter of a second apart."""
    seen: list[tuple[int, int]] = []
    ending = threading.Event()

    def look() -> None:
        while not ending.wait(0.25):
            seen.append((time.time_ns(), int(Path("/proc/stat").read_text().split(maxsplit=9)[8])))

    thread = threading.Thread(target=look)
    thread.start()
    try:
        yield seen
    finally:
        ending.set()
        thread.join()


def shares(telemetry: list[dict[str, Any]], steal: list[tuple[int, int]]) -> None:
    """How many frames were within each bound, in seconds in which nothing was stolen and in the others."""
    kinds: dict[bool, Counter[int]] = {False: Counter(), True: Counter()}
    seconds: Counter[bool] = Counter()
    for before, after in pairwise(telemetry):
        ticks = [taken for at_ns, taken in steal if before["at_ns"] - 3e8 <= at_ns <= after["at_ns"] + 3e8]
        stolen = bool(ticks) and ticks[-1] > ticks[0]
        seconds[stolen] += 1
        kinds[stolen][0] += after["frames_sent"] - before["frames_sent"]
        for (edge_us, sooner), (_, sooner_then) in zip(
            after["lateness_histogram_us"], before["lateness_histogram_us"], strict=True
        ):
            kinds[stolen][edge_us] += sooner - sooner_then
    for stolen, name in ((False, "nothing was stolen"), (True, "the host took processors away")):
        frames = kinds[stolen].pop(0, 0)
        within = (
            f"{100 * kinds[stolen][edge_us] / frames:.2f} % within {edge_us / 1000:g} ms" for edge_us in BOUNDS_US
        )
        print(f"{seconds[stolen]} seconds in which {name}: {frames} frames" + (f", {', '.join(within)}" * bool(frames)))


def cyclictest(seconds: float, real_time: bool) -> list[str]:
    scheduling = ["-p", "40", "-m"] if real_time else ["--policy=other"]
    return ["cyclictest", "-q", "-t", "1", "-i", "25000", "-h", "100000", "-D", str(int(seconds)), *scheduling]


def percentile_us(histogram: str, share: float) -> int:
    """A percentile of cyclictest's histogram, in microseconds."""
    rows = [(int(row[0]), int(row[1])) for row in re.findall(r"^(\d{6}) (\d{6})", histogram, re.M)]
    total, seen = sum(count for _, count in rows), 0
    for late_us, count in rows:
        seen += count
        if seen >= share * total:
            return late_us
    return -1


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.lateness")
    parser.add_argument("--seconds", type=float, default=600)
    parser.add_argument("--without", choices=["real-time"])
    parser.add_argument("--quiet", action="store_true")
    args = parser.parse_args()
    for name in ("cyclictest", "stress-ng"):
        if not shutil.which(name):
            sys.exit(f"{name} is not installed (Debian: rt-tests, stress-ng)")
    real_time = args.without is None
    # without the right to it (RLIMIT_RTPRIO is 0) and without CAP_SYS_NICE
    without = () if real_time else ("setpriv", "--bounding-set=-sys_nice", "--inh-caps=-sys_nice")
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        path = write_frames(Path(folder) / "look.frames", frames_of(UNIVERSES, "look"), Fraction(FPS), SLOTS)
        receiver = stack.enter_context(process(sys.executable, "-c", RECEIVER))
        assert receiver.stdout and receiver.stdout.readline()
        transmitter = stack.enter_context(running_transmitter(Path(folder), command=without))
        transmitter.setup([universe(number + 1, HOST) for number in range(UNIVERSES)])
        transmitter.dark()
        now = time.time_ns()
        transmitter.score(segment(now, now + 7200 * 10**9, **moving(path, 400)))
        grants = transmitter.heard[0]["grants"] if transmitter.heard else transmitter.wait_for("hello")["grants"]
        transmitter.wait_for("telemetry", lambda said: said["frames_sent"] > 20)
        before = transmitter.wait_for("telemetry")
        steal = stack.enter_context(stolen_seconds())
        if not args.quiet:
            hogs = ("--cpu", "2", "--vm", "1", "--vm-bytes", "512M", "--timeout", str(int(args.seconds) + 30))
            load = stack.enter_context(process("stress-ng", *hogs))
            took = stack.enter_context(requests())
        beside = subprocess.run(cyclictest(args.seconds, real_time), capture_output=True, text=True, check=True).stdout
        last = transmitter.wait_for("telemetry")
        while time.time_ns() - last["at_ns"] > 1_500_000_000:  # those that came while cyclictest ran
            last = transmitter.wait_for("telemetry")
        memory = memory_mb(transmitter)
        if not args.quiet and load.poll() is not None:
            sys.exit("stress-ng has not kept the machine busy: nothing was measured")
    due = last["frames_due"] - before["frames_due"]
    dropped = last["frames_dropped"] - before["frames_dropped"]
    lateness = last["lateness_us"]
    print(f"{UNIVERSES} universes, {FPS} frames a second, {args.seconds:g} s, {'no load' if args.quiet else 'load'}")
    print(f"granted: {', '.join(name for name, granted in grants.items() if granted) or 'nothing'}")
    print(f"frames due {due}, dropped {dropped}; memory {memory:.0f} MB at the most")
    print("transmitter, late by us: " + ", ".join(f"{key} {value}" for key, value in lateness.items()), end="")
    print(f" (max before the load began {before['lateness_us']['max']})")
    shares([one for one in transmitter.heard if one["op"] == "telemetry" and one["at_ns"] >= before["at_ns"]], steal)
    figures = {f"p{share}": percentile_us(beside, float(share) / 100) for share in ("50", "99", "99.9")}
    worst = re.search(r"Max Latencies: 0*(\d+)", beside)
    print("cyclictest,  late by us: " + ", ".join(f"{key} {value}" for key, value in figures.items()), end="")
    print(f", max {worst[1] if worst else '?'}")
    if not args.quiet and took:
        took.sort()
        print(f"{len(took)} requests answered, p99 {1000 * took[int(len(took) * 0.99)]:.0f} ms")


if __name__ == "__main__":
    main()
