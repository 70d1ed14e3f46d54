"""E1.31 packets as bytes in arrays, patched in place. No sockets, no clock.

Templates come from the `sacn` library; section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv6Address

import numpy as np
import numpy.typing as npt
from sacn import DataPacket
from sacn.messages.sync_packet import SyncPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from gloaming.daemon.score.setup import IPV4, IPV6, Heading, Target
from gloaming.shows.protocols.e131 import FIELDS, FLAGS, HEAD_BYTES, PAGE_UNIVERSES, group, group_ipv6

Bytes = npt.NDArray[np.uint8]

SEQUENCE, OPTIONS, SYNC_SEQUENCE = (FIELDS[name][0] for name in ("sequence", "options", "sync_sequence"))
PART_NS_MIN = 500_000
"""Packets that are spread go out in parts that follow each other no closer than this."""


@dataclass
class Block:
    """Packets of one length that go out together: `packets` is `(universes, 126 + slots) uint8`, a row a universe.

    They leave `lead_ns` before their frame is due, and `offset_ns` later where packets are spread.
    """

    host: str
    universes: tuple[int, ...]
    slots: int
    packets: Bytes
    lead_ns: int
    offset_ns: int
    data: Bytes = field(init=False)

    def __post_init__(self) -> None:
        self.data = self.packets[:, HEAD_BYTES:]

    @property
    def addresses(self) -> tuple[str, ...]:
        """Where each row goes."""
        return tuple(address_of(self.host, number) for number in self.universes)


def template(heading: Heading, slots: int) -> Bytes:
    """A data packet of `slots` slots, all at 0, with its three lengths set (5.4, 6.1, 7.1)."""
    packet = DataPacket(
        tuple(heading.cid.bytes),
        heading.source_name,
        1,
        priority=heading.priority,
        previewData=heading.preview,
        sync_universe=heading.synchronization or 0,
    )
    raw = np.array(packet.getBytes(), dtype=np.uint8)[: HEAD_BYTES + slots]
    for layer in ("root_size", "framing_size", "dmp_size"):
        at = FIELDS[layer][0]
        length = HEAD_BYTES + slots - at
        raw[at : at + 2] = ((FLAGS | length) >> 8, length & 0xFF)
    at = FIELDS["values"][0]
    raw[at : at + 2] = ((slots + 1) >> 8, (slots + 1) & 0xFF)
    return raw


def blocks(targets: tuple[Target, ...], heading: Heading) -> tuple[Block, ...]:
    """The packets of all targets, grouped by when and where they go and how long they are, by universe in a group."""
    by_host: dict[tuple[int, str], list[Target]] = {}
    for target in sorted(targets, key=lambda target: target.number):
        for host in target.hosts:
            by_host.setdefault((target.lead_ns, host), []).append(target)
    groups: dict[tuple[int, int, str, int], list[int]] = {}
    for (lead_ns, host), there in by_host.items():
        for place, target in enumerate(there):
            parts = min(len(there), max(1, target.spread_ns // PART_NS_MIN))
            offset_ns = target.spread_ns * (place * parts // len(there)) // parts
            groups.setdefault((lead_ns, offset_ns, host, target.slots), []).append(target.number)
    made = []
    for (lead_ns, offset_ns, host, slots), numbers in groups.items():
        packets = np.tile(template(heading, slots), (len(numbers), 1))
        at = FIELDS["universe"][0]
        packets[:, at : at + 2] = np.array(numbers, ">u2")[:, None].view(np.uint8)
        made.append(Block(host, tuple(numbers), slots, packets, lead_ns, offset_ns))
    return tuple(made)


def synchronization_packet(heading: Heading) -> Bytes:
    """A synchronization packet (6.3); its sequence number, apart from the data's, is at byte 44."""
    return np.array(SyncPacket(tuple(heading.cid.bytes), heading.synchronization or 1).getBytes(), np.uint8)


def discovery_packets(heading: Heading, universes: tuple[int, ...]) -> tuple[bytes, ...]:
    """Universe discovery (6.4, 8): pages of 512 universes, sorted; one empty page where nothing is sent."""
    numbers = sorted({*universes, *((heading.synchronization,) if heading.synchronization and universes else ())})
    pages = [tuple(numbers[at : at + PAGE_UNIVERSES]) for at in range(0, len(numbers), PAGE_UNIVERSES)] or [()]
    return tuple(
        bytes(
            UniverseDiscoveryPacket(
                tuple(heading.cid.bytes), heading.source_name, page, number, len(pages) - 1
            ).getBytes()
        )
        for number, page in enumerate(pages)
    )


def address_of(host: str, universe: int) -> str:
    """Where a universe goes: a host as it is, or its multicast group."""
    if host == IPV4:
        return str(IPv4Address(group(universe)))
    if host == IPV6:
        return str(IPv6Address(group_ipv6(universe)))
    return host


@dataclass(frozen=True, slots=True)
class Run:
    """Rows of a block that are side by side in a mixed frame: `count` from `row`, `slots` bytes each from `offset`."""

    row: int
    count: int
    offset: int
    slots: int


def layout(block: Block, offsets: dict[int, int]) -> tuple[Run, ...]:
    """Where a mixed frame's bytes go in a block; `offsets` gives a universe's offset in it."""
    runs: list[Run] = []
    for row, number in enumerate(block.universes):
        last = runs[-1] if runs else None
        if last and last.offset + last.count * block.slots == offsets[number]:
            runs[-1] = Run(last.row, last.count + 1, last.offset, block.slots)
        else:
            runs.append(Run(row, 1, offsets[number], block.slots))
    return tuple(runs)


def fill(block: Block, runs: tuple[Run, ...], mixed: Bytes) -> None:
    """Copy a mixed frame's bytes into a block's slots."""
    for run in runs:
        part = mixed[run.offset : run.offset + run.count * run.slots].reshape(run.count, run.slots)
        block.data[run.row : run.row + run.count] = part
