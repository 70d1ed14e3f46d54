"""Art-Net packets as they are read."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.shows.protocols.artnet.parse import DmxHead, read_dmx
from tests.artnet_packets import art_dmx
from tests.daemon.transmitter.process_harness import run
from tests.shows.streams import ipv4, pcap
from tests.tools import needs

GOOD = art_dmx(7, 1, 0x123, bytes(range(24)))


def test_the_head_of_an_art_dmx_packet_is_read() -> None:
    assert read_dmx(GOOD) == DmxHead(sequence=7, physical=1, port_address=0x123, slots=24)
    assert read_dmx(art_dmx(0, 0, 0x7FFF, bytes(512)) + b"more") == DmxHead(0, 0, 0x7FFF, 512)
    assert read_dmx(memoryview(art_dmx(0, 0, 0, bytes(3)))) == DmxHead(0, 0, 0, 3)


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(GOOD[:17], id="a head cut short"),
        pytest.param(GOOD[:-1], id="fewer bytes than slots"),
        pytest.param(GOOD[:18], id="no slots"),
        pytest.param(art_dmx(1, 0, 1, b""), id="a length of 0"),
        pytest.param(art_dmx(1, 0, 1, bytes(513)), id="more than 512 slots"),
        pytest.param(art_dmx(1, 0, 0x8001, bytes(2)), id="a port-address of 16 bits"),
        pytest.param(GOOD[:8] + b"\0\x52" + GOOD[10:], id="ArtSync"),
        pytest.param(GOOD[:8] + b"\x50\0" + GOOD[10:], id="an op code with its bytes exchanged"),
        pytest.param(GOOD[:11] + b"\x0d" + GOOD[12:], id="protocol version 13"),
        pytest.param(b"art-net\0" + GOOD[8:], id="another identifier"),
    ],
)
def test_another_datagram_is_no_art_dmx_packet(data: bytes) -> None:
    assert read_dmx(data) is None


@needs("tshark")
def test_tshark_reads_the_same_fields(tmp_path: Path) -> None:
    packets = [GOOD, art_dmx(255, 3, 0x7FFF, bytes(512)), art_dmx(0, 0, 16, bytes(2))]
    path = pcap(tmp_path / "packets", [(0, ipv4(packet)) for packet in packets], link=101)  # LINKTYPE_RAW
    fields = [f"artnet.output.{name}" for name in ("sequence", "physical", "universe", "length")]
    words = ["tshark", "-r", str(path), "-d", "udp.port==5568,artnet"]  # the packets of the captures have that port
    words += ["-T", "fields", *(word for one in fields for word in ("-e", one))]
    read = [tuple(int(value, 0) for value in line.split()) for line in run(*words).splitlines()]
    assert read == [read_dmx(packet) for packet in packets]
