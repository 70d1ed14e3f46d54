"""Received datagrams, their fields as arrays, and the interface of a protocol for its receivers.

A recording works on `Packets`, so it does not know the protocol. No sockets, no state.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import IntEnum
from typing import Protocol

import numpy as np
import numpy.typing as npt

from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import PORT_ADDRESS_MAX
from gloaming.shows.protocols.e131 import PREVIEW, SLOTS_MAX, UNIVERSE_MAX
from gloaming.shows.protocols.packets import Bytes

Integers = npt.NDArray[np.int64]

UNMAPPED = 65536
"""All numbers of E1.31 (6.2.7) are below it. A port-address of Art-Net without a universe is added to it."""
NUMBERS = UNMAPPED + PORT_ADDRESS_MAX + 1
"""How many numbers `Packets.universe` may have."""

SIZE_AT = 16
"""The offset of two bytes, of which `PacketReader.own_bytes` makes the length of a packet."""


class PacketKind(IntEnum):
    """The kind of a datagram."""

    OTHER = 0  # of another protocol
    DATA = 1
    SYNC = 2
    DISCOVERY = 3  # who is there; with Art-Net all that carries neither levels nor synchronization
    CUT = 4  # of this protocol, but cut short
    MALFORMED = 5


@dataclass(frozen=True, slots=True)
class Datagrams:
    """Datagrams in one buffer: start, length, time and sender of each. `HEAD_BYTES` can be read from every start.

    `data` is `(bytes,) uint8`. The others are `(n,) int64`. `at_ns` counts from the Unix epoch. `senders` are IPv4
    addresses as numbers, 0 for IPv6.
    """

    data: Bytes
    starts: Integers
    lengths: Integers
    at_ns: Integers
    senders: Integers

    def only(self, these: npt.NDArray[np.bool_]) -> Datagrams:
        """A selection of the datagrams, in the same buffer."""
        columns = (self.starts, self.lengths, self.at_ns, self.senders)
        return Datagrams(self.data, *(column[these] for column in columns))


@dataclass(frozen=True, slots=True)
class Packets:
    """Fields of `n` packets, `(n,) int64` each. Fields that a kind or a protocol does not have are undefined.

    `heads` `(n, bytes) uint8` is what comes before the slots. `source` is the place of a packet's source in `sources`,
    which has each source once: its CID, or its address and port. `synchronization` is the address that a packet waits
    for or synchronizes; 0: it does not wait.
    """

    datagrams: Datagrams
    heads: Bytes = field(repr=False)
    kind: Integers
    source: Integers
    sources: list[bytes]
    universe: Integers
    sequence: Integers
    priority: Integers
    options: Integers
    synchronization: Integers
    start_code: Integers
    slots: Integers

    def __len__(self) -> int:
        return len(self.kind)

    @property
    def at_ns(self) -> Integers:
        """The time of each packet."""
        return self.datagrams.at_ns

    def levelled(self) -> npt.NDArray[np.bool_]:
        """Which packets carry levels of a universe that are not only for preview."""
        levelled: npt.NDArray[np.bool_] = (self.kind == PacketKind.DATA) & (self.start_code == 0)
        levelled &= self.options & PREVIEW == 0
        levelled &= (self.universe >= 1) & (self.universe <= UNIVERSE_MAX)  # 6.2.7
        return levelled

    def unmapped(self) -> npt.NDArray[np.bool_]:
        """Which packets carry levels of a port-address that has no universe."""
        unmapped: npt.NDArray[np.bool_] = (self.kind == PacketKind.DATA) & (self.universe >= UNMAPPED)
        return unmapped

    def previewed(self) -> npt.NDArray[np.bool_]:
        """Which packets carry levels only for preview (6.2.6)."""
        previewed: npt.NDArray[np.bool_] = (self.kind == PacketKind.DATA) & (self.start_code == 0)
        previewed &= self.options & PREVIEW != 0
        return previewed

    def one_by_one(self) -> Iterator[tuple[int, int, bytes, int, int, int, int, int, int]]:
        """For each packet: kind, time, source, universe, sequence, priority, options, synchronization, start code."""
        sources = self.sources
        return zip(
            self.kind.tolist(),
            self.at_ns.tolist(),
            [sources[number] for number in self.source.tolist()],
            self.universe.tolist(),
            self.sequence.tolist(),
            self.priority.tolist(),
            self.options.tolist(),
            self.synchronization.tolist(),
            self.start_code.tolist(),
            strict=True,
        )

    def only(self, these: npt.NDArray[np.bool_]) -> Packets:
        """A selection of the packets, in the same buffer."""
        return Packets(
            self.datagrams.only(these),
            self.heads[these],
            self.kind[these],
            self.source[these],
            self.sources,
            self.universe[these],
            self.sequence[these],
            self.priority[these],
            self.options[these],
            self.synchronization[these],
            self.start_code[these],
            self.slots[these],
        )

    def copied(self) -> Packets:
        """A copy with its own buffer, so that the old buffer can be used again."""
        data = np.concatenate([self.heads, self.levels()], axis=1)
        starts = np.arange(len(data)) * data.shape[1]
        return replace(self, datagrams=replace(self.datagrams, data=data.reshape(-1), starts=starts))

    def levels(self) -> Bytes:
        """A copy of the slots of every packet, `(n, 512) uint8`. Slots that a packet does not have are 0."""
        rows, places = self.rows()
        return rows[places] if rows.strides[0] == 1 else rows

    def rows(self) -> tuple[Bytes, Integers]:
        """An array of rows of 512 slots, and the row of each packet.

        If possible the array is a view of the buffer, so that slots are copied only once.
        """
        data = self.datagrams.data
        starts = self.datagrams.starts + self.heads.shape[1]
        window = np.lib.stride_tricks.sliding_window_view(data, SLOTS_MAX)
        reach = starts <= len(window) - 1
        shorter = np.unique(self.slots[self.slots < SLOTS_MAX]).tolist()
        if not shorter and reach.all():
            return window, starts
        levels: Bytes = window[np.where(reach, starts, 0)]
        for row in np.flatnonzero(~reach):  # a packet at the end of the buffer
            tail = data[starts[row] : starts[row] + SLOTS_MAX]
            levels[row] = 0
            levels[row, : len(tail)] = tail
        for slots in shorter:
            these = self.slots == slots
            levels[slice(None) if these.all() else these, max(0, slots) :] = 0
        return levels, np.arange(len(starts))


def head_rows(datagrams: Datagrams, head_bytes: int) -> Bytes:
    """A copy of the first bytes of every datagram, `(n, head_bytes) uint8`."""
    window = np.lib.stride_tricks.sliding_window_view(datagrams.data, head_bytes)
    return np.ascontiguousarray(window[datagrams.starts])


class PacketReader(Protocol):
    """A protocol as its receivers see it: its packets as fields, and its rules."""

    @property
    def name(self) -> ProtocolName: ...

    @property
    def port(self) -> int: ...

    @property
    def multicast(self) -> bool:
        """Whether universes have multicast groups, and sources announce their universes."""

    @property
    def numbers(self) -> int:
        """How many sequence numbers there are."""

    @property
    def no_number(self) -> int | None:
        """The sequence number of packets that are not numbered, if the protocol has one."""

    @property
    def data_loss_ns(self) -> int:
        """A source that is silent for longer has left."""

    @property
    def synchronization_loss_ns(self) -> int:
        """Without a synchronization packet for longer, data are shown at once."""

    def step(self, sequence: int, before: int) -> int:
        """The step from one sequence number to another. 1 if one of them is `no_number`."""

    def read(self, datagrams: Datagrams) -> Packets:
        """The fields of datagrams. Nothing is refused: `kind` says what cannot be used."""

    def numbering(self, packets: Packets) -> dict[bytes, Integers]:
        """Steps of sequence numbers by source, if a source may number the packets of all its universes together.

        How many steps there are from packet to packet of the source, and how many of them are 1; the same from packet
        to packet of a universe. Copies and packets without a number are left out.
        """

    def own_bytes(self, size: Integers) -> Integers:
        """The lengths of packets, by the number that each has at `SIZE_AT`."""

    def announced(self, packets: Packets) -> set[int]:
        """The universes that sources announce."""

    def source_text(self, packets: Packets, number: int) -> str:
        """The source of packet `number`, for a person."""
