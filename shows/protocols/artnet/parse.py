"""Reads Art-Net packets. No sockets, no state. Facts of the Art-Net 4 specification come from memory."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from typing import NamedTuple

import numpy as np

from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import (
    IDENTIFIER,
    OP_DMX,
    OP_NZS,
    OP_SYNC,
    PORT,
    PORT_ADDRESS_MAX,
    SOURCE_LOSS_NS,
    VERSION,
)
from gloaming.shows.protocols.datagrams import UNMAPPED, Datagrams, Integers, PacketKind, Packets, head_rows
from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.time_units import SECOND_NS

NO_UNIVERSE = "port-address 0:0:0 has no universe of its number: --port-addresses 0:0:0 --universes 1 gives it one"
HEAD_BYTES, SYNC_BYTES = 18, 14
"""A packet of levels up to its first slot; an ArtSync."""
LOW_AT, NET_AT = 14, 15
"""The offsets of the low byte of a port-address, and of its net."""
_HEAD = np.dtype(
    {
        "names": ["identifier", "opcode", "version", "sequence", "port", "low", "net", "slots"],
        "formats": [">u8", "<u2", ">u2", "u1", "u1", "u1", "u1", ">u2"],
        "offsets": [0, 8, 10, 12, 13, LOW_AT, NET_AT, 16],
        "itemsize": HEAD_BYTES,
    }
)
"""`port`: the physical port of the source in ArtDmx, the start code in ArtNzs."""
_NAMED = struct.Struct("<8sH")
_DMX = struct.Struct(">10xHBBBBH")


class DmxHead(NamedTuple):
    """The fields of an ArtDmx packet before its slots. `sequence` 0 is not used. `slots` is their number."""

    sequence: int
    physical: int
    port_address: int
    slots: int


def read_dmx(data: bytes | memoryview) -> DmxHead | None:
    """The head of an ArtDmx packet, or None for any other datagram and for a malformed one. The slots follow the head.

    An odd number of slots is read too: the specification says that it should be even.
    """
    if len(data) <= _DMX.size or _NAMED.unpack_from(data) != (IDENTIFIER, OP_DMX):
        return None
    version, sequence, physical, low, net, slots = _DMX.unpack_from(data)
    if version < VERSION or net > 0x7F or not 1 <= slots <= min(SLOTS_MAX, len(data) - _DMX.size):
        return None
    return DmxHead(sequence, physical, net << 8 | low, slots)


def step(sequence: int, before: int) -> int:
    """The step from one sequence number to another, -127 to 127. The numbers are 1 to 255; 0 is not used."""
    return (sequence - before + 127) % 255 - 127 if sequence and before else 1


def mapping(universes: dict[int, int] | None = None) -> Integers:
    """The universe of each port-address, `(32768,)`, as in `Packets.universe`. `universes` maps port-addresses.

    None: universe n is port-address n. Port-address 0 then has no universe.
    """
    numbers = np.arange(PORT_ADDRESS_MAX + 1)
    table = np.where(numbers > 0, numbers, UNMAPPED) if universes is None else UNMAPPED + numbers
    if universes:
        table[list(universes)] = list(universes.values())
    return table


@dataclass(frozen=True, slots=True)
class ArtNetReader:
    """Art-Net for its receivers. A source is an IPv4 address with a physical port. `universes` is as of `mapping`."""

    universes: Integers = field(default_factory=mapping)

    name = ProtocolName.ARTNET
    port = PORT
    multicast = False
    numbers = 255
    no_number = 0
    data_loss_ns = SOURCE_LOSS_NS
    synchronization_loss_ns = 4 * SECOND_NS

    step = staticmethod(step)

    def read(self, datagrams: Datagrams) -> Packets:
        """As `PacketReader`. Nodes obey an ArtSync from the address of their data alone: data wait for that address."""
        heads = head_rows(datagrams, HEAD_BYTES)
        head = heads.reshape(-1).view(_HEAD)
        size, opcode, slots = datagrams.lengths, head["opcode"], head["slots"].astype(np.int64)
        ours = (head["identifier"] == int.from_bytes(IDENTIFIER)) & (size >= _NAMED.size)
        start_code = np.where(opcode == OP_NZS, head["port"], 0).astype(np.int64)
        data = ours & ((opcode == OP_DMX) | (opcode == OP_NZS))
        sync = ours & (opcode == OP_SYNC)
        well_formed = (head["version"] >= VERSION) & (head["net"] <= 0x7F) & (slots >= 1) & (slots <= SLOTS_MAX)
        well_formed &= (opcode != OP_NZS) | (start_code > 0)
        kind = np.full(len(size), PacketKind.OTHER, np.int64)
        kind[ours] = PacketKind.DISCOVERY
        kind[data | sync] = PacketKind.MALFORMED
        kind[data & well_formed] = PacketKind.DATA
        kind[data & ((size < HEAD_BYTES) | (well_formed & (size < HEAD_BYTES + slots)))] = PacketKind.CUT
        kind[sync & (head["version"] >= VERSION)] = PacketKind.SYNC
        kind[sync & (size < SYNC_BYTES)] = PacketKind.CUT
        sources, source = np.unique(
            datagrams.senders << 8 | np.where(opcode == OP_DMX, head["port"], 0), return_inverse=True
        )
        none = np.zeros(len(size), np.int64)
        return Packets(
            datagrams,
            heads,
            kind,
            source,
            [int(one).to_bytes(5) for one in sources],
            self.universes[(head["net"].astype(np.int64) << 8 | head["low"]) & PORT_ADDRESS_MAX],
            np.where(sync, self.no_number, head["sequence"]).astype(np.int64),
            none,
            none,
            datagrams.senders,
            start_code,
            np.where(kind == PacketKind.DATA, slots, 0),
        )

    def numbering(self, packets: Packets) -> dict[bytes, Integers]:
        """As `PacketReader`."""
        found = {}
        numbered = packets.levelled() & (packets.sequence != self.no_number)
        for number in np.unique(packets.source[numbered]).tolist():
            these = numbered & (packets.source == number)
            sequence, universe = packets.sequence[these], packets.universe[these]
            steps = np.diff(sequence) % 255
            order = np.argsort(universe, kind="stable")
            own = (np.diff(sequence[order]) % 255)[np.diff(universe[order]) == 0]
            sums = [(steps > 0).sum(), (steps == 1).sum(), (own > 0).sum(), (own == 1).sum()]
            found[packets.sources[number]] = np.array(sums, np.int64)
        return found

    def own_bytes(self, size: Integers) -> Integers:
        """As `PacketReader`: by the number of slots."""
        return HEAD_BYTES + size

    def announced(self, packets: Packets) -> set[int]:
        """None: sources of Art-Net announce nothing."""
        return set()

    def source_text(self, packets: Packets, number: int) -> str:
        """Its address, and its physical port if that is not the first."""
        source = packets.sources[packets.source[number]]
        return str(IPv4Address(source[:4])) + (f" (port {source[4]})" if source[4] else "")
