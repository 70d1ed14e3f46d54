"""A sender of E1.31 packets under many names, or of malformed ones: the reports of it stay short and rare.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

import json
import socket
import struct
import time
from pathlib import Path
from typing import Any, cast
from uuid import UUID, uuid4

import pytest
from sacn import DataPacket

from gloaming.daemon.transmitter.counters import Totals
from gloaming.daemon.transmitter.others import SOURCES_MAX, OtherSources, as_troubles
from gloaming.daemon.transmitter.telemetry import telemetry
from gloaming.daemon.transmitter.troubles import Troubles
from gloaming.daemon.transmitter.watch import SourceWatch
from tests.daemon.transmitter.player_harness import FakeSender, PlayerHarness
from tests.daemon.transmitter.process_harness import CID, SECOND_NS, running_transmitter, street, universe
from tests.namespaces import in_namespace
from tests.tools import needs

LINE_BYTES_MAX = 256 << 10
"""A quarter of the longest line that a planner reads."""
MINUTE_LINES_MAX = 24


def spoofed(number: int, universe: int = 5, name: str | None = None) -> bytes:
    """A packet of a new source."""
    cid = tuple(uuid4().bytes)
    return bytes(DataPacket(cid, name or f"source {number}", universe, (1, 2, 3)).getBytes())


def test_sixty_four_new_sources_a_second_are_one_trouble() -> None:
    said: list[dict[str, Any]] = []
    others, troubles = OtherSources({5}, UUID(CID).bytes), Troubles(said.append)
    for second in range(60):
        at_ns = second * SECOND_NS
        for number in range(64):
            others.heard(at_ns, f"192.0.2.{number}", spoofed(64 * second + number))
        for subject, text, more, _ in as_troubles(others.standing(at_ns), "eth0"):
            troubles.seen(at_ns, "other-source", subject, text, more)
        troubles.report_ended(at_ns)
    begun = [one for one in said if not one["over"]]
    assert [one["subject"] for one in begun] == ["eth0"] and "64 other sources" in begun[0]["text"]


def test_sources_that_come_one_by_one_are_reported_rarely() -> None:
    """At most three at a time, each with a new address and a new name."""
    said: list[dict[str, Any]] = []
    others, troubles = OtherSources({5}, UUID(CID).bytes), Troubles(said.append)
    for second in range(60):
        at_ns = second * SECOND_NS
        others.heard(at_ns, f"192.0.2.{second}", spoofed(second))
        for subject, text, more, _ in as_troubles(others.standing(at_ns), "eth0"):
            assert "source" not in subject
            troubles.seen(at_ns, "other-source", subject, text, more, SECOND_NS)
        troubles.report_ended(at_ns)
    assert 2 <= len(said) <= MINUTE_LINES_MAX


def test_telemetry_is_short_for_any_rig_and_any_senders(sender: FakeSender) -> None:
    """4,096 universes with different totals on 4,096 controllers, and 64 sources on all of them. Each character of
    their names takes six bytes of JSON."""
    numbers = range(1, 4097)
    harness = PlayerHarness(
        sender, *(universe(number, f"10.0.{number >> 8}.{number & 255}", slots=4) for number in numbers)
    )
    output = harness.player.output
    assert output
    for part in output.counters.parts:
        part.rounds = 10**12
        for place, batch in enumerate(part.batches):
            part.refused[batch] = place
    others = OtherSources(set(numbers), UUID(CID).bytes)
    for source in range(2 * SOURCES_MAX):
        cid = uuid4().bytes
        for number in numbers:
            packet = bytearray(spoofed(source, number, "\u0416" * 31))
            packet[22:38] = cid
            others.heard(0, "192.0.2.7", bytes(packet))
            if source >= 2:
                break  # the other sources send one packet each; the loop below completes them
    for known in others._sources.values():
        known.data_ns = dict.fromkeys(numbers, 0)
    standing = tuple(others.standing(SECOND_NS))

    class Watching:
        watched = len(numbers)

        def standing(self) -> Any:
            return standing

        def boards(self) -> Any:
            return standing

    said = telemetry(harness.player, Totals(), cast(SourceWatch, Watching()))
    assert len(json.dumps(said)) < LINE_BYTES_MAX
    assert (said["controller_count"], said["range_count"], said["other_source_count"]) == (4096, 4096, SOURCES_MAX)
    assert said["other_sources"][0]["universe_count"] == 4096
    assert said["controllers"][0]["errors"] == 4095, "those with errors come first"
    for _, text, more, _ in as_troubles(standing[:1], "eth0"):
        assert len(text) + len(json.dumps(more)) < 2000


def malformed() -> dict[str, bytes]:
    """Data packets that no receiver may take."""
    good = bytes(DataPacket(tuple(UUID(int=9).bytes), "Harbour office", 5, (1, 2, 3)).getBytes())

    def with_bytes(at: int, data: bytes) -> bytes:
        return good[:at] + data + good[at + len(data) :]

    return {
        "priority above 200 (6.2.3)": with_bytes(108, b"\xff"),
        "a CID of zeros (5.6)": with_bytes(22, bytes(16)),
        "a name without its null (6.2.2)": with_bytes(44, b"\xc4" * 64),
        "flags that are not 7 (5.4)": with_bytes(16, b"\x02"),
        "a length past the end (5.4)": with_bytes(16, b"\x7f\xff"),
        "a length of nothing (5.4)": with_bytes(16, b"\x70\x00"),
        "a framing layer that ends too soon (6.1)": with_bytes(38, b"\x70\x01"),
        "more slots than bytes (7.6)": with_bytes(123, b"\x02\x01"),
        "no slots (7.6)": with_bytes(123, b"\x00\x00"),
        "universe 0 (6.2.7)": with_bytes(113, b"\x00\x00"),
        "universe 65535 (6.2.7)": with_bytes(113, b"\xff\xff"),
        "an unknown vector (6.2.1)": with_bytes(40, b"\x00\x00\x00\x07"),
        "the head alone": good[:126],
        "a head cut short": good[:125],
        "discovery with half a universe": good[:18] + b"\0\0\0\x08" + good[22:40] + b"\0\0\0\2" + good[44:114]
        + b"\0\0\0\1\0\0\5",
    }  # fmt: skip


@pytest.mark.parametrize("kind", list(malformed()))
def test_a_malformed_packet_does_not_disturb_the_watch(kind: str) -> None:
    """It may be reported as another source, since somebody sends. Other sources are still reported correctly."""
    others = OtherSources({5}, UUID(CID).bytes)
    for at_s in range(5):
        others.heard(at_s * SECOND_NS, "192.0.2.9", malformed()[kind])
        others.heard(at_s * SECOND_NS, "192.0.2.7", spoofed(0, name="Harbour office") if at_s == 4 else b"")
        standing = others.standing(at_s * SECOND_NS)
        assert all(one.text.isprintable() and len(one.text) < 200 for one in standing)
    assert [one.name for one in standing if one.address == "192.0.2.7"] == ["Harbour office"]
    assert not others.standing(20 * SECOND_NS)


@needs("ip")
def test_on_the_wire_spoofed_and_malformed_packets_are_reported_rarely(tmp_path: Path) -> None:
    """For four seconds, 64 sources a second and every malformed packet, by multicast and to our own address."""
    with street() as there, running_transmitter(tmp_path, there.sender) as transmitter:
        transmitter.setup([universe(5, multicast=True, slots=4)], interface="out0")
        transmitter.wait_for("telemetry", lambda said: said["watched"] == 1)
        rival = in_namespace(there.receiver, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        with rival:
            rival.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton("192.0.2.21"))
            for second in range(4):
                packets = [spoofed(64 * second + number) for number in range(64)] + list(malformed().values())
                for packet in packets:
                    rival.sendto(packet, ("239.255.0.5", 5568))
                    rival.sendto(packet, ("192.0.2.1", 5568))
                time.sleep(1)
        transmitter.wait_for("telemetry", lambda said: said["other_source_count"] > 3)
        transmitter.wait_for("trouble", lambda said: said["over"])
        troubles = [one for one in transmitter.heard if one["op"] == "trouble"]
        assert {one["kind"] for one in troubles} == {"other-source"} and len(troubles) <= 8
        assert max(len(json.dumps(one)) for one in transmitter.heard) < LINE_BYTES_MAX
        assert transmitter.end()["messages_unread"] == 0


def test_a_board_of_the_site_is_found_however_many_strangers_send() -> None:
    board = UUID(int=7)
    others = OtherSources({5}, UUID(CID).bytes, frozenset((board.hex,)))
    for number in range(2 * SOURCES_MAX):
        others.heard(0, f"192.0.2.{number}", spoofed(number))
    others.heard(0, "192.0.2.7", bytes(DataPacket(tuple(board.bytes), "loft", 5, (1, 2, 3)).getBytes()))
    assert [one.name for one in others.standing(0) if one.cid == board.hex] == ["loft"]


def test_a_setup_with_another_board_alone_opens_no_new_sockets(tmp_path: Path) -> None:
    with running_transmitter(tmp_path) as transmitter:
        for boards in ([], [uuid4().hex]):
            transmitter.setup([universe(5, "127.0.44.10", slots=4)], boards=boards)
        transmitter.send(op="view", picks=[5 * 512])
        transmitter.wait_for("view")  # messages are read in their order
        assert len([one for one in transmitter.heard if one["op"] == "hello" and one["wire"]]) == 1


def test_a_name_is_never_a_subject() -> None:
    others = OtherSources({5}, UUID(CID).bytes)
    others.heard(0, "192.0.2.7", spoofed(0, name="frames"))
    ((subject, text, more, _),) = as_troubles(others.standing(0), "eth0")
    assert subject == "192.0.2.7" and '"frames"' in text and more["name"] == "frames"
    assert struct.unpack_from(">H", spoofed(0), 113)[0] == 5
