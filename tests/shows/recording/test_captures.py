"""Capture files of all kinds. `editcap` (Wireshark) writes some of them. The link headers are written by hand, by
www.tcpdump.org/linktypes.html, IEEE 802.1Q and 802.2, RFC 791, RFC 8200."""

from __future__ import annotations

import gzip
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.protocols.e131.parse import E131_READER
from gloaming.shows.recording import capture, capture_records
from gloaming.shows.recording.capture_records import Seen
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.recorder import Wanted
from tests.places import REFERENCE
from tests.shows.streams import data, ethernet, everything, ipv4, pcap, shortened, stream
from tests.tools import needs

CAPTURE = REFERENCE / "moving-picture-13-universes-25fps.pcapng"
LEVELS = np.arange(1, 61, dtype=np.uint8)[:, None].repeat(2, axis=1)
EVENTS = stream(LEVELS, 1)


def whole(path: Path, out: Path) -> bool:
    outcome = from_capture(path, out, Wanted(slots="sent"))
    return np.array_equal(everything(outcome.info).reshape(len(LEVELS), 2, 512)[:, :, 0], LEVELS)


@needs("editcap")
@pytest.mark.parametrize("kind", ["pcap", "nsecpcap", "pcapng"])
@pytest.mark.parametrize("zipped", [False, True])
def test_what_editcap_writes_is_read(tmp_path: Path, kind: str, zipped: bool) -> None:
    path = tmp_path / "in"
    subprocess.run(["editcap", "-F", kind, CAPTURE, path], check=True, capture_output=True)
    if zipped:
        path.write_bytes(gzip.compress(path.read_bytes()))
    outcome = from_capture(path, tmp_path / "out.frames", Wanted())
    assert (outcome.info.fps, outcome.counts.lost_in_all) == (25, 0)
    assert np.array_equal(everything(outcome.info), np.load(REFERENCE / "moving-picture-64x32-25fps.npy"))


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("nanos", [False, True])
def test_both_byte_orders_and_both_resolutions(tmp_path: Path, order: str, nanos: bool) -> None:
    packets = [(at_ns, ethernet(payload)) for at_ns, payload in EVENTS]
    assert whole(pcap(tmp_path / "in.pcap", packets, order=order, nanos=nanos), tmp_path / "out.frames")


def block(order: str, kind: int, body: bytes) -> bytes:
    body += bytes(-len(body) % 4)
    return struct.pack(order + "II", kind, 12 + len(body)) + body + struct.pack(order + "I", 12 + len(body))


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("resolution", [(9, 1_000_000_000), (6, 1_000_000), (0x80 | 20, 1 << 20), (3, 1000)])
def test_pcapng_of_either_order_and_any_resolution(tmp_path: Path, order: str, resolution: tuple[int, int]) -> None:
    """draft-ietf-opsawg-pcapng, 4.2: if_tsresol is a power of ten, or with its first bit set a power of two."""
    code, per_second = resolution
    options = struct.pack(order + "HHB3xHHqHH", 9, 1, code, 14, 8, 1_790_000_000, 0, 0)
    parts = [
        block(order, 0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1)),
        block(order, 1, struct.pack(order + "HHI", 1, 0, 0) + options),
        block(order, 0xBAD, b"a kind nobody knows"),
    ]
    for number, (at_ns, payload) in enumerate(EVENTS):
        ticks = at_ns * per_second // 1_000_000_000
        packet = ethernet(payload)
        head = (0, ticks >> 32, ticks & 0xFFFFFFFF, len(packet), len(packet))
        old = struct.pack(order + "HHIIII", 0, 0, *head[1:])
        parts.append(
            block(order, 2, old + packet)
            if number % 2
            else block(order, 6, struct.pack(order + "IIIII", *head) + packet)
        )
    path = tmp_path / "in.pcapng"
    path.write_bytes(b"".join(parts))
    assert whole(path, tmp_path / "out.frames")


