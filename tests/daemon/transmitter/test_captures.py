"""Synchronization, discovery and keep-alive on the wire, captured with the kernel's times. tshark reads the packets;
the standard's tables serve for those that it does not know. Section numbers are those of ANSI E1.31-2018."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from statistics import median

import numpy as np
import pytest
from sacn.messages.sync_packet import SyncPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from tests.daemon.transmitter.captures import capture, discovery, extended, synchronization, tshark
from tests.daemon.transmitter.process_harness import (
    CID,
    SECOND_NS,
    Street,
    listening,
    moving,
    running_transmitter,
    segment,
    street,
    universe,
    write_frames,
)
from tests.tools import needs

pytestmark = needs("ip", "tshark")

NAME = "Pier Road boathouse"
HOST, HOST_IPV6 = "192.0.2.21", "2001:db8::21"
SYNCHRONIZATION, GROUP, GROUP_IPV6 = 7000, "239.255.27.88", "ff18::8300:1b58"  # 7000 is 27 * 256 + 88, 0x1b58


@pytest.fixture(scope="module")
def there() -> Iterator[Street]:
    with street() as two:
        yield two


@pytest.fixture(scope="module", autouse=True)
def calm(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[], Path]]:
    """A look that stays, on a cable of its own, while other tests run. Gives its capture after two discoveries."""
    folder = tmp_path_factory.mktemp("calm")
    with ExitStack() as stack:
        there = stack.enter_context(street())
        stack.enter_context(capture(there, folder / "capture.pcap"))
        transmitter = stack.enter_context(running_transmitter(folder, there.sender))
        transmitter.setup([universe(number, multicast=True, slots=40) for number in (1, 2)], interface="out0")
        transmitter.dark()
        now = time.time_ns()
        transmitter.score(segment(now, now + 600 * SECOND_NS, look=80))

        def end() -> Path:
            transmitter.wait_for("telemetry", lambda said: said["discovery_packets"] >= 2)
            transmitter.process.kill()  # without black and termination
            stack.close()
            return folder / "capture.pcap"

        yield end


def test_a_synchronization_packet_follows_each_frame_to_each_destination(there: Street, tmp_path: Path) -> None:
    """6.3, 11.1: unicast and multicast, by IPv4 and IPv6, with a sequence of its own that wraps."""
    film = write_frames(tmp_path / "film.frames", np.full((100, 60), 9, np.uint8), slots=20)
    captured = tmp_path / "capture.pcap"
    with (
        listening(HOST, HOST_IPV6, GROUP, GROUP_IPV6, namespace=there.receiver, interface="in0"),
        capture(there, captured),
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        to = [universe(number, HOST, HOST_IPV6, slots=20, multicast="both") for number in (1, 2, 3)]
        # not "offload": a capture would have whole bursts, before the kernel cuts them
        more = {"synchronization": SYNCHRONIZATION, "sequence_from": 200, "ttl": 9, "wire": "sendmmsg"}
        transmitter.setup(to, interface="out0", **more)
        transmitter.dark()
        now = time.time_ns()
        transmitter.score(segment(now, now + 60 * SECOND_NS, **moving(film, 100)))
        transmitter.wait_for("telemetry", lambda said: said["frames_sent"] >= 70)
        last = transmitter.end()
    found = [one for one in extended(captured) if one.payload[43] == 1]
    assert len(found) == last["synchronization_packets"]
    frames = last["packets_sent"] // (4 * len(to))
    for address in (HOST, HOST_IPV6, GROUP, GROUP_IPV6):
        mine = [one for one in found if one.to == address]
        read = [synchronization(one.payload) for one in mine]
        assert {(one["cid"], one["address"]) for one in read} == {(CID, SYNCHRONIZATION)}
        assert [one["sequence"] for one in read] == [(201 + number) & 0xFF for number in range(frames)]
        by_sacn = [SyncPacket.make_sync_packet(tuple(one.payload)) for one in mine]
        assert [(one.syncAddr, one.sequence) for one in by_sacn] == [(one["address"], one["sequence"]) for one in read]
        assert {one.port for one in mine} == {5568}
        assert {one.ttl for one in mine} == ({9} if address in (GROUP, GROUP_IPV6) else {64})
    fields = ("frame.number", "ip.dst", "ipv6.dst", "acn.dmx.seq_number", "acn.dmx.reserved", "acn.dmx.options")
    data = tshark(captured, *fields)
    # 6.2.4.1: tshark calls the synchronization address "reserved", its name in the draft
    assert {row["acn.dmx.reserved"] for row in data} == {str(SYNCHRONIZATION)}
    # 6.2.6: Force_Synchronization (bit 5) is 0: a receiver that misses a synchronization packet waits for the next
    assert {int(row["acn.dmx.options"], 0) for row in data} == {0x00, 0x40}
    for address in (HOST, HOST_IPV6):
        mine = [row for row in data if address in (row["ip.dst"], row["ipv6.dst"])]
        sent = [(int(row["frame.number"]), "data", int(row["acn.dmx.seq_number"])) for row in mine]
        sent += [(one.number, "sync", one.payload[44]) for one in found if one.to == address]
        wanted = [(kind, (201 + at) & 0xFF) for at in range(frames) for kind in ("data", "data", "data", "sync")]
        assert [(kind, sequence) for _, kind, sequence in sorted(sent)] == wanted


def test_discovery_is_sorted_and_paged_by_512(there: Street, tmp_path: Path) -> None:
    """8: at 1, 512, 513 and 1,200 universes; by IPv4 and IPv6 to the group of universe 64214. With synchronization its
    address is listed too (8.5). Read by table 4-3 and by the `sacn` library."""
    captured = tmp_path / "capture.pcap"
    lists = [
        ([63_999], None),
        ([*range(512, 0, -1)], None),
        ([*range(1, 512)], SYNCHRONIZATION),
        ([*range(1, 514)], None),
        ([*range(63_999, 63_000, -1), *range(1, 202)], SYNCHRONIZATION),
    ]
    with (
        listening(HOST, namespace=there.receiver, interface="in0"),
        capture(there, captured),
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        for numbers, address in lists:
            before = transmitter.heard[-1].get("discovery_packets", 0) if transmitter.heard else 0
            setup = [universe(number, HOST, slots=3) for number in numbers]
            setup[0] = universe(numbers[0], HOST, slots=3, multicast="ipv6")  # so that discovery uses IPv6 too
            transmitter.setup(setup, interface="out0", synchronization=address)
            pages = -(-len([*numbers, *([address] if address else [])]) // 512)
            transmitter.wait_for("telemetry", lambda said, n=before + 2 * pages: said["discovery_packets"] >= n)
        transmitter.end()
    found = [one for one in extended(captured) if one.payload[43] == 2]
    for group in ("239.255.250.214", "ff18::8300:fad6"):  # 64214 is 250 * 256 + 214, 0xfad6
        packets = [one for one in found if one.to == group]
        for numbers, address in lists:
            wanted = sorted([*numbers, *([address] if address else [])])
            count = -(-len(wanted) // 512)
            mine, packets = packets[:count], packets[count:]
            read = [discovery(one.payload) for one in mine]
            assert [(one["page"], one["last"]) for one in read] == [(page, count - 1) for page in range(count)]
            assert [one["universes"] for one in read] == [wanted[at : at + 512] for at in range(0, len(wanted), 512)]
            assert {(one["cid"], one["name"]) for one in read} == {(CID, NAME)}
            for one, listed in zip(mine, read, strict=True):
                packet = UniverseDiscoveryPacket.make_universe_discovery_packet(tuple(one.payload))
                assert (packet.page, packet.lastPage, [*packet.universes]) == (
                    listed["page"],
                    listed["last"],
                    listed["universes"],
                )
                assert packet.sourceName == NAME and bytes(packet.cid).hex() == CID
        assert not packets


def test_unchanged_data_and_discovery_are_sent_again(calm: Callable[[], Path]) -> None:
    """By the kernel's times. 6.6.2: three packets, then one every 800 to 1000 ms; only the sequence number differs.
    Appendix A: discovery every 10 s. The test takes medians, since a busy machine may be late with some."""
    captured = calm()
    rows = tshark(captured, "acn.dmx.universe", "acn.dmx.seq_number", "udp.payload", "frame.time_epoch")
    for number in ("1", "2"):
        mine = [row for row in rows if row["acn.dmx.universe"] == number]
        times = [float(row["frame.time_epoch"]) for row in mine]
        gaps = [after - before for before, after in pairwise(times)]
        assert len(gaps) >= 2 + 8
        assert median(gaps[:2]) < 0.8 <= median(gaps[2:]) <= 1.0
        assert {bytes.fromhex(row["udp.payload"])[126:] for row in mine} == {bytes([80]) * 40}
        sequences = [int(row["acn.dmx.seq_number"]) for row in mine]
        assert all((after - before) & 0xFF == 1 for before, after in pairwise(sequences))
    said = [one.at_s for one in extended(captured) if one.payload[43] == 2]
    assert said[1] - said[0] == pytest.approx(10, abs=2)
