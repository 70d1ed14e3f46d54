"""Reads Art-Net packets. No sockets, no state. Facts of the Art-Net 4 specification come from memory."""

from __future__ import annotations

import struct
from typing import NamedTuple

from gloaming.shows.protocols.artnet import IDENTIFIER, OP_DMX, VERSION
from gloaming.shows.protocols.e131 import SLOTS_MAX

LOW_AT, NET_AT = 14, 15
"""The offsets of the low byte of a port-address, and of its net."""
_NAMED = struct.Struct("<8sH")
_DMX = struct.Struct(">10xHBBBBH")


class DmxHead(NamedTuple):
    """The fields of an ArtDmx packet before its slots. `sequence` 0 is not used. `slots` is their number."""

    sequence: int
    physical: int
    port_address: int
    slots: int


def read_dmx(data: bytes | memoryview) -> DmxHead | None:
    """The head of an ArtDmx packet, or None for any other datagram and for a malformed one. The slots follow the head.

    An odd number of slots is read too: the specification says that it should be even.
    """
    if len(data) <= _DMX.size or _NAMED.unpack_from(data) != (IDENTIFIER, OP_DMX):
        return None
    version, sequence, physical, low, net, slots = _DMX.unpack_from(data)
    if version < VERSION or net > 0x7F or not 1 <= slots <= min(SLOTS_MAX, len(data) - _DMX.size):
        return None
    return DmxHead(sequence, physical, net << 8 | low, slots)
