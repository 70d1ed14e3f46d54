"""Reads E1.31 packets: one datagram, or many as arrays of fields. No sockets, no state.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import IntEnum
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from gloaming.shows.protocols.e131 import (
    DATA_BYTES_MAX,
    DISCOVERY_LIST,
    DMP,
    DMP_STEP,
    DMP_TYPES,
    FIELDS,
    FLAGS,
    FRAMING_DATA,
    FRAMING_DISCOVERY,
    FRAMING_SYNCHRONIZATION,
    HEAD_BYTES,
    IDENTIFIER,
    PAGE_UNIVERSES,
    PREAMBLE,
    PREVIEW,
    PRIORITY_MAX,
    ROOT_DATA,
    ROOT_EXTENDED,
    SLOTS_MAX,
    UNIVERSE_MAX,
)

Bytes = npt.NDArray[np.uint8]
Integers = npt.NDArray[np.int64]

UNIVERSES = 65536
"""The number of possible universe numbers (6.2.7)."""
_HEAD = np.dtype(
    {
        "names": list(FIELDS),
        "formats": [kind for _, kind in FIELDS.values()],
        "offsets": [at for at, _ in FIELDS.values()],
        "itemsize": HEAD_BYTES,
    }
)
_CODES = {"u1": "B", ">u2": "H", ">u4": "I", ">u8": "Q", "V16": "16s", "V64": "64s"}


def _fields(*names: str) -> struct.Struct:
    """A reader of some fields. They are in order and do not overlap."""
    code = ">"
    for name in names:
        at, kind = FIELDS[name]
        code += f"{at - struct.calcsize(code)}x{_CODES[kind]}"
    return struct.Struct(code)


_ROOT = _fields("preamble", "identifier", "root_size")
_LAYERS = _fields("preamble", "identifier", "root", "framing")
_DATA = _fields("cid", "name", "priority", "sequence", "options", "universe", "start_code")
_DISCOVERY = _fields("cid", "name", "list", "page", "page_last")


class DataHead(NamedTuple):
    """The fields of a data packet before its slots."""

    cid: bytes
    name: bytes
    priority: int
    sequence: int
    options: int
    universe: int
    start_code: int


class Discovery(NamedTuple):
    """A page of the universes that a source sends."""

    cid: bytes
    name: bytes
    page: int
    universes: tuple[int, ...]


def read_data(data: bytes | memoryview) -> DataHead | None:
    """The head of a data packet, or None for any other datagram."""
    if len(data) < HEAD_BYTES or _LAYERS.unpack_from(data) != (PREAMBLE, IDENTIFIER, ROOT_DATA, FRAMING_DATA):
        return None
    return DataHead._make(_DATA.unpack_from(data))


def read_discovery(data: bytes | memoryview) -> Discovery | None:
    """A page of universe discovery (section 8), or None for any other datagram."""
    if len(data) < _DISCOVERY.size or _LAYERS.unpack_from(data) != (
        PREAMBLE,
        IDENTIFIER,
        ROOT_EXTENDED,
        FRAMING_DISCOVERY,
    ):
        return None
    cid, name, kind, page, _ = _DISCOVERY.unpack_from(data)
    if kind != DISCOVERY_LIST:
        return None
    count = min((len(data) - _DISCOVERY.size) // 2, PAGE_UNIVERSES)
    return Discovery(cid, name, page, struct.unpack_from(f">{count}H", data, _DISCOVERY.size))


def split(payload: bytes) -> list[bytes]:
    """Split a payload that segmentation offload has joined into its packets, by their length (5.4)."""
    parts = []
    while len(payload) > DATA_BYTES_MAX:
        preamble, identifier, size = _ROOT.unpack_from(payload)
        length = FIELDS["root_size"][0] + (size & 0x0FFF)
        if (preamble, identifier) != (PREAMBLE, IDENTIFIER) or payload[length : length + 4] != payload[:4]:
            break
        parts.append(payload[:length])
        payload = payload[length:]
    return [*parts, payload]


def source_name(name: bytes) -> str:
    """The text of a source name field, 6.2.2: UTF-8 up to the null. Invalid bytes are replaced."""
    return name.partition(b"\0")[0].decode("utf-8", "replace")


class PacketKind(IntEnum):
    """The kind of a datagram."""

    OTHER = 0  # not E1.31
    DATA = 1
    SYNC = 2
    DISCOVERY = 3
    CUT = 4  # E1.31, but cut short
    MALFORMED = 5


@dataclass(frozen=True, slots=True)
class Datagrams:
    """Datagrams in one buffer: start, length and time of each. `HEAD_BYTES` can be read from every start.

    `data` is `(bytes,) uint8`. The others are `(n,) int64`. `at_ns` counts from the Unix epoch.
    """

    data: Bytes
    starts: Integers
    lengths: Integers
    at_ns: Integers


@dataclass(frozen=True, slots=True)
class Packets:
    """Fields of `n` packets, `(n,) int64` each. Fields that a kind does not have are undefined.

    `heads` is `(n, 126) uint8`. `source` is the place of a packet's CID in `cids`, which has each CID once.
    """

    datagrams: Datagrams
    heads: Bytes = field(repr=False)
    kind: Integers
    source: Integers
    cids: list[bytes]
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
        """Which packets carry levels that are not only for preview."""
        levelled: npt.NDArray[np.bool_] = (self.kind == PacketKind.DATA) & (self.start_code == 0)
        levelled &= self.options & PREVIEW == 0
        levelled &= (self.universe >= 1) & (self.universe <= UNIVERSE_MAX)  # 6.2.7
        return levelled

    def previewed(self) -> npt.NDArray[np.bool_]:
        """Which packets carry levels only for preview (6.2.6)."""
        previewed: npt.NDArray[np.bool_] = (self.kind == PacketKind.DATA) & (self.start_code == 0)
        previewed &= self.options & PREVIEW != 0
        return previewed

    def one_by_one(self) -> Iterator[tuple[int, int, bytes, int, int, int, int, int, int]]:
        """For each packet: kind, time, CID, universe, sequence, priority, options, synchronization, start code."""
        cids = self.cids
        return zip(
            self.kind.tolist(),
            self.at_ns.tolist(),
            [cids[number] for number in self.source.tolist()],
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
        whole = self.datagrams
        return Packets(
            Datagrams(whole.data, whole.starts[these], whole.lengths[these], whole.at_ns[these]),
            self.heads[these],
            self.kind[these],
            self.source[these],
            self.cids,
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
        step = HEAD_BYTES + SLOTS_MAX
        data = np.concatenate([self.heads, self.levels()], axis=1).reshape(-1)
        starts = np.arange(0, len(data), step)
        return replace(self, datagrams=Datagrams(data, starts, self.datagrams.lengths, self.datagrams.at_ns))

    def source_name(self, number: int) -> str:
        """The source name of packet `number` (6.2.2), printable characters only."""
        text = source_name(self.heads.reshape(-1).view(_HEAD)["name"][number].tobytes())
        return "".join(letter for letter in text if letter.isprintable())

    def levels(self) -> Bytes:
        """A copy of the slots of every packet, `(n, 512) uint8`. Slots that a packet does not have are 0."""
        rows, places = self.rows()
        return rows[places] if rows.strides[0] == 1 else rows

    def rows(self) -> tuple[Bytes, Integers]:
        """An array of rows of 512 slots, and the row of each packet.

        If possible the array is a view of the buffer, so that slots are copied only once.
        """
        data = self.datagrams.data
        starts = self.datagrams.starts + HEAD_BYTES
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


def read(datagrams: Datagrams, preview: bool = False) -> Packets:
    """The fields of datagrams. Nothing is refused: `kind` says what cannot be used.

    With `preview`, data that are marked as preview count like all others.
    """
    window = np.lib.stride_tricks.sliding_window_view(datagrams.data, HEAD_BYTES)
    heads: Bytes = np.ascontiguousarray(window[datagrams.starts])
    head = heads.reshape(-1).view(_HEAD)
    size = datagrams.lengths
    acn = (head["preamble"] == PREAMBLE) & (head["identifier"] == IDENTIFIER) & (size >= 22)
    root, framing = head["root"], head["framing"]
    extended = acn & (root == ROOT_EXTENDED)
    data = acn & (root == ROOT_DATA) & ((framing == FRAMING_DATA) | (size < HEAD_BYTES))
    slots = head["values"].astype(np.int64) - 1  # 7.6: the property value count includes the start code
    well_formed = (head["dmp"] == DMP) & (head["dmp_types"] == DMP_TYPES) & (head["dmp_step"] == DMP_STEP)
    well_formed &= (slots <= SLOTS_MAX) & (head["priority"] <= PRIORITY_MAX)
    for layer, bytes_before_slots in (("root_size", 110), ("framing_size", 88), ("dmp_size", 11)):
        well_formed &= head[layer] == FLAGS + bytes_before_slots + slots
    sender = _has_sender(heads, head)
    well_formed &= sender
    kind = np.full(len(size), PacketKind.OTHER, np.int64)
    kind[acn] = PacketKind.MALFORMED
    kind[data & well_formed & (slots >= 0)] = PacketKind.DATA
    kind[data & ((size < HEAD_BYTES) | (well_formed & (size < HEAD_BYTES + slots)))] = PacketKind.CUT
    sequence, address = head["sequence"].astype(np.int64), head["address"].astype(np.int64)
    if extended.any():
        sync = extended & (framing == FRAMING_SYNCHRONIZATION) & (size >= 44)
        discovery = extended & (framing == FRAMING_DISCOVERY) & (size >= 44)
        intact = (head["root_size"] == FLAGS + 33) & (head["framing_size"] == FLAGS + 11) & _has_cid(head)
        kind[sync & intact] = PacketKind.SYNC
        intact = (head["root_size"] >> 12 == 7) & (head["framing_size"] + 22 == head["root_size"]) & sender
        kind[discovery & intact] = PacketKind.DISCOVERY
        kind[(sync & (size < 49)) | (discovery & (size < 120))] = PacketKind.CUT
        kind[discovery & intact & (size < 16 + (head["root_size"] & 0x0FFF))] = PacketKind.CUT
        kind[extended & (size < 44)] = PacketKind.CUT
        sequence[sync], address[sync] = head["sync_sequence"][sync], head["sync_address"][sync]
    source, cids = _sources(head)
    return Packets(
        datagrams,
        heads,
        kind,
        source,
        cids,
        head["universe"].astype(np.int64),
        sequence,
        head["priority"].astype(np.int64),
        head["options"].astype(np.int64) & (~PREVIEW if preview else 0xFF),
        address,
        head["start_code"].astype(np.int64),
        np.where(kind == PacketKind.DATA, slots, 0),
    )


def _has_cid(head: npt.NDArray[np.void]) -> npt.NDArray[np.bool_]:
    """Which packets have a CID (5.6). A UUID of zeros is not one (RFC 4122, 4.1.7)."""
    has: npt.NDArray[np.bool_] = (head["cid_half"] != 0) | (head["cid_rest"] != 0)
    return has


def _has_sender(heads: Bytes, head: npt.NDArray[np.void]) -> npt.NDArray[np.bool_]:
    """Which packets have a CID and a source name that ends with a null (6.2.2)."""
    has = _has_cid(head)
    full = np.flatnonzero(head["name_end"])
    has[full] &= (heads[full, 44:108] == 0).any(axis=1)
    return has


def _sources(head: npt.NDArray[np.void]) -> tuple[Integers, list[bytes]]:
    """For every packet the place of its CID in the list; and the list, which has each CID once."""
    half, rest = head["cid_half"], head["cid_rest"]
    if len(head) and (half == half[0]).all() and (rest == rest[0]).all():
        return np.zeros(len(head), np.int64), [head["cid"][0].tobytes()]
    places: dict[bytes, int] = {}
    source = [places.setdefault(cid, len(places)) for cid in np.ascontiguousarray(head["cid"]).tolist()]
    return np.array(source, np.int64), list(places)


def announced(packets: Packets, number: int) -> list[int]:
    """The universes on the page of a discovery packet (section 8), in the order of the page."""
    datagrams = packets.datagrams
    start, size = int(datagrams.starts[number]), int(datagrams.lengths[number])
    page = read_discovery(datagrams.data[start : start + size].tobytes())
    return list(page.universes) if page else []
