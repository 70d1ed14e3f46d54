"""The interface of a packet protocol, and the blocks of packets that the transmitter sends.

The transmitter copies a mixed frame into the blocks and sends them. `PacketProtocol` covers the rest: port, headers,
sequence numbers, repetition of unchanged data, synchronization, ends and announcements. No sockets, no clock.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]


class Portion(NamedTuple):
    """A universe's slots for one host. They begin at byte `begin` of the mixed frame."""

    host: str
    universe: int
    slots: int
    begin: int
    lead_ns: int = 0
    offset_ns: int = 0


class PacketRow(NamedTuple):
    """The content of one packet of a block: bytes of the mixed frame from `begin` on, of these universes."""

    address: str
    universes: tuple[int, ...]
    begin: int


def one_for_each_universe(
    portions: Sequence[Portion], address: Callable[[str, int], str]
) -> Iterator[tuple[Portion, tuple[PacketRow, ...]]]:
    """The rows of each block, if each packet has one universe, and a portion that is like all of its block.

    Packets of one length that leave together for one host are a block. `address` is that of a host and a universe.
    """
    together: dict[tuple[int, int, str, int], list[Portion]] = {}
    for one in portions:
        together.setdefault((one.lead_ns, one.offset_ns, one.host, one.slots), []).append(one)
    for there in together.values():
        yield there[0], tuple(PacketRow(address(one.host, one.universe), (one.universe,), one.begin) for one in there)


class KeepAlive(NamedTuple):
    """How unchanged data are repeated: `packets` at the frame rate, then one packet in `every_ns`."""

    packets: int
    every_ns: int


@dataclass(frozen=True, slots=True, eq=False)
class Synchronization:
    """A packet that makes hosts show the data that they have. `sequences` is the part that `count` increments."""

    packet: Bytes
    sequences: Bytes


class PacketProtocol(Protocol):
    """A protocol with the settings of a setup. One object serves all packets of the setup."""

    @property
    def port(self) -> int: ...

    @property
    def keep_alive(self) -> KeepAlive: ...

    @property
    def endings(self) -> int:
        """How many more packets with black end a stream. They have the mark of `mark_end`."""

    @property
    def counts_alike(self) -> bool:
        """Whether all streams begin with one sequence number in each setup. Else those that go on count on."""

    @property
    def announce_ns(self) -> int | None:
        """The interval of `announcements`. None: there are none."""

    def blocks(self, portions: Sequence[Portion]) -> tuple[PacketBlock, ...]:
        """The packets of all portions, all slots at 0."""

    def max_refresh_hz(self, slots: int) -> float:
        """The highest rate at which a receiver can pass on packets with `slots` slots."""

    def count(self, sequences: Bytes, step: int = 1) -> None:
        """Increment sequence numbers in place: those of a block, by its `step`, or of a synchronization packet."""

    def mark_end(self, block: PacketBlock, ends: bool) -> None:
        """Set or clear the mark that the streams of a block end."""

    def synchronization(self) -> Synchronization | None:
        """A synchronization packet. None: packets are shown at once."""

    def synchronization_to(self, host: str) -> tuple[str, str]:
        """Where the synchronization packets for a host go: a host and its address."""

    def announcements(self, universes: tuple[int, ...], ipv6: bool) -> tuple[tuple[str, bytes], ...]:
        """Addresses and packets that announce the universes, also by IPv6 if `ipv6`."""


@dataclass(eq=False)
class PacketBlock:
    """Packets of one length that are sent together: `packets` is `(rows, bytes) uint8`.

    `data` `(rows, slots)` and `sequences` `(rows,)` are the parts of `packets` with the slots and with the sequence
    numbers. The packets leave `lead_ns` before their frame is due, plus `offset_ns` if packets are spread. Each frame
    increments the sequence numbers by `step`.
    """

    protocol: PacketProtocol
    host: str
    rows: tuple[PacketRow, ...]
    packets: Bytes
    data: Bytes
    sequences: Bytes
    lead_ns: int = 0
    offset_ns: int = 0
    step: int = 1
    slots: int = field(init=False)
    _copies: list[tuple[Bytes, slice]] = field(init=False, default_factory=list)
    """Groups of rows that are adjacent in the mixed frame, and their place there."""

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
        """The universes of the rows, in order."""
        return tuple(number for row in self.rows for number in row.universes)

    def fill(self, mixed: Bytes) -> None:
        """Copy a mixed frame's bytes into the slots."""
        for rows, part in self._copies:
            rows[:] = mixed[part].reshape(rows.shape)
