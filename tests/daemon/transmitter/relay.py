"""A network path that loses, delays and reorders packets, and a receiver at its far end.

A loop in this process connects two TAP devices, since many kernels lack a network emulator.
"""

from __future__ import annotations

import fcntl
import heapq
import os
import random
import select
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

import pytest

from tests.daemon.transmitter.process_harness import Street
from tests.namespaces import in_namespace

_TUNSETIFF, _IFF_TAP, _IFF_NO_PI = 0x400454CA, 2, 0x1000
FAR = "198.51.100.21"


class Relay:
    """Carries Ethernet frames between two TAP devices, both ways.

    Each is lost with the probability `loss`, or comes `delay_ms` later, plus or minus up to `jitter_ms`, so that later
    frames may overtake it.
    """

    def __init__(self, ends: list[int], delay_ms: float, jitter_ms: float, loss: float, seed: int) -> None:
        self.delay_ms, self.jitter_ms, self.loss = delay_ms, jitter_ms, loss
        self.lost = 0
        self._ends, self._chance = ends, random.Random(seed)  # not a secret
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        numbers = count()
        under_way: list[tuple[float, int, int, bytes]] = []
        while not self._ending.is_set():
            wait_s = max(0.0, under_way[0][0] - time.monotonic()) if under_way else 0.1
            for end in select.select(self._ends, [], [], min(0.1, wait_s))[0]:
                data, other = os.read(end, 65_536), self._ends[end == self._ends[0]]
                if self._chance.random() < self.loss:
                    self.lost += 1
                    continue
                late_s = (self.delay_ms + self._chance.uniform(-1, 1) * self.jitter_ms) / 1000
                heapq.heappush(under_way, (time.monotonic() + late_s, next(numbers), other, data))
            while under_way and under_way[0][0] <= time.monotonic():
                _, _, end, data = heapq.heappop(under_way)
                os.write(end, data)

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        for end in self._ends:
            os.close(end)


def _tap(name: str) -> int:
    """A TAP device: this process reads what the kernel sends, and the kernel receives what this process writes."""
    end = os.open("/dev/net/tun", os.O_RDWR)
    fcntl.ioctl(end, _TUNSETIFF, struct.pack("16sH22x", name.encode(), _IFF_TAP | _IFF_NO_PI))
    return end


@contextmanager
def bad_path(there: Street, delay_ms: float, jitter_ms: float, loss: float, seed: int) -> Iterator[Relay]:
    """A second, bad cable between sender and receiver, from 198.51.100.1 to `FAR`."""
    if not Path("/dev/net/tun").exists():
        pytest.skip("this kernel has no TAP devices")
    ends = []
    for name, address in ((there.sender, "198.51.100.1"), (there.receiver, FAR)):
        ends.append(in_namespace(name, lambda: _tap("bad0")))
        there.run(name, "ip", "addr", "add", f"{address}/24", "dev", "bad0")
        there.run(name, "ip", "link", "set", "bad0", "up")
    relay = Relay(ends, delay_ms, jitter_ms, loss, seed)  # after both devices are up
    try:
        yield relay
    finally:
        relay.close()


def out_of_sequence(before: int | None, number: int) -> bool:
    """E1.31 6.7.2: by signed 8-bit arithmetic, a packet no more than 20 behind the last one is discarded."""
    if before is None:
        return False
    ahead = (number - before + 128 & 0xFF) - 128
    return -20 < ahead <= 0


@dataclass
class Receiver:
    """Follows E1.31 6.7.2 and 11: holds data until the synchronization packet.

    `kept` is the number of frames for which it has room. With 0 it follows the standard alone and shows whatever it
    holds. With 1 it shows a frame only if all its data have the number of the synchronization packet. The standard does
    not require equal numbers; our sources send them. With more it also waits for overtaken packets.
    """

    universes: int
    kept: int
    discarded: int = 0
    shown: list[dict[int, bytes]] = field(default_factory=list)
    _before: dict[object, int] = field(default_factory=dict)
    _held: dict[int, tuple[int, bytes]] = field(default_factory=dict)
    _frames: dict[int, dict[int, bytes]] = field(default_factory=dict)
    _due: list[int] = field(default_factory=list)

    def take(self, packet: bytes) -> None:
        """Take a packet: table 4-1 (data, vector 4) or table 4-2 (synchronization, vector 8)."""
        if packet[21] == 4:
            universe = int.from_bytes(packet[113:115], "big")
            self._data(universe, packet[111], packet[126:])
        else:
            self._synchronization(packet[44])

    def _late(self, stream: object, number: int) -> bool:
        late = out_of_sequence(self._before.get(stream), number)
        self.discarded += late
        if not late:
            self._before[stream] = number
        return late

    def _data(self, universe: int, number: int, slots: bytes) -> None:
        if self.kept > 1:
            self._frames.setdefault(number, {})[universe] = slots
            for old in list(self._frames)[: -self.kept]:
                del self._frames[old]
            self._show_due()
        elif not self._late(universe, number):
            self._held[universe] = (number, slots)

    def _synchronization(self, number: int) -> None:
        if self.kept > 1:
            self._due.append(number)
            self._show_due()
        elif not self._late("synchronization", number):
            whole = len(self._held) == self.universes and {at for at, _ in self._held.values()} == {number}
            if whole or not self.kept:
                self.shown.append({universe: slots for universe, (_, slots) in self._held.items()})

    def _show_due(self) -> None:
        for number in self._due:
            if len(self._frames.get(number, ())) == self.universes:
                if not self._late("shown", number):
                    self.shown.append(self._frames.pop(number))
                self._due.remove(number)
                return
        del self._due[: -self.kept]
