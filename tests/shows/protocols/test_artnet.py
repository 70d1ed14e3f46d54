"""Art-Net: port-addresses and packets. Facts of the Art-Net 4 specification come from memory.

`test_readers.py` of the transmitter reads the packets by other programs.
"""

from __future__ import annotations

import numpy as np
import pytest

from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import BROADCAST, PORT_ADDRESS_MAX, as_written, port_address
from gloaming.shows.protocols.artnet.build import ArtNet
from gloaming.shows.protocols.artnet.parse import DmxHead, read_dmx
from gloaming.shows.protocols.packets import Portion


@pytest.mark.parametrize(
    ("text", "number"), [("0:0:0", 0), ("0:0:1", 1), ("0:1:0", 16), ("1:0:0", 256), ("127:15:15", 32767)]
)
def test_a_port_address_is_written_by_its_parts_or_as_a_number(text: str, number: int) -> None:
    assert port_address(text) == port_address(str(number)) == number
    assert as_written(number) == text


@pytest.mark.parametrize("text", ["", "128:0:0", "0:16:0", "0:0:16", "0:1", "0:0:0:0", "-1", str(PORT_ADDRESS_MAX + 1)])
def test_what_has_more_than_15_bits_is_no_port_address(text: str) -> None:
    assert port_address(text) is None


def test_each_protocol_has_a_name_for_people() -> None:
    assert [one.words for one in ProtocolName] == ["E1.31", "Art-Net", "DDP"]


@pytest.mark.parametrize(("slots", "sent"), [(1, 2), (2, 2), (511, 512), (512, 512)])
def test_a_packet_has_an_even_number_of_slots(slots: int, sent: int) -> None:
    """One 0 more than asked for, so that a shorter packet than 2 slots is never sent."""
    (block,) = ArtNet({7: 0x7FFE}, "192.0.2.255").blocks([Portion("192.0.2.21", 7, slots, 100)])
    block.fill(np.full(700, 9, np.uint8))
    packet = block.packets[0].tobytes()
    assert packet[:12] == b"Art-Net\0\x00\x50\x00\x0e"
    assert read_dmx(packet) == DmxHead(0, 0, 0x7FFE, sent) and packet[14:16] == b"\xfe\x7f"
    assert packet[18:] == bytes([9] * slots + [0] * (sent - slots)) and block.slots == slots


def test_the_sequence_goes_from_1_to_255_and_never_is_0() -> None:
    """0 says that the order is not to be looked at."""
    artnet = ArtNet({7: 7}, "192.0.2.255", sequence_from=250)
    (block,) = artnet.blocks([Portion("192.0.2.21", 7, 10, 0)])
    counted = []
    for _ in range(260):
        artnet.count(block.sequences)
        counted.append(block.packets[0, 12])
    assert counted == [*range(251, 256), *range(1, 256)]


def test_a_host_may_be_the_broadcast_address() -> None:
    artnet = ArtNet({7: 7, 8: 8}, "192.0.2.255", synchronizes=True)
    blocks = artnet.blocks([Portion(host, 7, 10, 0) for host in (BROADCAST, "192.0.2.21")])
    assert [row.address for block in blocks for row in block.rows] == ["192.0.2.255", "192.0.2.21"]
    assert {artnet.synchronization_to(block.host) for block in blocks} == {(BROADCAST, "192.0.2.255")}
    assert (sync := artnet.synchronization()) and sync.packet.tobytes() == b"Art-Net\0\x00\x52\x00\x0e\0\0"
    assert ArtNet({}, "192.0.2.255").synchronization() is None
