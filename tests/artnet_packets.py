"""Art-Net packets for tests, by the tables of Art-Net 4 (from memory), without the code that they test."""

from __future__ import annotations

import struct


def art_dmx(sequence: int, physical: int, port_address: int, slots: bytes) -> bytes:
    """An ArtDmx packet."""
    net, low = divmod(port_address, 256)
    fields = struct.pack(">HBBBBH", 14, sequence, physical, low, net, len(slots))
    return b"Art-Net\0\0\x50" + fields + slots


def art_poll() -> bytes:
    """An ArtPoll packet that asks for replies to changes."""
    return b"Art-Net\0\0\x20" + struct.pack(">HBB", 14, 2, 0)


def art_poll_reply(address: bytes, port_address: int) -> bytes:
    """The reply of a node with one output."""
    head = b"Art-Net\0\0\x21" + address + struct.pack("<H", 6454)
    switches = bytes([0, 1, port_address >> 8, port_address >> 4 & 15]) + bytes(6)
    names = b"left".ljust(18, b"\0") + b"Left".ljust(64, b"\0") + b"#0001 [0001] ready".ljust(64, b"\0")
    ports = bytes([0, 1, 0x80, 0, 0, 0]) + bytes(12) + bytes([port_address & 15, 0, 0, 0])
    return (head + switches + names + ports).ljust(239, b"\0")
