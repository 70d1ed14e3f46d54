"""A receiver of E1.31 that counts packets: received, lost, out of order. It knows nothing of the sender."""

from __future__ import annotations

import socket
import threading
import time
from dataclasses import dataclass, field

from gloaming.shows.protocols.e131 import HEAD_BYTES, OLD_STEPS, PORT, TERMINATED, step
from gloaming.shows.protocols.e131.parse import read_data

BUFFER_BYTES = 16 << 20
PARTING_S = 2.0
"""How long the packets that wait in the socket are read at the end."""


@dataclass
class ReceivedCounts:
    """Counts so far. A packet is out of sequence by E1.31 6.7.2. It is lost if its number is missing.

    A late packet counts as both. A jump back of 20 or more means that a source began anew: nothing is lost.
    """

    packets: int = 0
    lost: int = 0
    out_of_sequence: int = 0
    terminated: int = 0
    sequences: dict[int, int] = field(default_factory=dict)
    levels: dict[int, bytes] = field(default_factory=dict)

    def take(self, data: bytes | memoryview) -> None:
        """Count one datagram. Anything but an E1.31 data packet with start code 0 is ignored."""
        head = read_data(data)
        if head is None or head.start_code:
            return
        universe, sequence = head.universe, head.sequence
        self.packets += 1
        last = self.sequences.get(universe)
        if last is not None:
            ahead = step(sequence, last)
            if ahead in OLD_STEPS:
                self.out_of_sequence += 1
                return
            self.lost += max(0, ahead - 1)
        self.sequences[universe] = sequence
        self.terminated += bool(head.options & TERMINATED)
        self.levels[universe] = bytes(data[HEAD_BYTES:])


class DemoReceiver:
    """Listens on an address in its own thread. OSError if the port is in use."""

    def __init__(self, address: str) -> None:
        self.counts = ReceivedCounts()
        self._sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
        try:
            self._sock.bind((address, PORT))
        except OSError:
            self._sock.close()
            raise
        self._sock.settimeout(0.2)
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="receiver", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> ReceivedCounts:
        """Read the packets that wait in the socket, then end. Returns the final counts."""
        self._ending.set()
        self._thread.join()
        self._sock.close()
        return self.counts

    def _run(self) -> None:
        data = bytearray(2048)
        view = memoryview(data)
        until_s = float("inf")
        while time.monotonic() < until_s:
            if until_s == float("inf") and self._ending.is_set():
                until_s = time.monotonic() + PARTING_S  # another source may send here too, without an end
            try:
                length = self._sock.recv_into(data)
            except TimeoutError:
                if self._ending.is_set():
                    return
                continue
            self.counts.take(view[:length])
