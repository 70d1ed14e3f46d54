"""Builds Art-Net packets: the `PacketProtocol` of the transmitter.

Facts of the Art-Net 4 specification come from memory. Tests compare them with tshark and with another program.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from gloaming.shows.framefile.layout import max_refresh_hz
from gloaming.shows.protocols.artnet import BROADCAST, OP_DMX, OP_SYNC, PORT, head
from gloaming.shows.protocols.packets import (
    Bytes,
    KeepAlive,
    PacketBlock,
    Portion,
    Synchronization,
    one_for_each_universe,
)

_SEQUENCE, _PORT_ADDRESS, _SLOTS = 12, 14, 18
"""Where they begin in an ArtDmx packet."""


@dataclass(frozen=True, eq=False)
class ArtNet:
    """Art-Net with the settings of a setup. `port_addresses` has that of each universe.

    `broadcast` is the broadcast address of the interface. With `synchronizes` an ArtSync follows each frame. The first
    packets have the sequence number after `sequence_from`.
    """

    port_addresses: Mapping[int, int]
    broadcast: str
    synchronizes: bool = False
    sequence_from: int = 0

    port = PORT
    keep_alive = KeepAlive(packets=3, every_ns=900_000_000)
    """A controller may take data as lost that are not repeated for 4 s."""
    endings = 3
    """Nothing in the packets ends a stream. Black is sent three times more, as a controller keeps its last frame."""
    counts_alike = False
    announce_ns = None

    def blocks(self, portions: Sequence[Portion]) -> tuple[PacketBlock, ...]:
        """An ArtDmx packet for each universe. An odd number of slots gets a 0 more."""
        made = []
        for one, rows in one_for_each_universe(portions, self._address):
            length = one.slots + one.slots % 2
            packets = np.zeros((len(rows), _SLOTS + length), np.uint8)
            begins = head(OP_DMX) + struct.pack(">BBHH", self.sequence_from, 0, 0, length)
            packets[:, :_SLOTS] = np.frombuffer(begins, np.uint8)
            numbers = np.array([[self.port_addresses[number] for number in row.universes] for row in rows], "<u2")
            packets[:, _PORT_ADDRESS : _PORT_ADDRESS + 2] = numbers.view(np.uint8)
            data, sequences = packets[:, _SLOTS : _SLOTS + one.slots], packets[:, _SEQUENCE]
            made.append(PacketBlock(self, one.host, rows, packets, data, sequences, one.lead_ns, one.offset_ns))
        return tuple(made)

    def _address(self, host: str, universe: int) -> str:
        return self.broadcast if host == BROADCAST else host

    def max_refresh_hz(self, slots: int) -> float:
        """The rate of E1.11: what DMX512 can pass on."""
        return max_refresh_hz(slots)

    def count(self, sequences: Bytes, step: int = 1) -> None:
        """Increment; 1 follows 255. With 0 a controller would not look at the order."""
        sequences[:] = (sequences - 1 + step) % 255 + 1

    def mark_end(self, block: PacketBlock, ends: bool) -> None:
        """No field of a packet says it."""

    def synchronization(self) -> Synchronization | None:
        """An ArtSync packet. It has no sequence number."""
        if not self.synchronizes:
            return None
        packet = np.frombuffer(head(OP_SYNC) + bytes(2), np.uint8).copy()
        return Synchronization(packet, packet[:0])

    def synchronization_to(self, host: str) -> tuple[str, str]:
        """One ArtSync is for all hosts."""
        return BROADCAST, self.broadcast

    def announcements(self, universes: tuple[int, ...], ipv6: bool) -> tuple[tuple[str, bytes], ...]:
        """There are none."""
        return ()
