"""Builds DDP packets: the `PacketProtocol` of the transmitter.

Facts of DDP come from memory of its public specification: "Distributed Display Protocol (DDP)",
http://www.3waylabs.com/ddp/.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import NamedTuple

import numpy as np

from gloaming.shows.protocols.ddp import (
    DATA_MAX,
    DATA_TYPES,
    DEFAULT_OUTPUT,
    HEAD_BYTES,
    PORT,
    PUSH,
    SEQUENCE_MAX,
    UNDEFINED,
    VERSION,
)
from gloaming.shows.protocols.packets import (
    Bytes,
    KeepAlive,
    PacketBlock,
    PacketRow,
    Portion,
    Synchronization,
)

_FLAGS, _SEQUENCE, _TYPE, _DESTINATION, _OFFSET, _LENGTH = 0, 1, 2, 3, 4, 8
"""Where the fields begin in a packet."""


class _Packet(NamedTuple):
    """A packet of a stream: its row, the place of its data in the stream, and their length."""

    row: PacketRow
    at: int
    slots: int
    offset_ns: int


@dataclass(frozen=True, eq=False)
class Ddp:
    """DDP with the settings of a setup. A host has one stream: the slots of its universes, side by side.

    `slots_per_pixel` has that of each universe; None where pixels differ. The first packet has the sequence number
    after `sequence_from`.
    """

    slots_per_pixel: Mapping[int, int | None]
    sequence_from: int = 0

    port = PORT
    keep_alive = KeepAlive(packets=3, every_ns=900_000_000)
    """The specification has no time. This is the rhythm of E1.31."""
    endings = 3
    """Nothing in the packets ends a stream. Black is sent three times more, as a controller keeps its last frame."""
    counts_alike = False
    announce_ns = None

    def blocks(self, portions: Sequence[Portion]) -> tuple[PacketBlock, ...]:
        """The packets of each stream, in the order of their data. Only the last one has the push flag."""
        streams: dict[tuple[str, int], list[Portion]] = {}
        for one in portions:
            streams.setdefault((one.host, one.lead_ns), []).append(one)
        return tuple(block for stream in streams.values() for block in self._blocks(stream))

    def _blocks(self, stream: list[Portion]) -> Iterator[PacketBlock]:
        first, packets = stream[0], list(_packets(stream))
        step, sent = len(packets) % SEQUENCE_MAX, 0
        pixels = {self.slots_per_pixel.get(one.universe) for one in stream}
        data_type = DATA_TYPES.get(pixels.pop() or 0, UNDEFINED) if len(pixels) == 1 else UNDEFINED
        for (slots, offset_ns), together in groupby(packets, key=lambda one: (one.slots, one.offset_ns)):
            mine = list(together)
            raw = np.zeros((len(mine), HEAD_BYTES + slots), np.uint8)
            numbers = np.arange(sent, sent + len(mine)) + self.sequence_from - step
            sent += len(mine)
            raw[:, _FLAGS] = VERSION
            if sent == len(packets):
                raw[-1, _FLAGS] |= PUSH
            raw[:, _SEQUENCE] = numbers % SEQUENCE_MAX + 1
            raw[:, _TYPE], raw[:, _DESTINATION] = data_type, DEFAULT_OUTPUT
            raw[:, _OFFSET:_LENGTH] = np.array([[one.at] for one in mine], ">u4").view(np.uint8)
            raw[:, _LENGTH:HEAD_BYTES] = np.array([slots], ">u2").view(np.uint8)
            rows, data, sequences = tuple(one.row for one in mine), raw[:, HEAD_BYTES:], raw[:, _SEQUENCE]
            yield PacketBlock(self, first.host, rows, raw, data, sequences, first.lead_ns, offset_ns, step)

    def max_refresh_hz(self, slots: int) -> float:
        """The protocol has no limit."""
        return float("inf")

    def count(self, sequences: Bytes, step: int = 1) -> None:
        """Increment; 1 follows 15."""
        sequences[:] = (sequences - 1 + step) % SEQUENCE_MAX + 1

    def mark_end(self, block: PacketBlock, ends: bool) -> None:
        """No field of a packet says it."""

    def synchronization(self) -> Synchronization | None:
        """There is none: the push flag is in the data."""
        return None

    def synchronization_to(self, host: str) -> tuple[str, str]:
        return host, host

    def announcements(self, universes: tuple[int, ...], ipv6: bool) -> tuple[tuple[str, bytes], ...]:
        """There are none."""
        return ()


def _packets(stream: list[Portion]) -> Iterator[_Packet]:
    """The packets of a stream. One ends where another controller's universe follows in the mixed frame."""
    at = 0
    for run in _runs(stream):
        begins, end = [one.begin for one in run], run[-1].begin + run[-1].slots
        for first in range(begins[0], end, DATA_MAX):
            last = min(end, first + DATA_MAX)
            inside = run[bisect_right(begins, first) - 1 : bisect_left(begins, last)]
            row = PacketRow(run[0].host, tuple(one.universe for one in inside), first)
            yield _Packet(row, at, last - first, inside[0].offset_ns)
            at += last - first


def _runs(stream: list[Portion]) -> Iterator[list[Portion]]:
    """The portions that are side by side in the mixed frame."""
    first = 0
    for place, one in enumerate(stream, 1):
        if place == len(stream) or stream[place].begin != one.begin + one.slots:
            yield stream[first:place]
            first = place