def fragments(payload: bytes) -> list[bytes]:
    """RFC 791: pieces at multiples of eight bytes."""
    packet = ipv4(payload)
    head, body = packet[:20], packet[20:]
    cut = [(0, body[:320], 0x2000), (320, body[320:], 0)]
    return [
        bytes(12) + b"\x08\x00" + head[:2] + struct.pack(">HHH", 20 + len(piece), 7, more | at // 8) + head[8:] + piece
        for at, piece, more in cut
    ]


LINKS: dict[str, tuple[int, Callable[[bytes], bytes]]] = {
    "VLAN (IEEE 802.1Q)": (1, lambda one: bytes(12) + b"\x81\x00\x00\x07\x08\x00" + ipv4(one)),
    "two VLANs": (1, lambda one: bytes(12) + b"\x88\xa8\x00\x07\x81\x00\x00\x08\x08\x00" + ipv4(one)),
    "IP options": (1, lambda one: (lambda p: bytes(12) + b"\x08\x00\x46" + p[1:20] + bytes(4) + p[20:])(ipv4(one))),
    "raw IP": (101, ipv4),
    "raw IPv4": (228, ipv4),
    "cooked": (113, lambda one: bytes(14) + b"\x08\x00" + ipv4(one)),
    "cooked, version 2": (276, lambda one: b"\x08\x00" + bytes(18) + ipv4(one)),
    "IPv6 with a hop-by-hop header": (
        1,
        lambda one: (
            bytes(12)
            + b"\x86\xdd\x60\0\0\0"
            + struct.pack(">HBB", 16 + len(one), 0, 64)
            + bytes(32)
            + b"\x11\0"
            + bytes(6)
            + ipv4(one)[20:]
        ),
    ),
}


def two_interfaces(path: Path, events: list[tuple[int, int, bytes]]) -> Path:
    """A pcapng file of packets (time, interface, payload) in the given order."""
    parts = [block("<", 0x0A0D0D0A, struct.pack("<IHHq", 0x1A2B3C4D, 1, 0, -1))]
    parts += [block("<", 1, struct.pack("<HHIHHBxxxHH", 1, 0, 0, 9, 1, 9, 0, 0))] * 2
    for at_ns, interface, payload in events:
        packet = ethernet(payload)
        head = struct.pack("<IIIII", interface, at_ns >> 32, at_ns & 0xFFFFFFFF, len(packet), len(packet))
        parts.append(block("<", 6, head + packet))
    path.write_bytes(b"".join(parts))
    return path


@pytest.mark.parametrize("piece", [4 << 20, 10_000])
@pytest.mark.parametrize("jump_s", [0, -5, 3600])
@pytest.mark.parametrize("while_ms", [30, 250, 600])
def test_packets_of_interleaved_interfaces_are_sorted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, while_ms: int, jump_s: int, piece: int
) -> None:
    """dumpcap 4.0.17 writes 250 ms of one interface, then of the other. The clock may jump meanwhile."""
    monkeypatch.setattr(capture_records, "_PIECE", piece)
    while_ns = while_ms * 1_000_000
    events = [(at_ns, place % 2, payload) for place, (at_ns, payload) in enumerate(EVENTS)]
    events.sort(key=lambda event: (event[0] // while_ns, event[1], event[0]))
    jumped = [
        (10**18 + at_ns + (at_ns // while_ns * while_ms > 600) * jump_s * 10**9, at, payload)
        for at_ns, at, payload in events
    ]
    assert whole(two_interfaces(tmp_path / "in.pcapng", jumped), tmp_path / "out.frames")


@pytest.mark.parametrize("name", LINKS)
def test_every_link_is_read(tmp_path: Path, name: str) -> None:
    link, wrap = LINKS[name]
    packets = [(at_ns, wrap(payload)) for at_ns, payload in EVENTS]
    if name == "IP options":
        packets = [(at_ns, p[:16] + struct.pack(">H", len(p) - 14) + p[18:]) for at_ns, p in packets]
    assert whole(pcap(tmp_path / "in.pcap", packets, link), tmp_path / "out.frames")


def test_fragments_are_put_together(tmp_path: Path) -> None:
    packets = [(at_ns, piece) for at_ns, payload in EVENTS for piece in fragments(payload)]
    assert whole(pcap(tmp_path / "in.pcap", packets), tmp_path / "out.frames")


def test_only_the_fragments_that_stay_alone_are_unusable(tmp_path: Path) -> None:
    packets = [(at_ns, piece) for at_ns, payload in EVENTS for piece in fragments(payload)]
    out = tmp_path / "out.frames"
    assert from_capture(pcap(tmp_path / "in.pcap", packets), out, Wanted()).notes == ()
    outcome = from_capture(pcap(tmp_path / "in.pcap", packets[:-1]), tmp_path / "less.frames", Wanted())
    assert outcome.notes == ("unusable: 1 packets a fragment",)


@pytest.mark.parametrize("slots", [512, 100])
def test_bursts_that_segmentation_offload_left_whole_are_split(tmp_path: Path, slots: int) -> None:
    """Two short packets together are no longer than one long packet."""
    short = [(at_ns, shortened(payload, slots)) for at_ns, payload in EVENTS]
    packets = [(short[place][0], ethernet(short[place][1] + short[place + 1][1])) for place in range(0, len(short), 2)]
    outcome = from_capture(pcap(tmp_path / "in.pcap", packets), tmp_path / "out.frames", Wanted(slots="sent"))
    assert np.array_equal(everything(outcome.info).reshape(len(LEVELS), 2, slots)[:, :, 0], LEVELS)


@pytest.mark.parametrize(
    "link, packet, text",
    [
        (105, bytes(60), "of link type 105; only Ethernet, Linux cooked and raw IP can be read"),  # IEEE 802.11
        (0, bytes(60), "of link type 0; only Ethernet, Linux cooked and raw IP can be read"),  # BSD loopback
        (1, bytes(12) + b"\x02\x00\xaa\xaa\x03\0\0\0\x08\0" + ipv4(data(1, 0, [1])), "not UDP"),  # LLC and SNAP
        (1, bytes(12) + b"\x08\x06" + bytes(40), "not UDP"),
        (1, fragments(data(1, 0, [1]))[0], "a fragment"),
        (1, bytes(8), "cut short before its payload"),
    ],
)
def test_what_cannot_be_used_is_counted_on_one_line(tmp_path: Path, link: int, packet: bytes, text: str) -> None:
    with pytest.raises(InputError, match=f"no E1.31 levels in the file: 3 packets, 3 {text}"):
        from_capture(pcap(tmp_path / "in.pcap", [(0, packet)] * 3, link), tmp_path / "out.frames", Wanted())
    if link == 1:
        good = [(at_ns, ethernet(payload)) for at_ns, payload in EVENTS]
        outcome = from_capture(
            pcap(tmp_path / "in.pcap", [*good, (2_000_000_000, packet)]), tmp_path / "out.frames", Wanted()
        )
        assert outcome.info.frames == 60 and outcome.notes == (f"unusable: 1 packets {text}",)


def test_a_capture_of_headers_only_is_reported(tmp_path: Path) -> None:
    packets = [(at_ns, ethernet(payload)[:96]) for at_ns, payload in EVENTS]
    with pytest.raises(InputError, match="120 cut short"):
        from_capture(pcap(tmp_path / "in.pcap", packets), tmp_path / "out.frames", Wanted())


def test_a_capture_cut_short_is_read_as_far_as_it_goes(tmp_path: Path) -> None:
    path = tmp_path / "in.pcapng"
    for data_, text in (
        (CAPTURE.read_bytes()[:600_000], "cut short after packet 842"),
        (gzip.compress(CAPTURE.read_bytes(), mtime=0)[:-9000], "it cannot be read to its end"),
    ):
        path.write_bytes(data_)
        outcome = from_capture(path, tmp_path / "out.frames", Wanted())
        assert outcome.info.frames >= 64 and text in outcome.notes[-1]
        assert np.array_equal(everything(outcome.info)[:64], np.load(REFERENCE / "moving-picture-64x32-25fps.npy")[:64])


@pytest.mark.parametrize(
    "content", [b"", b"\n", b"\x0a\x0d\x0d\x0a", b"\xd4\xc3\xb2\xa1", b"text " * 20, gzip.compress(b"text", mtime=0)]
)
def test_a_file_that_is_no_capture_gives_one_line(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "in.pcap"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        from_capture(path, tmp_path / "out.frames", Wanted())
    assert "\n" not in str(caught.value)
    assert not (tmp_path / "out.frames").exists()
    with pytest.raises(InputError):
        from_capture(tmp_path, tmp_path / "out.frames", Wanted())


SMALL = CAPTURE.read_bytes()[:60_000]


@settings(
    max_examples=150, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.lists(st.tuples(st.integers(0, 59_999), st.integers(0, 255)), min_size=1, max_size=30),
    st.integers(0, 60_000),
    st.booleans(),
)
def test_a_damaged_capture_is_read_or_refused(
    tmp_path: Path, flips: list[tuple[int, int]], length: int, in_heads: bool
) -> None:
    """Changed bytes anywhere or in the headers of blocks and packets, and a missing end."""
    damaged = bytearray(SMALL)
    for at, value in flips:
        damaged[at // 712 * 712 + at % 100 if in_heads else at] = value
    path = tmp_path / "in.pcapng"
    path.write_bytes(damaged[: max(length, 2000)])
    try:
        outcome = from_capture(path, tmp_path / "out.frames", Wanted())
    except InputError as error:
        assert "\n" not in str(error)
    else:
        assert 1 <= outcome.info.frames < 200_000
        assert len(everything(outcome.info)) == outcome.info.frames


def test_a_pass_counts_packets() -> None:
    seen = Seen()
    assert sum(len(one.starts) for one in capture.datagrams(CAPTURE, seen, E131_READER)) == 1716
    assert (seen.packets, seen.unusable.total(), seen.trouble) == (1716, 0, None)
