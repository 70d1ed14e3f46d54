"""`python -m tests.bench.growth [MINUTES]`: does anything grow? Many times the usual requests, overrides and pieces.

Memory (resident), open files and threads of both processes, after a tenth of the time as warm-up and at each tenth
since; and what was written to the card meanwhile.
"""

from __future__ import annotations

import sys
import tempfile
import time
import urllib.request
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
    """Ten requests a second; an override asked for and taken back every six, a skip every minute; a piece every half
    minute. (Usual is one phone that looks once a second, an override in ten minutes, a piece in five.)"""
    done, turn, begin = 0, 0, time.monotonic()
    while time.monotonic() - begin < seconds:
        for path in ("/api/now", "/api/journal?limit=50", "/api/nights?days=3", "/api/health", "/api/rig"):
            code, answer = broken.evening.ask("GET", path)
            assert code == 200, (path, answer)
        metrics(broken)
        done += 6
        if turn % 10 == 0:
            code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 0.5, "minutes": 1})
            assert code == 201, answer
            assert broken.evening.ask("DELETE", f"/api/overrides/{answer['id']}")[0] == 200
            done += 2
        if turn % 100 == 50:
            done += broken.evening.ask("POST", "/api/overrides", {"kind": "skip"})[0] == 201
        turn += 1
        broken.ear.packets.clear()
        time.sleep(max(0.35, begin + turn * 0.6 - time.monotonic()))  # no faster than the doors wish, after a delay
    return done


def metrics(broken: Broken) -> None:
    state = broken.evening.state
    headers = {"Authorization": f"Bearer {(state / 'token').read_text().strip()}"}
    request = urllib.request.Request(f"{(state / 'address').read_text().strip()}/metrics", headers=headers)
    with urllib.request.urlopen(request, timeout=10) as answer:
        assert answer.read().startswith(b"# HELP")


def main() -> None:
    seconds = float(sys.argv[1]) * 60 if len(sys.argv) > 1 else 600.0
    with tempfile.TemporaryDirectory() as folder, broken_evening(Path(folder), "127.0.74.61") as broken:
        broken.wait_until_lit()
        pids = {name: broken.evening.pid(name) for name in ("director", "transmitter")}
        work(broken, seconds / 10)
        before, done = {name: size(pid) for name, pid in pids.items()}, 0
        for part in range(1, 10):
            done += work(broken, seconds / 10)
            print(f"after {seconds * part / 600:.0f} min: {done} requests")
            for name, pid in pids.items():
                was, now = before[name], size(pid)
                print(
                    f"  {name}: {was.resident_mib:.1f} to {now.resident_mib:.1f} MiB, files {was.files} to {now.files},"
                    f" threads {was.threads} to {now.threads}, written {now.written_mib - was.written_mib:.2f} MiB",
                    flush=True,
                )


if __name__ == "__main__":
    main()
