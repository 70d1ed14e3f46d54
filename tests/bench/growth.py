"""`python -m tests.bench.growth [MINUTES]`: does anything grow? Many times the usual requests, overrides and pieces.

Memory (resident), open files and threads of both processes, after a tenth of the time as warm-up and at each tenth
since; and what was written to the card meanwhile. Files are damaged and mended in turn, and the lights are paused.
At the end: the most memory that the planner ever had (VmHWM), and the slowest answer of each kind, as shares of what
is allowed: 150 MB and 2 s.
"""

from __future__ import annotations

import sys
import tempfile
import time
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.daemon.broken_evening import Broken, broken_evening

MIB = 1 << 20
MEMORY_MB, ANSWER_S = 150, 2.0
"""What is allowed."""


@dataclass(frozen=True)
class Size:
    """What a process has."""

    resident_mib: float
    files: int
    threads: int
    written_mib: float


def status_of(pid: int) -> dict[str, str]:
    return dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())


def size(pid: int) -> Size:
    folder, status = Path(f"/proc/{pid}"), status_of(pid)
    io = dict(line.split(": ") for line in (folder / "io").read_text().splitlines())
    return Size(
        int(status["VmRSS"].split()[0]) / 1024,
        len(list((folder / "fd").iterdir())),
        int(status["Threads"]),
        int(io["write_bytes"]) / MIB,
    )


@dataclass
class Phone:
    """Asks, and keeps the slowest answer of each kind, in seconds."""

    broken: Broken
    slowest: dict[str, float] = field(default_factory=dict)
    done: int = 0

    def ask(self, method: str, path: str, body: object = None, wanted: int = 200) -> Any:
        begin_s = time.monotonic()
        code, answer = self.broken.evening.ask(method, path, body)
        self.took(f"{method} {path.partition('?')[0].rstrip('0123456789')}", begin_s)
        assert code == wanted, (path, answer)
        return answer

    def took(self, kind: str, begin_s: float) -> None:
        self.slowest[kind] = max(self.slowest.get(kind, 0.0), time.monotonic() - begin_s)
        self.done += 1


def damage_or_mend(folder: Path, files: dict[str, bytes], turn: int) -> None:
    """In turn: one piece is damaged, the other too, then both are mended; each file is another each time."""
    for at, (name, data) in enumerate(files.items()):
        damaged, fresh = turn % 3 > at, folder / f"{name}.new"
        fresh.write_bytes(data[: len(data) // 2] + bytes(len(data) - len(data) // 2) if damaged else data)
        fresh.replace(folder / name)


def work(phone: Phone, files: dict[str, bytes], seconds: float) -> None:
    """Ten requests a second; an override asked for and taken back every six, a skip every minute; a piece every half
    minute. (Usual is one phone that looks once a second, an override in ten minutes, a piece in five.)"""
    broken, turn, begin = phone.broken, 0, time.monotonic()
    while time.monotonic() - begin < seconds:
        for path in ("/api/now", "/api/journal?limit=50", "/api/nights?days=3", "/api/health", "/api/rig"):
            phone.ask("GET", path)
        begin_s = time.monotonic()
        metrics(broken)
        phone.took("GET /metrics", begin_s)
        if turn % 10 == 0:
            asked = {"kind": "dim", "level": 0.5, "minutes": 1} if turn % 20 else {"kind": "pause", "minutes": 1}
            answer = phone.ask("POST", "/api/overrides", asked, wanted=201)
            phone.ask("DELETE", f"/api/overrides/{answer['id']}")
        if turn % 30 == 15:
            damage_or_mend(broken.folder / "pieces", files, turn // 30)
        if turn % 100 == 50 and broken.ask("/api/now")["state"] == "playing":
            broken.evening.ask("POST", "/api/overrides", {"kind": "skip"})  # refused where all is damaged just now
        turn += 1
        broken.ear.packets.clear()
        time.sleep(max(0.35, begin + turn * 0.6 - time.monotonic()))  # no faster than the doors wish, after a delay


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
        pids = {name: broken.evening.pid(name) for name in ("planner", "transmitter")}
        pieces, phone = broken.folder / "pieces", Phone(broken)
        files = {path.name: path.read_bytes() for path in sorted(pieces.glob("*.frames"))}
        work(phone, files, seconds / 10)
        before = {name: size(pid) for name, pid in pids.items()}
        for part in range(1, 10):
            work(phone, files, seconds / 10)
            print(f"after {seconds * part / 600:.0f} min: {phone.done} requests")
            for name, pid in pids.items():
                was, now = before[name], size(pid)
                print(
                    f"  {name}: {was.resident_mib:.1f} to {now.resident_mib:.1f} MiB, files {was.files} to {now.files},"
                    f" threads {was.threads} to {now.threads}, written {now.written_mib - was.written_mib:.2f} MiB",
                    flush=True,
                )
        most_mb = int(status_of(pids["planner"])["VmHWM"].split()[0]) * 1024 / 1e6
        print(f"planner: {most_mb:.0f} MB at the most, {most_mb / MEMORY_MB:.0%} of {MEMORY_MB} MB")
        for kind, took_s in sorted(phone.slowest.items()):
            print(f"  {kind}: {took_s:.2f} s at the most, {took_s / ANSWER_S:.0%} of {ANSWER_S:g} s")


if __name__ == "__main__":
    main()
