"""E1.31: the numbers of the standard, the place of each field in a packet, and the multicast groups.

`parse` reads packets, `build` makes them. Section numbers are those of ANSI E1.31-2018. Offsets count from the first
byte of a datagram. No sockets, no state.
"""

from __future__ import annotations

PORT = 5568
"""ACN_SDT_MULTICAST_PORT, appendix A."""
UNIVERSE_MAX, SLOTS_MAX, PRIORITY_MAX = 63_999, 512, 200
"""9.1.1; E1.11; 6.2.3."""
SOURCE_NAME_BYTES_MAX = 63
"""6.2.2: 64 octets with a null at the end."""
IPV4, IPV6 = "multicast", "multicast by IPv6"
"""Instead of a host: the multicast group of each universe."""
DISCOVERY_UNIVERSE = 64_214
"""E131_DISCOVERY_UNIVERSE, appendix A."""
PAGE_UNIVERSES = 512
"""Universes in a page of discovery, 8.5."""
HEAD_BYTES = 126
"""A data packet up to its start code, inclusive (table 4-1)."""
PACKET_BYTES_MAX = 1152
"""A discovery page of 512 universes has 1144 bytes. The room after it keeps a window inside its buffer."""
DATA_LOSS_NS = 2_500_000_000
"""E131_NETWORK_DATA_LOSS_TIMEOUT, appendix A; 6.7.1."""
DISCOVERY_NS = 10_000_000_000
"""E131_UNIVERSE_DISCOVERY_INTERVAL, appendix A."""
OLD_STEPS = range(-19, 1)
"""A packet whose sequence number makes one of these steps is discarded, 6.7.2."""
PREVIEW, TERMINATED = 0x80, 0x40
"""The options of a data packet, 6.2.6."""

PREAMBLE, IDENTIFIER = 0x001000004153432D, 0x45312E3137000000  # 5.1 to 5.3: "ASC-E1.17"
ROOT_DATA, ROOT_EXTENDED = 4, 8  # 5.5
FRAMING_DATA = 2  # 6.2.1
FRAMING_SYNCHRONIZATION, FRAMING_DISCOVERY = 1, 2  # 6.3.1, 6.4.1
DISCOVERY_LIST = 1  # 8.2
FLAGS = 0x7000  # 5.4, 6.1, 7.1: the upper bits of the length of a layer
DMP, DMP_TYPES, DMP_STEP = 0x02, 0xA1000000, 0x01  # 7.2 to 7.5

FIELDS = {
    "preamble": (0, ">u8"),  # 5.1 to 5.3
    "identifier": (8, ">u8"),
    "root_size": (16, ">u2"),  # 5.4: four bits of flags, then the length from this field on
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
"""The offset of each field and its NumPy type."""
CID_AT = FIELDS["cid"][0]


def step(sequence: int, before: int) -> int:
    """The step from one sequence number to another, -128 to 127 (6.7.2)."""
    return (sequence - before + 128) % 256 - 128


def group(universe: int) -> bytes:
    """The IPv4 group of a universe, 9.3.1: 239.255.hi.lo."""
    return bytes([239, 255, universe >> 8, universe & 0xFF])


def group_ipv6(universe: int) -> bytes:
    """The IPv6 group of a universe, 9.3.2: ff 18, ten bytes of 00, 83 00, hi, lo. IPv6 writes it as ff18::8300:hilo."""
    return bytes([0xFF, 0x18, *bytes(10), 0x83, 0x00, universe >> 8, universe & 0xFF])
