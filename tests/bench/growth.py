"""`python -m tests.bench.growth [MINUTES]`: does anything grow? Many times the usual requests, overrides and pieces.

Memory (resident), open files and threads of both processes, after a tenth of the time as warm-up and at the end; and
what was written to the card, as megabytes a day at that rate.
"""

from __future__ import annotations

import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from tests.daemon.broken_evening import Broken, broken_evening

MIB = 1 << 20


@dataclass(frozen=True)
class Size:
    """What a process has."""

    resident_mib: float
    files: int
    threads: int
    written_mib: float


def size(pid: int) -> Size:
    folder = Path(f"/proc/{pid}")
    status = dict(line.split(":", 1) for line in (folder / "status").read_text().splitlines())
    io = dict(line.split(": ") for line in (folder / "io").read_text().splitlines())
    return Size(
        int(status["VmRSS"].split()[0]) / 1024,
        len(list((folder / "fd").iterdir())),
        int(status["Threads"]),
        int(io["write_bytes"]) / MIB,
    )


def work(broken: Broken, seconds: float) -> int:
    """Ten requests a second; an override asked for and taken back each second; a skip every five."""
    done, begin = 0, time.monotonic()
    while time.monotonic() - begin < seconds:
        for path in ("/api/now", "/api/journal?limit=50", "/api/nights?days=3", "/metrics", "/api/health", "/api/rig"):
            status = "raw" if path == "/metrics" else broken.evening.ask("GET", path)[0]
            assert status in (200, "raw"), (path, status)
            done += 1
        code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 0.5, "minutes": 1})
        assert code == 201, answer
        broken.evening.ask("DELETE", f"/api/overrides/{answer['id']}")
        if int(time.monotonic() - begin) % 5 == 0:
            broken.evening.ask("POST", "/api/overrides", {"kind": "skip"})
        done += 3
        time.sleep(0.7)
    return done


def main() -> None:
    seconds = float(sys.argv[1]) * 60 if len(sys.argv) > 1 else 600.0
    with tempfile.TemporaryDirectory() as folder, broken_evening(Path(folder), "127.0.74.61") as broken:
        broken.wait_until_lit()
        pids = {name: broken.evening.pid(name) for name in ("director", "transmitter")}
        work(broken, seconds / 10)
        before = {name: size(pid) for name, pid in pids.items()}
        done = work(broken, seconds * 9 / 10)
        broken.ear.packets.clear()
        for name, pid in pids.items():
            was, now = before[name], size(pid)
            print(
                f"{name}: {was.resident_mib:.1f} to {now.resident_mib:.1f} MiB, files {was.files} to {now.files}, "
                f"threads {was.threads} to {now.threads}, written {now.written_mib - was.written_mib:.2f} MiB"
            )
        print(f"{done} requests in {seconds * 0.9:.0f} s")


if __name__ == "__main__":
    main()
