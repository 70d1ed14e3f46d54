"""Art-Net packets for tests, by the tables of Art-Net 4 (from memory), without the code that they test."""

from __future__ import annotations

import struct
from socket import inet_aton


def art_dmx(sequence: int, physical: int, port_address: int, slots: bytes) -> bytes:
    """An ArtDmx packet."""
    net, low = divmod(port_address, 256)
    fields = struct.pack(">HBBBBH", 14, sequence, physical, low, net, len(slots))
    return b"Art-Net\0\0\x50" + fields + slots


def art_poll() -> bytes:
    """An ArtPoll packet that asks for replies to changes."""
    return b"Art-Net\0\0\x20" + struct.pack(">HBB", 14, 2, 0)


def art_poll_reply(
    bind_index: int = 1,
    name: bytes = b"left",
    long_name: bytes = b"Left eaves",
    report: bytes = b"#0001 [0007] all is well",
    net: int = 1,
    sub_net: int = 2,
    ports: int = 4,
    types: bytes = b"\x80\x80\x40\x80",
    good: bytes = b"\x80\x88\x00\x00",
    universes: bytes = b"\x03\x04\x05\x06",
    address: str = "192.0.2.21",
) -> bytes:
    """An ArtPollReply of 239 bytes, by the table of Art-Net 4. test_artnet_poll.py compares it with tshark."""
    head = b"Art-Net\0" + struct.pack("<H", 0x2100) + inet_aton(address) + struct.pack("<H", 6454)
    about = struct.pack(">HBBHBBH", 0x010E, net, sub_net, 0x00FF, 0, 0xD0, 0) + struct.pack(
        "18s64s64s", name, long_name, report
    )
    outputs = struct.pack(">H", ports) + types + bytes(4) + good + bytes(4) + universes
    end = bytes(6) + b"\0" + bytes([2, 0, 0, 0, 0, 7]) + inet_aton(address) + bytes([bind_index, 8]) + bytes(26)
    packet = head + about + outputs + end
    assert len(packet) == 239
    return packet
