"""Reads DDP packets, written without the code that sends them.

From memory of the public specification alone: "Distributed Display Protocol (DDP)", http://www.3waylabs.com/ddp/, its
section on the packet header. Its names of the bits are V V x T S R Q P (flags), x x x x n n n n (sequence) and
C R T T T S S S (data type).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Packet:
    """A packet with data. `kind` has T, 1 for RGB and 3 for RGBW, and S, 3 for 8 bits a colour; 0 is not defined."""

    timecode: int | None
    storage: bool
    reply: bool
    query: bool
    push: bool
    sequence: int
    kind: tuple[int, int]
    destination: int
    offset: int
    data: bytes


def read(packet: bytes) -> Packet:
    """A packet as the specification describes it; AssertionError for one that breaks its rules."""
    flags, number, data_type, destination, offset, length = struct.unpack_from(">BBBBIH", packet)
    assert flags >> 6 == 1, "version 1"
    assert not flags & 0x20 and not number & 0xF0, "reserved bits are 0"
    at = 14 if flags & 0x10 else 10
    timecode = struct.unpack_from(">I", packet, 10)[0] if at == 14 else None
    assert len(packet) == at + length <= at + 1440, "at most 1440 bytes of data"
    assert not data_type & 0xC0, "a data type of the specification"
    kind = data_type >> 3 & 7, data_type & 7
    assert kind[1] <= 6, "1, 4, 8, 16, 24 or 32 bits"
    assert 1 <= destination <= 255
    storage, reply, query, push = (bool(flags & bit) for bit in (8, 4, 2, 1))
    return Packet(timecode, storage, reply, query, push, number, kind, destination, offset, packet[at:])


@dataclass
class Pixels:
    """A controller: holds what came at each offset, and shows all of it at a push. Repeated packets count once."""

    held: bytearray = field(default_factory=bytearray)
    shown: list[bytes] = field(default_factory=list)
    _last: tuple[int, int] | None = None

    def take(self, packet: Packet) -> None:
        if packet.sequence and (packet.sequence, packet.offset) == self._last:
            return
        self._last = packet.sequence, packet.offset
        end = packet.offset + len(packet.data)
        self.held.extend(bytes(max(0, end - len(self.held))))
        self.held[packet.offset : end] = packet.data
        if packet.push:
            self.shown.append(bytes(self.held))
