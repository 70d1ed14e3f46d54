"""The fields of E1.31 packets, against packets that the sacn library builds."""

from __future__ import annotations

import pytest
from sacn import DataPacket
from sacn.messages.sync_packet import SyncPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from gloaming.shows.protocols.e131 import HEAD_BYTES, PREVIEW, TERMINATED
from gloaming.shows.protocols.e131.parse import read_data, read_discovery, source_name

CID = tuple(range(16))
NAME = "Pier Road boathouse, \u00e9t\u00e9"
DATA = DataPacket(CID, NAME, 258, (1, 2, 3), 120, 201, streamTerminated=True, previewData=True)
DISCOVERY = UniverseDiscoveryPacket(CID, NAME, (1, 258, 63_999), 1, 2)


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
    assert read_discovery(raw[:-1]) == page._replace(universes=(1, 258))  # a number cut in half is none


@pytest.mark.parametrize(
    ("raw", "shortest"),
    [
        (bytes(DATA.getBytes()), HEAD_BYTES),
        (bytes(DISCOVERY.getBytes()), 120),
        (bytes(SyncPacket(CID, 7).getBytes()), 1 << 10),
    ],
    ids=["data", "discovery", "synchronization"],
)
def test_what_is_something_else_or_ends_too_soon_is_passed_over(raw: bytes, shortest: int) -> None:
    assert [read_data(raw), read_discovery(raw)].count(None) == (1 if shortest < len(raw) else 2)
    for length in range(min(shortest, len(raw))):
        assert read_data(raw[:length]) is None
        assert read_discovery(raw[:length]) is None
    for at in (0, 4, 15, 21, 43):  # preamble, identifier, and the vectors of both layers
        other = raw[:at] + bytes([raw[at] ^ 0x10]) + raw[at + 1 :]
        assert read_data(other) is None
        assert read_discovery(other) is None
