"""Builds E1.31 packets: the `PacketProtocol` of the transmitter. Templates come from the `sacn` library.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv6Address
from uuid import UUID

import numpy as np
from sacn import DataPacket
from sacn.messages.sync_packet import SyncPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from gloaming.shows.framefile.layout import max_refresh_hz
from gloaming.shows.protocols.e131 import (
    DISCOVERY_NS,
    DISCOVERY_UNIVERSE,
    FIELDS,
    FLAGS,
    HEAD_BYTES,
    IPV4,
    IPV6,
    PAGE_UNIVERSES,
    PORT,
    TERMINATED,
    group,
    group_ipv6,
)
from gloaming.shows.protocols.packets import (
    Bytes,
    KeepAlive,
    PacketBlock,
    Portion,
    Synchronization,
    one_for_each_universe,
)

_SEQUENCE, _OPTIONS, _UNIVERSE, _SYNC_SEQUENCE = (
    FIELDS[name][0] for name in ("sequence", "options", "universe", "sync_sequence")
)


@dataclass(frozen=True, eq=False)
class E131:
    """E1.31 with the settings of a setup. The first packets have the sequence number after `sequence_from`."""

    cid: UUID
    source_name: str
    priority: int
    synchronization_universe: int = 0
    """6.2.4. 0: receivers show data at once."""
    preview: bool = False
    sequence_from: int = 0

    port = PORT
    keep_alive = KeepAlive(packets=3, every_ns=900_000_000)
    """6.6.2: three packets, then one every 800 to 1000 ms."""
    endings = 3
    """6.2.6."""
    counts_alike = True
    """Data and synchronization packets of a frame have equal numbers."""
    announce_ns = DISCOVERY_NS

    def blocks(self, portions: Sequence[Portion]) -> tuple[PacketBlock, ...]:
        """One packet for each universe."""
        made = []
        for one, rows in one_for_each_universe(portions, address_of):
            packets = np.tile(self._template(one.slots), (len(rows), 1))
            numbers = np.array([row.universes for row in rows], ">u2")
            packets[:, _UNIVERSE : _UNIVERSE + 2] = numbers.view(np.uint8)
            packets[:, _SEQUENCE] = self.sequence_from
            data, sequences = packets[:, HEAD_BYTES:], packets[:, _SEQUENCE]
            made.append(PacketBlock(self, one.host, rows, packets, data, sequences, one.lead_ns, one.offset_ns))
        return tuple(made)

    def _template(self, slots: int) -> Bytes:
        """A data packet of `slots` slots, all at 0, with its three lengths set (5.4, 6.1, 7.1)."""
        packet = DataPacket(
            tuple(self.cid.bytes),
            self.source_name,
            1,
            priority=self.priority,
            previewData=self.preview,
            sync_universe=self.synchronization_universe,
        )
        raw = np.array(packet.getBytes(), dtype=np.uint8)[: HEAD_BYTES + slots]
        for layer in ("root_size", "framing_size", "dmp_size"):
            at = FIELDS[layer][0]
            length = HEAD_BYTES + slots - at
            raw[at : at + 2] = ((FLAGS | length) >> 8, length & 0xFF)
        at = FIELDS["values"][0]
        raw[at : at + 2] = ((slots + 1) >> 8, (slots + 1) & 0xFF)
        return raw

    def max_refresh_hz(self, slots: int) -> float:
        """The rate of E1.11 (6.6.1)."""
        return max_refresh_hz(slots)

    def count(self, sequences: Bytes, step: int = 1) -> None:
        """Increment; 0 follows 255 (6.7.2)."""
        np.add(sequences, step, out=sequences)

    def mark_end(self, block: PacketBlock, ends: bool) -> None:
        """Set or clear Stream_Terminated (6.2.6)."""
        if ends:
            block.packets[:, _OPTIONS] |= TERMINATED
        else:
            block.packets[:, _OPTIONS] &= 0xFF ^ TERMINATED

    def synchronization(self) -> Synchronization | None:
        """The packet of 6.3. It has its own sequence numbers."""
        if not self.synchronization_universe:
            return None
        packet = np.array(SyncPacket(tuple(self.cid.bytes), self.synchronization_universe).getBytes(), np.uint8)
        sequences = packet[_SYNC_SEQUENCE : _SYNC_SEQUENCE + 1]
        sequences[:] = self.sequence_from
        return Synchronization(packet, sequences)

    def synchronization_to(self, host: str) -> tuple[str, str]:
        return host, address_of(host, self.synchronization_universe)

    def announcements(self, universes: tuple[int, ...], ipv6: bool) -> tuple[tuple[str, bytes], ...]:
        """Universe discovery (6.4, 8): sorted pages of 512 universes; one empty page if nothing is sent."""
        numbers = sorted({*universes, self.synchronization_universe} - {0}) if universes else []
        pages = [tuple(numbers[at : at + PAGE_UNIVERSES]) for at in range(0, len(numbers), PAGE_UNIVERSES)] or [()]
        name, last = self.source_name, len(pages) - 1
        packets = [
            bytes(UniverseDiscoveryPacket(tuple(self.cid.bytes), name, page, number, last).getBytes())
            for number, page in enumerate(pages)
        ]
        addresses = [address_of(host, DISCOVERY_UNIVERSE) for host in (IPV4, *((IPV6,) if ipv6 else ()))]
        return tuple((address, packet) for address in addresses for packet in packets)


def address_of(host: str, universe: int) -> str:
    """The address of a universe: the host, or its multicast group."""
    if host == IPV4:
        return str(IPv4Address(group(universe)))
    if host == IPV6:
        return str(IPv6Address(group_ipv6(universe)))
    return host
