"""E1.31 as it lies on the wire: the numbers of the standard, where each field of a packet is, and one packet read.

No sockets, no state. Section numbers are those of ANSI E1.31-2018; offsets count from the first byte of a datagram.
"""

from __future__ import annotations

import struct
from typing import NamedTuple

PORT = 5568
"""ACN_SDT_MULTICAST_PORT, appendix A."""
UNIVERSE_MAX, SLOTS_MAX, PRIORITY_MAX = 63_999, 512, 200
"""9.1.1; E1.11; 6.2.3."""
DISCOVERY_UNIVERSE = 64_214
"""E131_DISCOVERY_UNIVERSE, appendix A."""
PAGE_UNIVERSES = 512
"""Universes in a page of discovery, 8.5."""
HEAD_BYTES = 126
"""A data packet up to and with its start code, table 4-1."""
DATA_LOSS_NS = 2_500_000_000
"""E131_NETWORK_DATA_LOSS_TIMEOUT, appendix A; 6.7.1."""
PREVIEW, TERMINATED = 0x80, 0x40
"""The options of a data packet, 6.2.6."""

PREAMBLE, IDENTIFIER = 0x001000004153432D, 0x45312E3137000000  # 5.1 to 5.3: "ASC-E1.17"
ROOT_DATA, ROOT_EXTENDED = 4, 8  # 5.5
FRAMING_DATA = 2  # 6.2.1
FRAMING_SYNCHRONIZATION, FRAMING_DISCOVERY = 1, 2  # 6.3.1, 6.4.1
DISCOVERY_LIST = 1  # 8.2

FIELDS = {
    "preamble": (0, ">u8"),  # 5.1 to 5.3
    "identifier": (8, ">u8"),
    "root_size": (16, ">u2"),  # 5.4: four bits of flags, then the length from here on
    "root": (18, ">u4"),  # 5.5
    "cid": (22, "V16"),  # 5.6
    "cid_half": (22, "<u8"),
    "cid_rest": (30, "<u8"),
    "framing_size": (38, ">u2"),  # 6.1
    "framing": (40, ">u4"),  # 6.2.1, 6.3.1, 6.4.1
    "sync_sequence": (44, "u1"),  # 6.3.2
    "sync_address": (45, ">u2"),  # 6.3.3
    "name": (44, "V64"),  # 6.2.2
    "name_end": (107, "u1"),
    "priority": (108, "u1"),  # 6.2.3
    "address": (109, ">u2"),  # 6.2.4
    "sequence": (111, "u1"),  # 6.2.5
    "options": (112, "u1"),  # 6.2.6
    "universe": (113, ">u2"),  # 6.2.7
    "list": (114, ">u4"),  # 8.2
    "dmp_size": (115, ">u2"),  # 7.1
    "dmp": (117, "u1"),  # 7.2
    "page": (118, "u1"),  # 8.3
    "dmp_types": (118, ">u4"),  # 7.3 to 7.5, the first half of the increment
    "page_last": (119, "u1"),  # 8.4
    "dmp_step": (122, "u1"),
    "values": (123, ">u2"),  # 7.6
    "start_code": (125, "u1"),
}
"""Where each field begins, and its type as NumPy writes it."""
_CODES = {"u1": "B", ">u2": "H", ">u4": "I", ">u8": "Q", "V16": "16s", "V64": "64s"}


def _fields(*names: str) -> struct.Struct:
    """Reads some fields, which are in order and do not overlap."""
    code = ">"
    for name in names:
        at, kind = FIELDS[name]
        code += f"{at - struct.calcsize(code)}x{_CODES[kind]}"
    return struct.Struct(code)


_LAYERS = _fields("preamble", "identifier", "root", "framing")
_DATA = _fields("cid", "name", "priority", "sequence", "options", "universe", "start_code")
_DISCOVERY = _fields("cid", "name", "list", "page", "page_last")


class DataHead(NamedTuple):
    """What stands before the slots of a data packet."""

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
    """The head of a data packet; None for any other datagram."""
    if len(data) < HEAD_BYTES or _LAYERS.unpack_from(data) != (PREAMBLE, IDENTIFIER, ROOT_DATA, FRAMING_DATA):
        return None
    return DataHead._make(_DATA.unpack_from(data))


def read_discovery(data: bytes | memoryview) -> Discovery | None:
    """A page of universe discovery (section 8), its universes as they stand there; None for any other datagram."""
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
    """The text of a field `name`, 6.2.2: UTF-8 up to its null, whatever may be in it."""
    return name.partition(b"\0")[0].decode("utf-8", "replace")
