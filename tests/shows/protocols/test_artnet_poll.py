"""ArtPoll and ArtPollReply, also as tshark reads them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from gloaming.shows.protocols.artnet.poll import ArtNode, PollReply, build_poll, node_of, read_poll_reply
from tests.artnet_packets import art_poll_reply
from tests.daemon.transmitter.process_harness import run
from tests.shows.streams import ipv4, pcap
from tests.tools import needs

GOOD = art_poll_reply()


def test_a_reply_is_read() -> None:
    assert read_poll_reply(GOOD) == PollReply(
        address="192.0.2.21",
        bind_index=1,
        name="left",
        long_name="Left eaves",
        firmware="1.14",
        report="#0001 [0007] all is well",
        outputs=((0x123, 0x80), (0x124, 0x88), (0x126, 0)),
    )
    old = read_poll_reply(GOOD[:207])
    assert old and old.bind_index == 0 and len(old.outputs) == 3


def test_the_replies_of_a_node_are_one_node_whose_names_are_those_of_the_first_bind_index() -> None:
    second = art_poll_reply(2, b"left 2", b"", ports=1, good=b"\x81\0\0\0", universes=b"\x07\0\0\0")
    replies = [one for one in map(read_poll_reply, (second, GOOD)) if one]
    assert node_of("192.0.2.77", replies) == ArtNode(
        address="192.0.2.77",
        name="left",
        long_name="Left eaves",
        firmware="1.14",
        report="#0001 [0007] all is well",
        port_addresses=(0x123, 0x124, 0x126, 0x127),
        receives=(0x123, 0x124, 0x127),
        merges=(0x124,),
        by_e131=(0x127,),
    )


@pytest.mark.parametrize(
    "data",
    [
        pytest.param(b"", id="nothing"),
        pytest.param(GOOD[:206], id="cut short"),
        pytest.param(GOOD[:8] + b"\x21\0" + GOOD[10:], id="an op code with its bytes exchanged"),
        pytest.param(GOOD[:8] + b"\0\x20" + GOOD[10:], id="ArtPoll"),
        pytest.param(b"art-net\0" + GOOD[8:], id="another identifier"),
        pytest.param(build_poll(), id="our own poll"),
    ],
)
def test_another_datagram_is_no_reply(data: bytes) -> None:
    assert read_poll_reply(data) is None


@pytest.mark.parametrize(
    ("field", "text"),
    [
        pytest.param(b"left\0junk", "left", id="the null ends it"),
        pytest.param(b"x" * 80, "x" * 64, id="no null"),
        pytest.param("Küste 灯".encode(), "Küste 灯", id="UTF-8"),
        pytest.param("Küste".encode("latin-1"), "Küste", id="Latin-1"),
        pytest.param(b" \x1b[31mred\r\nline\x07 ", "[31mredline", id="control characters"),
        pytest.param("a\u202eb\u200bc".encode(), "abc", id="characters that turn a line round, or have no width"),
        pytest.param(b"\xff\xfe\x80\x9b", "ÿþ", id="control characters of Latin-1"),
    ],
)
def test_texts_are_printable_and_short(field: bytes, text: str) -> None:
    reply = read_poll_reply(art_poll_reply(long_name=field))
    assert reply and reply.long_name == text


@pytest.mark.parametrize(
    ("fields", "numbers"),
    [
        pytest.param({"ports": 1}, [0x123], id="one port"),
        pytest.param({"ports": 0}, [], id="no port"),
        pytest.param({"ports": 0xFFFF}, [0x123, 0x124, 0x126], id="more than four ports"),
        pytest.param({"types": b"\x40\x00\x05\x3f"}, [], id="inputs alone"),
        pytest.param({"net": 0xFF, "sub_net": 0xFF, "universes": b"\xff" * 4}, [0x7FFF], id="bits that no address has"),
    ],
)
def test_only_outputs_have_port_addresses_of_15_bits(fields: dict[str, Any], numbers: list[int]) -> None:
    reply = read_poll_reply(art_poll_reply(**fields))
    assert reply and sorted({number for number, _ in reply.outputs}) == numbers


@needs("tshark")
def test_tshark_reads_a_poll_without_complaint_and_the_same_fields_of_a_reply(tmp_path: Path) -> None:
    path = pcap(tmp_path / "packets", [(0, ipv4(build_poll())), (1, ipv4(GOOD))], link=101)  # LINKTYPE_RAW
    read = ("tshark", "-r", str(path), "-d", "udp.port==5568,artnet")  # the packets of the captures have that port
    fields = ["header.opcode", "header.protver", "poll.talktome", "poll.diag_priority"]
    fields += [f"poll_reply.{name}" for name in ("ip_address", "versinfo", "short_name", "long_name", "node_report")]
    fields += [f"poll_reply.{name}" for name in ("num_ports", "bind_index", "status2", "mac")]
    fields += [f"poll_reply.{name}_{port}" for port in (2, 4) for name in ("port_types", "swout", "good_output")]
    words = [*read, "-T", "fields", "-E", "separator=|", *(word for one in fields for word in ("-e", f"artnet.{one}"))]
    poll, reply = (line.split("|") for line in run(*words).splitlines())
    assert [int(value, 0) for value in poll[:4]] == [0x2000, 14, 0, 0] and set(poll[4:]) == {""}
    assert reply[4:9] == ["192.0.2.21", "0x010e", "left", "Left eaves", "#0001 [0007] all is well"]
    assert [int(value, 0) for value in reply[9:12]] == [4, 1, 8] and reply[12] == "02:00:00:00:00:07"
    assert [int(value, 0) for value in reply[13:]] == [0x80, 4, 0x88, 0x80, 6, 0]
    complaints = "_ws.malformed || _ws.expert.severity >= 0x600000 || data"  # warnings and errors; bytes left over
    assert run(*read, "-Y", complaints) == ""
