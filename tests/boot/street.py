"""What hangs outside: reads the packets on the street's end of the cable, by the offsets of ANSI E1.31-2018."""

from __future__ import annotations

import socket
import threading
import time
from dataclasses import dataclass

FRAME_BYTES_MAX = 1144


@dataclass(frozen=True, slots=True)
class Packet:
    """A data packet: when it came (wall clock), and what E1.31 table 4-1 and 7-1 name at these offsets."""

    at_ns: int
    cid: bytes
    sequence: int
    terminated: bool
    universe: int
    slots: bytes

    @property
    def black(self) -> bool:
        return not any(self.slots)

    @property
    def frame(self) -> int:
        """The number that the test's frame files carry in their first two slots, from 1."""
        return self.slots[0] << 8 | self.slots[1]


def read(data: bytes, at_ns: int) -> Packet | None:
    """A data packet (root vector 4, framing vector 2), or None for another."""
    if data[4:16] != b"ASC-E1.17\0\0\0" or data[18:22] != b"\0\0\0\x04" or data[40:44] != b"\0\0\0\x02":
        return None
    universe = int.from_bytes(data[113:115], "big")
    return Packet(at_ns, data[22:38], data[111], bool(data[112] & 0x40), universe, data[126:])


class Street:
    """Listens until closed; `packets` grows."""

    def __init__(self, sock: socket.socket) -> None:
        self.packets: list[Packet] = []
        self._socket = sock
        self._closing = False
        sock.settimeout(0.5)
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while not self._closing:
            try:
                data = self._socket.recv(FRAME_BYTES_MAX)
            except TimeoutError:
                continue
            if packet := read(data, time.time_ns()):
                self.packets.append(packet)

    def since(self, at_ns: int) -> list[Packet]:
        return [packet for packet in self.packets.copy() if packet.at_ns >= at_ns]

    def lit(self, at_ns: int) -> list[Packet]:
        return [packet for packet in self.since(at_ns) if not packet.black]

    def close(self) -> None:
        self._closing = True
        self._thread.join()
        self._socket.close()
