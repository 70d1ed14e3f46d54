"""The watch for other sources: what it costs while another source sends 96 universes, 40 times a second.

    python -m tests.bench.watch [--seconds N] [--rounds N]

As root (it makes two network namespaces and a cable between them). A transmitter that plays nothing watches 96
universes of E1.31, then of Art-Net. In turn nobody sends, or another source: multicast of E1.31 on our universes,
broadcast of Art-Net on our port-addresses, and on others. A share is CPU time of the transmitter, all threads, in
percent of one core. The other source's time for a packet has what the kernel does to deliver it, as the cable leads to
the same machine. Nothing is asserted: other load on the machine moves the figures.
"""

from __future__ import annotations

import argparse
import itertools
import socket
import statistics
import tempfile
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from sacn import DataPacket

from tests.artnet_packets import art_dmx
from tests.bench.transmit import measure
from tests.daemon.transmitter.process_harness import Street, TransmitterProcess, running_transmitter, street, universe
from tests.namespaces import in_namespace

UNIVERSES, FPS, SLOTS = range(1, 97), 40, 512
BROADCAST, RIVAL = "192.0.2.255", "192.0.2.21"
Packets = Sequence[tuple[bytes, tuple[str, int]]]
E131: Packets = [
    (
        bytes(DataPacket(tuple(range(16)), "Harbour office", number, (7,) * SLOTS).getBytes()),
        (f"239.255.0.{number}", 5568),
    )
    for number in UNIVERSES
]
OURS: Packets = [(art_dmx(1, 0, number, bytes(SLOTS)), (BROADCAST, 6454)) for number in UNIVERSES]
STRANGE: Packets = [(art_dmx(1, 0, 1000 + number, bytes(SLOTS)), (BROADCAST, 6454)) for number in UNIVERSES]

RIGS: dict[str, dict[str, Packets]] = {
    "e131": {"E1.31, nobody sends": (), "E1.31 on our universes": E131},
    "artnet": {
        "Art-Net, nobody sends": (),
        "Art-Net on our port-addresses": OURS,
        "Art-Net on other port-addresses": STRANGE,
    },
}
"""For each protocol of the rig, what others send."""


class Rival:
    """Sends packets 40 times a second, in a thread. `each_us` is its CPU time for a packet."""

    def __init__(self, there: Street, packets: Packets) -> None:
        self._packets, self._ending, self.each_us = packets, threading.Event(), 0.0
        self._sock = in_namespace(there.receiver, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        self._sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(RIVAL))
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        begin_s, frames, due_s = time.thread_time(), 0, time.monotonic()
        while not self._ending.is_set():
            for data, to in self._packets:
                self._sock.sendto(data, to)
            frames, due_s = frames + 1, due_s + 1 / FPS
            time.sleep(max(0.0, due_s - time.monotonic()))
        if self._packets:
            self.each_us = 1e6 * (time.thread_time() - begin_s) / (frames * len(self._packets))

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        self._sock.close()


def share(there: Street, transmitter: TransmitterProcess, packets: Packets, seconds: float) -> tuple[float, float, int]:
    """The transmitter's share, the other source's microseconds a packet, and how many universes of it are heard."""
    rival = Rival(there, packets)
    time.sleep(2)
    found = measure(transmitter.process.pid, seconds)
    transmitter.heard.clear()
    now_ns = time.time_ns()
    said = transmitter.wait_for("telemetry", lambda said: said["at_ns"] > now_ns)
    rival.close()
    return found, rival.each_us, sum(one["universe_count"] for one in said["other_sources"])


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.watch")
    parser.add_argument("--seconds", type=float, default=10)
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    found: dict[str, list[tuple[float, float, int]]] = {}
    with street() as there:
        for _, (protocol, rivals) in itertools.product(range(args.rounds), RIGS.items()):
            with (
                tempfile.TemporaryDirectory() as folder,
                running_transmitter(Path(folder), there.sender) as transmitter,
            ):
                rig = [
                    universe(number, RIVAL)
                    | {"protocol": protocol, "port_address": number if protocol == "artnet" else None}
                    for number in UNIVERSES
                ]
                transmitter.setup(rig, interface="out0")
                transmitter.wait_for("telemetry", lambda said: said["watched"] == len(UNIVERSES))
                for name, packets in rivals.items():
                    found.setdefault(name, []).append(share(there, transmitter, packets, args.seconds))
    for name, rounds in found.items():
        shares = " ".join(f"{one:.2f}" for one, _, _ in rounds)
        each_us = statistics.median(one for _, one, _ in rounds)
        heard = " ".join(str(one) for _, _, one in rounds)
        print(f"{name:45} CPU % {shares};  {each_us:.1f} us a packet;  universes heard: {heard}")
    added = [
        [busy[0] - quiet[0] for quiet, busy in zip(found[f"{one}, nobody sends"], found[name], strict=True)]
        for one, name in (("E1.31", "E1.31 on our universes"), ("Art-Net", "Art-Net on our port-addresses"))
    ]
    ratio = statistics.median(artnet / e131 for e131, artnet in zip(*added, strict=True))
    print(f"what Art-Net adds, against what E1.31 adds: ratio {ratio:.2f}")


if __name__ == "__main__":
    main()
