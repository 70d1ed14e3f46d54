"""Recording: what a live recording costs and loses, how fast captures are read, and what others send.

    python -m tests.bench.recording live [SECONDS]     512 universes at 40 frames a second, sent and recorded here
    python -m tests.bench.recording multicast [ipv6]   512 universes by our transmitter, over a cable (root only)
    python -m tests.bench.recording captures [TIMES]   captures of several sizes, each so many times
    python -m tests.bench.recording npm                the moving picture, sent live by the npm package `sacn`

`live`: packets sent and recorded, and the CPU time of the recorder's two processes as a share of one core. `captures`:
how many times faster than it lasted a capture is imported, in the middle and in the run that other work disturbed
least, and the CPU time of one import. `multicast`, `npm`: whether what was recorded is what was sent. Traffic goes to
loopback, or to network namespaces of its own.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.reader import Frames, inspect
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.recorder import Wanted
from tests.daemon.transmitter import process_harness
from tests.places import REFERENCE
from tests.shows.streams import data, ethernet

PICTURE = REFERENCE / "moving-picture-64x32-25fps.npy"
CAPTURE = REFERENCE / "moving-picture-13-universes-25fps.pcapng"
FPS, SLOTS, PACKET = 40, 510, 126 + 512
UDP_SEGMENT, SEGMENTS = 103, 64
COMMAND = (sys.executable, "-m", "gloaming.api.cli.main", "record")


def contents(universes: int, frames: int, kind: str) -> Frames:
    """`(frames, universes, 510) uint8`: the moving picture side by side, each copy at another time; or noise."""
    if kind == "noise":
        return np.random.default_rng(1).integers(0, 256, (frames, universes, SLOTS), np.uint8)
    picture = np.load(PICTURE)[:, : 12 * SLOTS].reshape(-1, 12, SLOTS)
    number = np.arange(frames)[:, None]
    place = np.arange(universes)[None]
    return picture[(number + place // 12 * 7) % len(picture), place % 12]


def packets(universes: int) -> Frames:
    """The packets of one frame, `(universes, 638) uint8`, to be patched."""
    return (
        np.frombuffer(b"".join(data(one + 1, 0, []) for one in range(universes)), np.uint8).reshape(-1, PACKET).copy()
    )


def send(address: str, universes: int, seconds: float, kind: str) -> None:
    """A sender of its own: segmentation offload, 64 packets a call, frames by the clock. Prints the packets sent."""
    frames = contents(universes, 160, kind)
    block = packets(universes)
    count, late = round(seconds * FPS), 0
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 8 << 20)
        sock.connect((address, 5568))
        begin_s = time.monotonic()
        for number in range(count):
            block[:, 111] = number & 255
            block[:, 126 : 126 + SLOTS] = frames[number % len(frames)]
            wait_s = begin_s + number / FPS - time.monotonic()
            late += wait_s < -0.005
            time.sleep(max(0.0, wait_s))
            for first in range(0, universes, SEGMENTS):
                part = block[first : first + SEGMENTS]
                control = [(socket.IPPROTO_UDP, UDP_SEGMENT, struct.pack("=H", PACKET))]
                sock.sendmsg([part.tobytes()], control)
    print(json.dumps({"sent": count * universes, "late": late}))


def live(seconds: float) -> None:
    print(f"live, {seconds:g} s, {FPS} frames a second: share of one core for the recorder's two processes")
    print("| universes | content | packets sent | recorded | lost | dropped | share of one core | bytes of raw |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for universes, kind in ((96, "picture"), (512, "picture"), (512, "noise")):
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / "out.frames"
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            arguments = ["--universes", f"1-{universes}", "--address", "127.0.55.9", "--slots", "sent", "--json"]
            recorder = subprocess.Popen([*COMMAND, str(out), *arguments], stdout=subprocess.PIPE, text=True)
            time.sleep(2)
            sender = [
                sys.executable,
                "-m",
                "tests.bench.recording",
                "send",
                "127.0.55.9",
                str(universes),
                str(seconds),
                kind,
            ]
            sent = json.loads(subprocess.run(sender, stdout=subprocess.PIPE, text=True, check=True).stdout)["sent"]
            of_sender = resource.getrusage(resource.RUSAGE_CHILDREN)
            time.sleep(1)
            recorder.send_signal(signal.SIGINT)
            report = json.loads(recorder.communicate()[0])
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            cpu_s = after.ru_utime + after.ru_stime - of_sender.ru_utime - of_sender.ru_stime
            assert before.ru_utime <= of_sender.ru_utime
            raw = report["frames"] * universes * 512
            print(
                f"| {universes} | {kind} | {sent} | {report['packets']} | {report['lost']} | {report['dropped']}"
                f" | {100 * cpu_s / seconds:.0f} % | {100 * out.stat().st_size / raw:.1f} % |",
                flush=True,
            )


def multicast(protocol: str) -> None:
    """A circle: a frame file, our transmitter, 512 groups, two namespaces and a cable, a recording."""
    universes, count = 512, 8 * FPS
    frames = contents(universes, count, "picture").reshape(count, -1)
    with tempfile.TemporaryDirectory() as name, process_harness.street() as there:
        folder = Path(name)
        given, out = process_harness.write_frames(folder / "in.frames", frames), folder / "out.frames"
        arguments = ["--universes", f"1-{universes}", "--interface", "in0", "--from-change", "--for", "8"]
        inside = ["ip", "netns", "exec", there.receiver]
        recorder = subprocess.Popen([*inside, *COMMAND, str(out), *arguments, "--slots", "sent"])
        time.sleep(4)
        with process_harness.running_transmitter(folder, there.sender) as transmitter:
            numbers = range(1, universes + 1)
            transmitter.setup(
                [process_harness.universe(number, multicast=protocol) for number in numbers], interface="out0"
            )
            transmitter.dark()
            begin_ns = time.time_ns() + 3 * process_harness.SECOND_NS
            end_ns = begin_ns + 8 * process_harness.SECOND_NS
            piece = process_harness.segment(begin_ns, end_ns, **process_harness.moving(given, count))
            before = process_harness.segment(begin_ns - 2 * process_harness.SECOND_NS, begin_ns)
            transmitter.score(before, piece, process_harness.segment(end_ns, end_ns + 60 * process_harness.SECOND_NS))
            recorder.wait()
        recorded = np.concatenate(list(frames_of(inspect(out).path)))
        print("equal, byte for byte" if np.array_equal(recorded, frames) else f"not equal: {recorded.shape}")


def captures(times: int) -> None:
    print(f"captures, {times} times each; in brackets the share of both cores that other work took meanwhile")
    print("| universes | content | length | capture | imported in: median; least disturbed | times faster | CPU time |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out.frames"
        row("13", "picture, 25 a second", CAPTURE, 5.28, out, times)
        for universes, seconds, kind in (
            (13, 60.0, "picture"),
            (96, 20.0, "picture"),
            (512, 5.0, "picture"),
            (512, 5.0, "noise"),
        ):
            path = Path(folder) / "in.pcap"
            write_capture(path, universes, round(seconds * FPS), kind)
            row(str(universes), kind, path, seconds, out, times)


def row(universes: str, kind: str, path: Path, seconds: float, out: Path, times: int) -> None:
    runs = sorted(imported(path, out) for _ in range(times))
    took_s = statistics.median(run[1] for run in runs)
    others = statistics.median(run[0] for run in runs)
    least, best_s, _ = runs[0]
    print(
        f"| {universes} | {kind} | {seconds:g} s | {path.stat().st_size / 1e6:.0f} MB"
        f" | {took_s:.2f} s ({100 * others:.0f} %); {best_s:.2f} s ({100 * least:.0f} %)"
        f" | {seconds / took_s:.0f}; {seconds / best_s:.0f} | {statistics.median(run[2] for run in runs):.2f} s |",
        flush=True,
    )


def imported(path: Path, out: Path) -> tuple[float, float, float]:
    """One import: the share of all cores that others took meanwhile, how long it lasted, its CPU time."""
    out.unlink(missing_ok=True)
    time.sleep(1)  # so that a busy moment is over, or not
    begin_s, begin_cpu_s, begin_busy_s = time.perf_counter(), time.process_time(), busy_s()
    outcome = from_capture(path, out, Wanted())
    took_s, cpu_s = time.perf_counter() - begin_s, time.process_time() - begin_cpu_s
    assert outcome.counts.lost_in_all == 0
    others_s = max(0.0, busy_s() - begin_busy_s - cpu_s)
    return others_s / took_s / (os.cpu_count() or 1), took_s, cpu_s


def busy_s() -> float:
    """What all cores have worked since the start of the machine (proc(5): all but idle and waiting)."""
    ticks = [int(one) for one in Path("/proc/stat").read_text().split("\n", 1)[0].split()[1:9]]
    return (sum(ticks) - ticks[3] - ticks[4]) / os.sysconf("SC_CLK_TCK")


def write_capture(path: Path, universes: int, count: int, kind: str) -> None:
    """A pcap file of nanoseconds, written a frame at a time."""
    frames = contents(universes, 160, kind)
    heads = np.frombuffer(b"".join(bytes(16) + ethernet(bytes(one)) for one in packets(universes)), np.uint8)
    block = heads.reshape(universes, -1).copy()
    with path.open("wb") as file:
        file.write(struct.pack("<IHHiIII", 0xA1B23C4D, 2, 4, 0, 0, 262144, 1))
        for number in range(count):
            at_ns = number * 1_000_000_000 // FPS + np.arange(universes) * 10_000
            record = np.stack(
                [at_ns // 10**9, at_ns % 10**9, np.full(universes, 42 + PACKET), np.full(universes, 42 + PACKET)], 1
            )
            block[:, :16] = record.astype("<u4").view(np.uint8)
            block[:, 58 + 111] = number & 255
            block[:, 58 + 126 : 58 + 126 + SLOTS] = frames[number % len(frames)]
            file.write(block.tobytes())


def npm() -> None:
    if not shutil.which("npm"):
        sys.exit("npm is not installed")
    picture = np.load(PICTURE)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        subprocess.run(["npm", "install", "--silent", "--prefix", folder, "sacn@4"], check=True)
        (folder / "picture.raw").write_bytes(picture.tobytes())
        out = folder / "out.frames"
        recorder = subprocess.Popen([*COMMAND, str(out), "--universes", "1-13", "--address", "127.0.55.10"])
        time.sleep(2)
        script = Path(__file__).with_name("picture_sender.cjs")
        arguments = [folder, folder / "picture.raw", "6144", "510", "25", "127.0.55.10"]
        subprocess.run(["node", script, *arguments], check=True)
        recorder.send_signal(signal.SIGINT)
        recorder.wait()
        recorded = np.concatenate(list(frames_of(inspect(out).path)))
        print("equal, byte for byte" if np.array_equal(recorded, picture) else f"not equal: {recorded.shape}")


def main(arguments: list[str]) -> None:
    match arguments:
        case ["live", *rest]:
            live(float(rest[0]) if rest else 20.0)
        case ["multicast"]:
            multicast("ipv4")
        case ["multicast", "ipv6"]:
            multicast("ipv6")
        case ["captures", *rest]:
            captures(int(rest[0]) if rest else 9)
        case ["npm"]:
            npm()
        case ["send", address, universes, seconds, kind]:
            send(address, int(universes), float(seconds), kind)
        case _:
            sys.exit(__doc__)


if __name__ == "__main__":
    main(sys.argv[1:])
