"""E1.31 packets as bytes in arrays, patched in place. No sockets, no clock.

Templates come from the `sacn` library; section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from uuid import UUID

import numpy as np
import numpy.typing as npt
from sacn import DataPacket
from sacn.messages.sync_packet import SyncPacket

Bytes = npt.NDArray[np.uint8]

HEADER_BYTES = 126
"""All of a data packet up to its first slot (table 4-1)."""
SEQUENCE, OPTIONS = 111, 112
SYNC_SEQUENCE = 44
STREAM_TERMINATED = 0x40
"""6.2.6: bit 6 of the options."""


@dataclass(frozen=True, slots=True)
class Target:
    """One universe of the setup and where it goes: addresses, and its multicast group if `multicast`."""

    number: int
    slots: int
    hosts: tuple[str, ...]
    multicast: bool
    spread_ns: int = 0
    lead_ns: int = 0


@dataclass
class Block:
    """Packets of one length that go out together: `packets` is `(universes, 126 + slots) uint8`, a row a universe.

    `host` is where all of them go; None sends each to its universe's multicast group.
    """

    host: str | None
    universes: tuple[int, ...]
    slots: int
    packets: Bytes
    data: Bytes = field(init=False)

    def __post_init__(self) -> None:
        self.data = self.packets[:, HEADER_BYTES:]


def template(cid: UUID, source_name: str, priority: int, synchronization: int | None, slots: int) -> Bytes:
    """A data packet of `slots` slots, all at 0, with its three lengths set (5.4, 6.1, 7.1)."""
    packet = DataPacket(tuple(cid.bytes), source_name, 1, priority=priority, sync_universe=synchronization or 0)
    raw = np.array(packet.getBytes(), dtype=np.uint8)[: HEADER_BYTES + slots]
    for at, length in ((16, 110 + slots), (38, 88 + slots), (115, 11 + slots)):
        raw[at : at + 2] = (0x70 | length >> 8, length & 0xFF)
    raw[123:125] = ((slots + 1) >> 8, (slots + 1) & 0xFF)
    return raw


def blocks(
    targets: tuple[Target, ...], cid: UUID, source_name: str, priority: int, synchronization: int | None
) -> tuple[Block, ...]:
    """The packets of all targets, grouped by where they go and how long they are, by universe within a group."""
    groups: dict[tuple[str | None, int], list[int]] = {}
    for target in sorted(targets, key=lambda target: target.number):
        for host in (*target.hosts, *((None,) if target.multicast else ())):
            groups.setdefault((host, target.slots), []).append(target.number)
    made = []
    for (host, slots), numbers in groups.items():
        packets = np.tile(template(cid, source_name, priority, synchronization, slots), (len(numbers), 1))
        packets[:, 113] = np.array(numbers) >> 8
        packets[:, 114] = np.array(numbers) & 0xFF
        made.append(Block(host, tuple(numbers), slots, packets))
    return tuple(made)


def synchronization_packet(cid: UUID, address: int) -> bytearray:
    """A synchronization packet (6.3); its sequence number, apart from the data's, is at byte 44."""
    return bytearray(SyncPacket(tuple(cid.bytes), address).getBytes())


def group_of(universe: int) -> str:
    """The IPv4 multicast group of a universe (9.3.1): 239.255.hi.lo."""
    return f"239.255.{universe >> 8}.{universe & 0xFF}"


@dataclass(frozen=True, slots=True)
class Run:
    """Rows of a block that lie side by side in a frame: `count` rows from `row`, `slots` bytes each from `offset`."""

    row: int
    count: int
    offset: int
    slots: int


def layout(block: Block, offsets: dict[int, tuple[int, int]]) -> tuple[Run, ...]:
    """Where a frame's bytes go in a block. `offsets` gives a universe's offset in the frame and its slots."""
    runs: list[Run] = []
    for row, number in enumerate(block.universes):
        if number not in offsets:
            continue
        offset, there = offsets[number]
        slots = min(there, block.slots)
        last = runs[-1] if runs else None
        whole = slots == block.slots == there
        if (
            whole
            and last
            and last.slots == slots
            and last.row + last.count == row
            and last.offset + last.count * slots == offset
        ):
            runs[-1] = Run(last.row, last.count + 1, last.offset, slots)
        else:
            runs.append(Run(row, 1, offset, slots))
    return tuple(runs)


def fill(block: Block, runs: tuple[Run, ...], frame: Bytes) -> None:
    """Copy a frame's bytes into a block's slots."""
    for run in runs:
        part = frame[run.offset : run.offset + run.count * run.slots].reshape(run.count, run.slots)
        block.data[run.row : run.row + run.count, : run.slots] = part
