"""What a packet protocol does for the transmitter, and the packets that both handle.

The transmitter copies a mixed frame into blocks of packets and sends them. What only a protocol knows is behind
`PacketProtocol`: its port and headers, how packets are numbered, kept alive, shown together, ended and announced.
No sockets, no clock.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]


class Portion(NamedTuple):
    """A universe's slots for one host: when they leave, and from where they are in the mixed frame."""

    host: str
    universe: int
    slots: int
    begin: int
    lead_ns: int = 0
    offset_ns: int = 0


class PacketRow(NamedTuple):
    """What one packet of a block carries: bytes of the mixed frame from `begin` on, of these universes."""

    address: str
    universes: tuple[int, ...]
    begin: int


class KeepAlive(NamedTuple):
    """How data that do not change are kept alive: so many packets at the usual rate, then one every so often."""

    packets: int
    every_ns: int


@dataclass(frozen=True, slots=True, eq=False)
class Synchronization:
    """A packet that has its hosts show what they were sent; `sequences` is the part of it that `count` counts."""

    packet: Bytes
    sequences: Bytes


class PacketProtocol(Protocol):
    """A protocol with what a setup has it write into every packet. One object serves all packets of a setup."""

    @property
    def port(self) -> int: ...

    @property
    def keep_alive(self) -> KeepAlive: ...

    @property
    def endings(self) -> int:
        """How many packets in a row say that a stream ends; 0 where black is the end."""

    @property
    def announce_ns(self) -> int | None:
        """How often `announcements` are sent."""

    def blocks(self, portions: Sequence[Portion]) -> tuple[PacketBlock, ...]:
        """The packets of all portions, all slots at 0."""

    def max_refresh_hz(self, slots: int) -> float:
        """The highest rate at which a receiver can pass on packets with so many slots."""

    def count(self, sequences: Bytes) -> None:
        """Count sequence numbers up by one, in place: a column of a block, or those of a synchronization packet."""

    def mark_end(self, block: PacketBlock, ends: bool) -> None:
        """Have a block's packets say that their streams end, or no longer."""

    def synchronization(self) -> Synchronization | None:
        """A synchronization packet; None where packets are shown as they come."""

    def synchronization_address(self, host: str) -> str:
        """Where a host hears synchronization packets."""

    def announcements(self, universes: tuple[int, ...], ipv6: bool) -> tuple[tuple[str, bytes], ...]:
        """Address and packet of what says which universes are sent; by IPv6 too where that is used."""


@dataclass(eq=False)
class PacketBlock:
    """Packets of one length that go out together: `packets` is `(rows, bytes) uint8`.

    `data` `(rows, slots)` and `sequences` `(rows,)` are the parts of `packets` with the slots and with the sequence
    numbers. The packets leave `lead_ns` before their frame is due, and `offset_ns` later where packets are spread.
    """

    protocol: PacketProtocol
    host: str
    rows: tuple[PacketRow, ...]
    packets: Bytes
    data: Bytes
    sequences: Bytes
    lead_ns: int = 0
    offset_ns: int = 0
    slots: int = field(init=False)
    _copies: list[tuple[Bytes, slice]] = field(init=False, default_factory=list)
    """Rows that are side by side in the mixed frame, and where they are there."""

    def __post_init__(self) -> None:
        self.slots = self.data.shape[1]
        first = 0
        for number in range(1, len(self.rows) + 1):
            end = self.rows[number - 1].begin + self.slots
            if number == len(self.rows) or self.rows[number].begin != end:
                self._copies.append((self.data[first:number], slice(self.rows[first].begin, end)))
                first = number

    @property
    def universes(self) -> tuple[int, ...]:
        """What the rows carry, in their order."""
        return tuple(number for row in self.rows for number in row.universes)

    def fill(self, mixed: Bytes) -> None:
        """Copy a mixed frame's bytes into the slots."""
        for rows, part in self._copies:
            rows[:] = mixed[part].reshape(rows.shape)
