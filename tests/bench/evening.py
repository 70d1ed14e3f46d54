"""`python -m tests.bench.evening [SECONDS]`: what one evening's processes cost, and how soon they answer.

24 universes at 40 frames a second on loopback, read by a plain socket whose packets the kernel stamps as they arrive.
The times and sizes are of this run on this machine; each is given as a share of what is allowed.
"""

from __future__ import annotations

import socket
import struct
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.api.evening import Evening
from tests.waiting import wait_until

UNIVERSES, FPS = 24, 40
SO_TIMESTAMPNS = 35
STAMP = struct.Struct("<qq")
MIB = 1 << 20


@dataclass
class Stamped:
    """A receiver: kernel time stamp, universe, sequence and the highest level of each packet."""

    address: str
    packets: list[tuple[int, int, int, int]] = field(default_factory=list)

    def start(self) -> None:
        self._sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 32 << 20)
        self._sock.bind((self.address, 5568))
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        while True:
            data, more, _, _ = self._sock.recvmsg(2048, 64)
            if data[18:22] != b"\0\0\0\4" or data[112] & 0x40:
                continue
            seconds, nanos = STAMP.unpack(more[0][2][:16])
            universe = int.from_bytes(data[113:115], "big")
            self.packets.append((seconds * 10**9 + nanos, universe, data[111], max(data[126:])))

    def after(self, at_ns: int, level: str) -> int | None:
        """When the first packet of universe 1 came, after an instant, that is `black`, `dimmer` than full, or `lit`."""
        for stamp, universe, _, highest in self.packets[-20_000:]:
            fits = {"black": highest == 0, "dimmer": highest < 200, "lit": highest > 0}[level]
            if universe == 1 and stamp > at_ns and fits:
                return stamp
        return None


def rss(pid: int) -> int:
    """Resident memory in bytes, shared pages counted by halves (PSS)."""
    rows = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    return int(next(row for row in rows if row.startswith("Pss:")).split()[1]) * 1024


def line(what: str, value: float, unit: str, allowed: float) -> None:
    print(f"{what:<58}{value:>10.3f} {unit:<7}{value / allowed:>7.2f} of {allowed:g} {unit}")


def main() -> None:
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    with tempfile.TemporaryDirectory() as folder:
        evening = Evening(Path(folder) / "site", "127.0.62.1", f"1-{UNIVERSES}")
        frames = np.random.default_rng(7).integers(1, 201, (FPS * 120, UNIVERSES * 510), np.uint8)
        frames[:, ::510] = 200
        evening.write(frames)
        del frames
        receiver = Stamped("127.0.62.1")
        receiver.start()
        started_ns = time.time_ns()
        with evening.running():
            now = evening.now()
            line("start of the planner until it answers /api/now", (time.time_ns() - started_ns) / 1e9, "s", 3)
            wait_until(lambda: receiver.packets, "a packet")
            # `run` first checks the site in a process of its own; the transmitter starts after that
            pid = evening.pid("transmitter")
            born = float(Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[19]) / 100
            boot_ns = time.time_ns() - time.clock_gettime_ns(time.CLOCK_BOOTTIME)
            first = (receiver.packets[0][0] - boot_ns) / 1e9 - born
            line("start of the transmitter until its first packet", first, "s", 0.6)
            time.sleep(2)
            measure_pauses(evening, receiver)
            begin = len(receiver.packets)
            time.sleep(seconds)
            both = rss(evening.pid("transmitter")) + rss(evening.pid("planner"))
            line("memory of planner and transmitter", both / MIB, "MiB", 150)
            now = evening.now()
            packets = receiver.packets[begin:]
        report_loss(packets, now)


def measure_pauses(evening: Evening, receiver: Stamped) -> None:
    """From the request over HTTP to black, and back."""
    for _ in range(3):
        asked = time.time_ns()
        _, pause = evening.ask("POST", "/api/overrides", {"kind": "pause", "minutes": 5})
        fading = wait_until(lambda asked=asked: receiver.after(asked, "dimmer"), "a fade")
        black = wait_until(lambda asked=asked: receiver.after(asked, "black"), "black")
        line("pause over HTTP to the first dimmer frame", (fading - asked) / 1e6, "ms", 300)
        line("pause over HTTP to the first black frame", (black - asked) / 1e6, "ms", 1000 + 2 * 25)
        time.sleep(0.5)
        asked = time.time_ns()
        evening.ask("DELETE", f"/api/overrides/{pause['id']}")
        lit = wait_until(lambda asked=asked: receiver.after(asked, "lit"), "light")
        line("resume over HTTP to the first lit frame", (lit - asked) / 1e6, "ms", 2 * 25 + 25)
        time.sleep(1.5)


def report_loss(packets: list[tuple[int, int, int, int]], now: dict[str, object]) -> None:
    """Sequence by sequence, universe by universe."""
    last: dict[int, int] = {}
    faults = 0
    for _, universe, sequence, _ in packets:
        faults += universe in last and sequence != (last[universe] + 1) & 0xFF
        last[universe] = sequence
    health = now["health"]
    assert isinstance(health, dict)
    told = health["transmitter"]
    print(f"universes {len(last)}, packets {len(packets)}, lost or out of sequence {faults}")
    print(f"frames due {told['frames_due']}, sent {told['frames_sent']}, lateness {told['lateness_us']} us")


if __name__ == "__main__":
    main()
