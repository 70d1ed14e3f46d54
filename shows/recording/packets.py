"""E1.31 packets, read many at a time: datagrams in, fields out. No sockets, no state.

Section numbers are those of ANSI E1.31-2018. Offsets count from the first byte of a datagram (table 4-1 and on).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass, field, replace
from enum import IntEnum

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Integers = npt.NDArray[np.int64]

HEAD_BYTES = 126
"""A data packet up to and with its start code."""
SLOTS_MAX = 512
PACKET_BYTES_MAX = 1152
"""A discovery page of 512 universes has 1144 bytes; room after it, so that a window never reaches past a buffer."""

_PREAMBLE = np.frombuffer(b"\x00\x10\x00\x00ASC-E1.17\x00\x00\x00", np.uint8)  # 5.1 to 5.3
_DMP = np.frombuffer(b"\x02\xa1\x00\x00\x00\x01", np.uint8)  # 7.2 to 7.5
PREVIEW, TERMINATED, FORCE_SYNCHRONIZATION = 0x80, 0x40, 0x20
"""The options of a data packet, 6.2.6."""


class Kind(IntEnum):
    """What a datagram is."""

    OTHER = 0  # not E1.31
    DATA = 1
    SYNC = 2
    DISCOVERY = 3
    CUT = 4  # E1.31, but it ends before it should
    MALFORMED = 5


@dataclass(frozen=True, slots=True)
class Datagrams:
    """Datagrams in one buffer: where each begins, its length, when it came. `HEAD_BYTES` may be read from any start.

    `data` (bytes,) uint8; the others (n,) int64, `at_ns` since the Unix epoch.
    """

    data: Bytes
    starts: Integers
    lengths: Integers
    at_ns: Integers


@dataclass(frozen=True, slots=True)
class Packets:
    """Fields of `n` packets, one list a field; what a kind does not have is undefined. `heads` is (n, 126) uint8."""

    datagrams: Datagrams
    heads: Bytes
    kind: list[int]
    at_ns: list[int]
    cid: list[bytes]
    universe: list[int]
    sequence: list[int]
    priority: list[int]
    options: list[int]
    synchronization: list[int]
    start_code: list[int]
    slots: Integers = field(repr=False)

    def __len__(self) -> int:
        return len(self.kind)

    def kept(self) -> Packets:
        """The same with a buffer of their own, so that the one they came in may be used again."""
        step = HEAD_BYTES + SLOTS_MAX
        data = np.concatenate([self.heads, self.levels()], axis=1).reshape(-1)
        starts = np.arange(0, len(data), step)
        return replace(self, datagrams=Datagrams(data, starts, self.datagrams.lengths, self.datagrams.at_ns))

    def source_name(self, number: int) -> str:
        """Who sent packet `number`, 6.2.2."""
        text = self.heads[number, 44:108].tobytes().partition(b"\0")[0].decode("utf-8", "replace")
        return "".join(letter for letter in text if letter.isprintable())

    def levels(self) -> Bytes:
        """The slots of every packet, `(n, 512) uint8`, a copy; those that a packet does not have are 0."""
        data = self.datagrams.data
        starts = self.datagrams.starts + HEAD_BYTES
        window = np.lib.stride_tricks.sliding_window_view(data, SLOTS_MAX)
        reach = starts <= len(window) - 1
        levels: Bytes = window[np.where(reach, starts, 0)]
        for row in np.flatnonzero(~reach):  # a packet at the very end of a buffer
            tail = data[starts[row] : starts[row] + SLOTS_MAX]
            levels[row] = 0
            levels[row, : len(tail)] = tail
        for row in np.flatnonzero(self.slots < SLOTS_MAX):
            levels[row, max(0, self.slots[row]) :] = 0
        return levels


def read(datagrams: Datagrams) -> Packets:
    """The fields of datagrams. Nothing is refused here: what cannot be used has a kind that says so."""
    window = np.lib.stride_tricks.sliding_window_view(datagrams.data, HEAD_BYTES)
    heads: Bytes = window[datagrams.starts]
    size = datagrams.lengths
    acn = (heads[:, :16] == _PREAMBLE).all(axis=1) & (size >= 22)
    root, framing = _word(heads, 18), _word(heads, 40)
    extended = acn & (root == 8)  # VECTOR_ROOT_E131_EXTENDED, 5.5
    data = acn & (root == 4) & ((framing == 2) | (size < HEAD_BYTES))  # VECTOR_ROOT_E131_DATA; 6.2.1
    sync = extended & (framing == 1) & (size >= 44)  # VECTOR_E131_EXTENDED_SYNCHRONIZATION, 6.3.1
    discovery = extended & (framing == 2) & (size >= 44)  # VECTOR_E131_EXTENDED_DISCOVERY, 6.4.1
    slots = _half(heads, 123) - 1  # 7.6: the property value count has the start code in it
    well_formed = (heads[:, 117] == _DMP[0]) & (heads[:, 118:123] == _DMP[1:]).all(axis=1) & (slots <= SLOTS_MAX)
    kind = np.full(len(size), Kind.OTHER)
    kind[acn] = Kind.MALFORMED
    kind[data & well_formed & (slots >= 0)] = Kind.DATA
    kind[data & ((size < HEAD_BYTES) | (well_formed & (size < HEAD_BYTES + slots)))] = Kind.CUT
    kind[sync] = np.where(size[sync] >= 49, Kind.SYNC, Kind.CUT)
    kind[discovery] = np.where(size[discovery] >= 120, Kind.DISCOVERY, Kind.CUT)
    kind[extended & (size < 44)] = Kind.CUT
    return Packets(
        datagrams,
        heads,
        kind.tolist(),
        datagrams.at_ns.tolist(),
        np.ascontiguousarray(heads[:, 22:38]).view("V16").ravel().tolist(),  # 5.6
        _half(heads, 113).tolist(),  # 6.2.7
        np.where(sync, heads[:, 44], heads[:, 111]).tolist(),  # 6.2.5, 6.3.2
        heads[:, 108].tolist(),  # 6.2.3
        heads[:, 112].tolist(),  # 6.2.6
        np.where(sync, _half(heads, 45), _half(heads, 109)).tolist(),  # 6.2.4, 6.3.3
        heads[:, 125].tolist(),
        np.where(kind == Kind.DATA, slots, 0),
    )


def _half(heads: Bytes, at: int) -> Integers:
    return heads[:, at].astype(np.int64) << 8 | heads[:, at + 1]


def _word(heads: Bytes, at: int) -> Integers:
    return _half(heads, at) << 16 | _half(heads, at + 2)


def announced(packets: Packets, number: int) -> list[int]:
    """The universes of a discovery packet, section 8; those of one page, in the order in which they stand there."""
    datagrams = packets.datagrams
    start, size = int(datagrams.starts[number]), int(datagrams.lengths[number])
    data = datagrams.data[start : start + size].tobytes()
    if struct.unpack_from(">I", data, 114) != (1,):  # VECTOR_UNIVERSE_DISCOVERY_UNIVERSE_LIST, 8.2
        return []
    count = min((size - 120) // 2, 512)
    return list(struct.unpack_from(f">{count}H", data, 120))
