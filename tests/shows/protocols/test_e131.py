"""Reading and building E1.31 packets, compared with the sacn library. Section numbers: ANSI E1.31-2018."""

from __future__ import annotations

from ipaddress import IPv6Address
from uuid import UUID

import numpy as np
import pytest
from sacn import DataPacket
from sacn.messages.sync_packet import SyncPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from gloaming.shows.protocols.datagrams import Datagrams, PacketKind
from gloaming.shows.protocols.e131 import HEAD_BYTES, IPV6, PREVIEW, TERMINATED
from gloaming.shows.protocols.e131.build import E131, address_of
from gloaming.shows.protocols.e131.parse import read, read_data, read_discovery, source_name
from gloaming.shows.protocols.packets import Portion

CID = tuple(range(16))
NAME = "Pier Road boathouse, \u00e9t\u00e9"
DATA = DataPacket(CID, NAME, 258, (1, 2, 3), 120, 201, streamTerminated=True, previewData=True)
DISCOVERY = UniverseDiscoveryPacket(CID, NAME, (1, 258, 63_999), 1, 2)
SYNCHRONIZATION = 7
OURS = E131(UUID(bytes=bytes(CID)), NAME, 120, SYNCHRONIZATION, preview=True, sequence_from=201)
ALONE = E131(UUID(bytes=bytes(CID)), NAME, 100)
"""Without synchronization."""


def test_the_head_of_a_data_packet() -> None:
    raw = bytes(DATA.getBytes())
    head = read_data(raw)
    assert head is not None
    assert (head.cid, source_name(head.name)) == (bytes(CID), NAME)
    assert (head.priority, head.sequence, head.universe, head.start_code) == (120, 201, 258, 0)
    assert head.options == PREVIEW | TERMINATED
    assert raw[HEAD_BYTES : HEAD_BYTES + 4] == bytes((1, 2, 3, 0))
    assert read_data(memoryview(raw)) == head


def test_a_page_of_discovery() -> None:
    raw = bytes(DISCOVERY.getBytes())
    page = read_discovery(raw)
    assert page is not None
    assert (page.cid, source_name(page.name), page.page) == (bytes(CID), NAME, 1)
    assert page.universes == (1, 258, 63_999)
    assert read_discovery(raw[:-1]) == page._replace(universes=(1, 258))  # half a number is no number


@pytest.mark.parametrize(
    ("raw", "shortest"),
    [
        (bytes(DATA.getBytes()), HEAD_BYTES),
        (bytes(DISCOVERY.getBytes()), 120),
        (bytes(SyncPacket(CID, 7).getBytes()), 1 << 10),
    ],
    ids=["data", "discovery", "synchronization"],
)
def test_other_and_short_datagrams_are_ignored(raw: bytes, shortest: int) -> None:
    assert [read_data(raw), read_discovery(raw)].count(None) == (1 if shortest < len(raw) else 2)
    for length in range(min(shortest, len(raw))):
        assert read_data(raw[:length]) is None
        assert read_discovery(raw[:length]) is None
    for at in (0, 4, 15, 21, 43):  # preamble, identifier, and the vectors of both layers
        other = raw[:at] + bytes([raw[at] ^ 0x10]) + raw[at + 1 :]
        assert read_data(other) is None
        assert read_discovery(other) is None


def test_groups_of_ipv6_are_those_of_the_standard() -> None:
    """9.3.2, table 9-11: the bytes ff 18, ten of 00 and 83 00 between, then the universe."""
    for number in (1, 261, 63_999, 64_214):
        wanted = bytes.fromhex("ff18" + "00" * 10 + "8300") + number.to_bytes(2, "big")
        assert IPv6Address(address_of(IPV6, number)).packed == wanted


@pytest.mark.parametrize("slots", [1, 3, 511, 512])
def test_a_built_packet_is_that_of_the_sacn_library_except_for_its_length(slots: int) -> None:
    """A strict reader accepts the lengths of the layers (5.4, 6.1, 7.1, 7.6)."""
    (block,) = OURS.blocks([Portion("192.0.2.1", 258, slots, 0)])
    whole = DataPacket(CID, NAME, 258, (), 120, 201, previewData=True, sync_universe=SYNCHRONIZATION)
    theirs, ours = bytes(whole.getBytes())[: HEAD_BYTES + slots], block.packets[0].tobytes()
    assert len(ours) == HEAD_BYTES + slots
    lengths = {at + byte for at in (16, 38, 115, 123) for byte in (0, 1)}
    assert {at for at in range(len(ours)) if ours[at] != theirs[at]} <= lengths
    room = np.frombuffer(ours + bytes(HEAD_BYTES), np.uint8)
    one = np.zeros(1, np.int64)
    packets = read(Datagrams(room, one, one + len(ours), one, one), preview=True)
    assert (packets.kind[0], packets.slots[0], packets.universe[0]) == (PacketKind.DATA, slots, 258)


def test_sequence_numbers_go_on_from_255_to_0() -> None:
    """6.7.2. Synchronization packets have their own numbers (6.3)."""
    (block,) = OURS.blocks([Portion("192.0.2.1", number, 4, 4 * number) for number in range(1, 3)])
    sync = OURS.synchronization()
    assert sync and SyncPacket.make_sync_packet(tuple(sync.packet.tolist())).sequence == 201
    for number in range(202, 260):
        OURS.count(block.sequences)
        assert [read_data(row.tobytes()).sequence for row in block.packets] == [number % 256] * 2
    OURS.count(sync.sequences)
    read_back = SyncPacket.make_sync_packet(tuple(sync.packet.tolist()))
    assert (read_back.sequence, read_back.syncAddr) == (202, SYNCHRONIZATION)


@pytest.mark.parametrize("count", [0, 1, 512, 513, 63_999])
def test_discovery_lists_every_universe_once(count: int) -> None:
    packets = [packet for _, packet in ALONE.announcements(tuple(range(count, 0, -1)), ipv6=False)]
    pages = [UniverseDiscoveryPacket.make_universe_discovery_packet(tuple(packet)) for packet in packets]
    assert [number for page in pages for number in page.universes] == list(range(1, count + 1))
    assert [page.page for page in pages] == list(range(len(pages))) and {page.lastPage for page in pages} == {
        len(pages) - 1
    }
