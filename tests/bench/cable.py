"""Two cables out for ten minutes, of twenty controllers: what becomes of them, and of the others.

    python -m tests.bench.cable [--minutes N]            as root

One controller hangs on a cable of the sender's own, which loses its carrier; one behind a switch, where only the far
cable is pulled, so that the sender's packets leave and nobody answers its questions for the address; eighteen on a good
cable. All in network namespaces of its own. Packets are counted in the receivers' namespaces.
"""

from __future__ import annotations

import argparse
import select
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

from tests.daemon.transmitter.process_harness import (
    SECOND_NS,
    Street,
    TransmitterProcess,
    listen_on,
    moving,
    running_transmitter,
    segment,
    street,
    universe,
    write_frames,
)
from tests.namespaces import in_namespace, namespaces

OTHERS = [f"192.0.2.{21 + number}" for number in range(18)]
OWN, BEHIND = "198.51.100.21", "203.0.113.21"
SETTLE_S = 12.0


class Box:
    """Counts what comes to an address: packets, those missing by their sequence numbers, the longest silence."""

    def __init__(self, host: str, namespace: str, interface: str) -> None:
        self.host = host
        self.sock = in_namespace(namespace, lambda: listen_on(host, interface))
        self.packets = self.missing = 0
        self.longest_s, self.last_s = 0.0, time.monotonic()
        self._before: int | None = None

    def read(self) -> None:
        while True:
            try:
                data = self.sock.recv(2048)
            except BlockingIOError:
                return
            now_s = time.monotonic()
            if self._before is not None:
                self.missing += (data[111] - self._before - 1) & 0xFF
                self.longest_s = max(self.longest_s, now_s - self.last_s)
            self._before, self.last_s, self.packets = data[111], now_s, self.packets + 1


class Boxes:
    """Reads all boxes in a thread."""

    def __init__(self, boxes: list[Box]) -> None:
        self.boxes = {box.host: box for box in boxes}
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        by_sock = {box.sock: box for box in self.boxes.values()}
        while not self._ending.is_set():
            for sock in select.select(list(by_sock), [], [], 0.1)[0]:
                by_sock[sock].read()

    def since(self, host: str, at_s: float, patience_s: float = 120.0) -> float | None:
        """How long after an instant the first packet came, None where none does."""
        while time.monotonic() < at_s + patience_s:
            if self.boxes[host].last_s > at_s:
                return self.boxes[host].last_s - at_s
            time.sleep(0.002)
        return None

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        for box in self.boxes.values():
            box.sock.close()


@contextmanager
def more_cables(there: Street) -> Iterator[tuple[str, str]]:
    """A second cable of the sender's, and a third to a switch with one more box behind it: the names of both."""
    with namespaces("switch", "far") as (switch, far):
        cables = ((there.sender, "out1", there.receiver, "in1"), (there.sender, "out2", switch, "s0"))
        for near, one, other_side, other in (*cables, (switch, "s1", far, "f0")):
            there.run(near, "ip", "link", "add", one, "type", "veth", "peer", other, "netns", other_side)
        there.run(switch, "ip", "link", "add", "br0", "type", "bridge")
        for port in ("s0", "s1"):
            there.run(switch, "ip", "link", "set", port, "master", "br0")
        for name, address, interface in (
            (there.sender, "198.51.100.1", "out1"),
            (there.receiver, OWN, "in1"),
            (there.sender, "203.0.113.1", "out2"),
            (far, BEHIND, "f0"),
        ):
            there.run(name, "ip", "addr", "add", f"{address}/24", "dev", interface)
        ends = ((there.sender, "out1"), (there.receiver, "in1"), (there.sender, "out2"), (far, "f0"))
        for name, interface in (*ends, (switch, "br0"), (switch, "s0"), (switch, "s1")):
            there.run(name, "ip", "link", "set", interface, "up")
        yield switch, far


def listen_to(transmitter: TransmitterProcess, until_s: float) -> None:
    while time.monotonic() < until_s:
        transmitter.wait_for("telemetry")


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.cable")
    parser.add_argument("--minutes", type=float, default=10.0)
    minutes = parser.parse_args().minutes
    with tempfile.TemporaryDirectory() as folder, street(hosts=len(OTHERS)) as there:
        frames = np.random.default_rng(5).integers(1, 256, (400, 20 * 500), np.uint8)
        film = write_frames(Path(folder) / "film.frames", frames, slots=500)
        with more_cables(there) as (switch, far), running_transmitter(Path(folder), there.sender) as transmitter:
            boxes = Boxes(
                [Box(host, there.receiver, "in0") for host in OTHERS]
                + [Box(OWN, there.receiver, "in1"), Box(BEHIND, far, "f0")]
            )
            hosts = [*OTHERS, OWN, BEHIND]
            transmitter.setup([universe(at + 1, host, slots=500) for at, host in enumerate(hosts)], interface="out0")
            transmitter.dark()
            now = time.time_ns()
            length_ns = int((minutes * 60 + 300) * SECOND_NS)
            transmitter.score(segment(now, now + length_ns, **moving(film, 400)))
            listen_to(transmitter, time.monotonic() + SETTLE_S)
            pulled_s = time.monotonic()
            there.run(there.receiver, "ip", "link", "set", "in1", "down")
            there.run(switch, "ip", "link", "set", "s1", "down")
            listen_to(transmitter, pulled_s + minutes * 60)
            put_s = time.monotonic()
            there.run(there.receiver, "ip", "link", "set", "in1", "up")
            there.run(switch, "ip", "link", "set", "s1", "up")
            again_s = {host: boxes.since(host, put_s) for host in (OWN, BEHIND)}
            listen_to(transmitter, time.monotonic() + SETTLE_S)
            last = transmitter.end()
            boxes.close()
    report(minutes, last, boxes, again_s, transmitter)


def report(
    minutes: float,
    last: dict[str, int],
    boxes: Boxes,
    again_s: dict[str, float | None],
    transmitter: TransmitterProcess,
) -> None:
    print(f"two of twenty cables out for {minutes:g} minutes")
    names = ("frames_due", "frames_sent", "frames_late", "frames_dropped", "send_errors")
    print("  " + ", ".join(f"{name.replace('_', ' ')} {last[name]}" for name in names))
    lines = [one for one in transmitter.heard if one["op"] == "trouble"]
    said = Counter((one["subject"], "over" if one["over"] else one["text"]) for one in lines)
    others = [boxes.boxes[host] for host in OTHERS]
    for host, name in ((OWN, "the sender's own cable"), (BEHIND, "behind a switch")):
        box, again = boxes.boxes[host], again_s[host]
        flows = "no packet came again" if again is None else f"packets flow again after {again:.2f} s"
        print(f"  {name}: received {box.packets}, missing {others[0].packets - box.packets}, {flows}")
        for (subject, text), count in said.items():
            if subject == host:
                print(f"    said {count} times: {text}")
    received, missing = sum(box.packets for box in others), sum(box.missing for box in others)
    longest_s = max(box.longest_s for box in others)
    print(f"  the other eighteen: received {received}, missing {missing}, longest silence {longest_s:.3f} s,", end=" ")
    print(f"{sum(subject in OTHERS for subject, _ in said.elements())} lines about them")


if __name__ == "__main__":
    main()
