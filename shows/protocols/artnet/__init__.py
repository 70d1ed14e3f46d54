"""Art-Net 4: its numbers, and port-addresses as controllers' pages write them. No sockets, no state.

Facts of the Art-Net 4 specification come from memory. Tests compare them with tshark and with other programs.
"""

from __future__ import annotations

import re
import struct

from gloaming.shows.time_units import SECOND_NS

PORT = 6454
IDENTIFIER, VERSION = b"Art-Net\0", 14
"""How each packet begins, and the version of the protocol that it follows."""
OP_DMX, OP_NZS, OP_SYNC, OP_POLL, OP_POLL_REPLY = 0x5000, 0x5100, 0x5200, 0x2000, 0x2100
OP_AT = 8
"""The offset of the operation code. Its low byte is first."""
PORT_ADDRESS_MAX = 0x7FFF
"""A port-address has 15 bits: 7 of the net, 4 of the sub-net, 4 of the universe."""
BROADCAST = "broadcast"
"""Instead of a host: the broadcast address of the interface."""
SOURCE_LOSS_NS = 10 * SECOND_NS
"""A node that merges two sources keeps the levels of one that has stopped for so long. A source may repeat unchanged
data only every 4 s."""

_WRITTEN = re.compile(r"(\d{1,3}):(\d{1,2}):(\d{1,2})")


def head(op: int) -> bytes:
    """How a packet begins: its operation code has the low byte first, all other numbers the high one."""
    return IDENTIFIER + struct.pack("<H", op) + struct.pack(">H", VERSION)


def port_address(text: str) -> int | None:
    """A port-address from "net:sub-net:universe" or from its number. None if it is neither, or beyond 15 bits."""
    if found := _WRITTEN.fullmatch(text):
        net, sub_net, universe = map(int, found.groups())
        return (net << 8 | sub_net << 4 | universe) if net <= 127 and max(sub_net, universe) <= 15 else None
    return int(text) if re.fullmatch(r"\d{1,5}", text) and int(text) <= PORT_ADDRESS_MAX else None


def as_written(number: int) -> str:
    """A port-address as "net:sub-net:universe"."""
    return f"{number >> 8}:{number >> 4 & 15}:{number & 15}"
