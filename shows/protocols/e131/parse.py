"""Reads E1.31 packets: one datagram, or many as arrays of fields. No sockets, no state.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from gloaming.shows.protocols import ProtocolName, e131, printable
from gloaming.shows.protocols.datagrams import SIZE_AT, Datagrams, Integers, PacketKind, Packets, head_rows
from gloaming.shows.protocols.e131 import (
    DATA_LOSS_NS,
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
    PORT,
    PREAMBLE,
    PREVIEW,
    PRIORITY_MAX,
    ROOT_DATA,
    ROOT_EXTENDED,
    SLOTS_MAX,
)
from gloaming.shows.protocols.packets import Bytes

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


def source_name(name: bytes) -> str:
    """The text of a source name field, 6.2.2: UTF-8 up to the null. Invalid bytes are replaced."""
    return name.partition(b"\0")[0].decode("utf-8", "replace")


def read(datagrams: Datagrams, preview: bool = False) -> Packets:
    """The fields of datagrams. Nothing is refused: `kind` says what cannot be used.

    With `preview`, data that are marked as preview count like all others.
    """
    heads = head_rows(datagrams, HEAD_BYTES)
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


@dataclass(frozen=True, slots=True)
class E131Reader:
    """E1.31 for its receivers. `preview`: data that are marked as preview count like all others."""

    preview: bool = False

    name = ProtocolName.E131
    port = PORT
    multicast = True
    numbers = 256
    no_number = None
    data_loss_ns = synchronization_loss_ns = DATA_LOSS_NS
    """6.7.1; 11.1.2."""

    step = staticmethod(e131.step)

    def read(self, datagrams: Datagrams) -> Packets:
        """As `PacketReader`."""
        return read(datagrams, self.preview)

    def numbering(self, packets: Packets) -> dict[bytes, Integers]:
        """Nothing: each universe has its own numbers (6.7.2)."""
        return {}

    def own_bytes(self, size: Integers) -> Integers:
        """As `PacketReader`: by the length of the root layer (5.4)."""
        return SIZE_AT + (size & 0x0FFF)

    def announced(self, packets: Packets) -> set[int]:
        """The universes on the pages of discovery packets (section 8)."""
        universes = set[int]()
        datagrams = packets.datagrams
        for number in np.flatnonzero(packets.kind == PacketKind.DISCOVERY).tolist():
            start, size = int(datagrams.starts[number]), int(datagrams.lengths[number])
            page = read_discovery(datagrams.data[start : start + size].tobytes())
            universes.update(page.universes if page else ())
        return universes

    def source_text(self, packets: Packets, number: int) -> str:
        """Its name (6.2.2), printable characters only, and the beginning of its CID."""
        name = printable(source_name(packets.heads.reshape(-1).view(_HEAD)["name"][number].tobytes()))
        return f"{name!r} ({packets.sources[packets.source[number]].hex()[:8]})"


E131_READER = E131Reader()
"""Without data that are marked as preview."""
