"""The parts of the transmitter, each alone: mixer, packets, lateness, troubles, other sources, nonsense messages.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

import copy
import errno
import json
import random
import socket
import time
from fractions import Fraction
from pathlib import Path
from typing import Any
from uuid import UUID

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sacn import DataPacket
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from gloaming.daemon.score.setup import Target
from gloaming.daemon.transmitter.bulk import batches
from gloaming.daemon.transmitter.clock import Lateness
from gloaming.daemon.transmitter.frame_mixer import Bytes, FrameMixer, Layer
from gloaming.daemon.transmitter.others import OtherSources
from gloaming.daemon.transmitter.output import portions
from gloaming.daemon.transmitter.troubles import Troubles, Unreached
from gloaming.shows.framefile.reader import FrameFileInfo, Universe
from gloaming.shows.protocols.e131.build import E131
from gloaming.shows.protocols.packets import Portion
from tests.daemon.transmitter.process_harness import (
    CID,
    SCORE,
    SECOND_NS,
    SETUP,
    artnet,
    fading,
    running_transmitter,
    segment,
    universe,
)

OTHER = tuple(range(16))


def file_of(*universes: Universe) -> FrameFileInfo:
    size = sum(one.slots for one in universes)
    return FrameFileInfo(Path("/film"), Fraction(40), 1, size, universes)


@settings(max_examples=200, deadline=None)
@given(st.integers(0, 256), st.integers(0, 255), st.randoms(use_true_random=False))
def test_a_mixed_frame_equals_floating_point_arithmetic(brightness: int, share: int, dice: random.Random) -> None:
    """Against NumPy: brightness, cross-fade, universes in any order, missing or cut short."""
    slots = {number: dice.randint(1, 12) for number in dice.sample(range(1, 9), dice.randint(1, 5))}
    mixer = FrameMixer(slots)
    at, universes = 0, []
    for number in dice.sample(range(1, 9), dice.randint(1, 6)):
        universes.append(Universe(number, dice.randint(1, 12), at))
        at += universes[-1].slots
    place = mixer.place(file_of(*universes))
    frame = np.array([dice.randint(0, 255) for _ in range(at)], np.uint8)
    before = frame.copy()
    wanted = np.zeros(sum(slots.values()))
    there = {one.number: frame[one.offset : one.offset + one.slots] for one in universes}
    begin = 0
    for number in sorted(slots):
        if number in there:
            part = there[number][: slots[number]]
            wanted[begin : begin + len(part)] = part
        begin += slots[number]
    one = mixer.mix(Layer(brightness, place, frame))
    assert np.abs(one - wanted * brightness / 256).max() <= 0.5
    if brightness == 256:
        assert (one == wanted).all()
    second = min(share, 256 - brightness)
    both = mixer.mix(Layer(brightness, place, frame), Layer(second, look=200))
    assert np.abs(both - (wanted * brightness + 200 * second) / 256).max() <= 0.5
    turned = mixer.mix(Layer(second, look=200), Layer(brightness, place, frame))
    assert np.abs(turned - (wanted * brightness + 200 * second) / 256).max() <= 0.5
    assert (frame == before).all(), "the mixer writes to no frame"


def test_the_limit_is_applied_last_and_changes_no_frame_in_the_cache() -> None:
    mixer = FrameMixer({1: 6})
    place = mixer.place(file_of(Universe(1, 6, 0)))

    def limit(finished: Bytes, at_ns: int) -> None:
        np.minimum(finished, 100, out=finished)

    mixer.limit = limit
    frame = np.full(6, 255, np.uint8)
    assert (mixer.mix(Layer(256, place, frame)) == 100).all()
    assert (mixer.mix(Layer(256, look=255)) == 100).all()
    assert (frame == 255).all()


@pytest.mark.parametrize("offload", [True, False])
def test_batches_carry_every_packet_once(offload: bool) -> None:
    there = [Portion("192.0.2.1", number, 512, 512 * number) for number in range(200)]
    (block,) = E131(UUID(CID), "Pier Road boathouse", 100).blocks(there)
    cut = batches(block, offload)
    assert all(batch.data.nbytes == batch.packets * batch.size <= 65_507 for batch in cut)
    assert b"".join(batch.data.tobytes() for batch in cut) == block.packets.tobytes()
    assert len(cut) == (4 if offload else 200)


def test_spread_packets_leave_in_parts_within_the_spread_in_order_of_universes() -> None:
    targets = tuple(Target(number, 512, ("192.0.2.1",), spread_ns=4_000_000) for number in range(1, 25))
    made = portions(targets, {number: 512 * number for number in range(1, 25)})
    assert [one.offset_ns for one in made] == [part * 500_000 for part in range(8) for _ in range(3)]
    assert [(one.universe, one.begin) for one in made] == [(number, 512 * number) for number in range(1, 25)]


def test_lateness_percentiles_are_those_of_numpy() -> None:
    lateness = Lateness()
    late_us = np.random.default_rng(2).gamma(1.2, 120, 5000).astype(int)
    for late in late_us:
        lateness.add(int(late) * 1000)
    figures = lateness.figures()
    for key, share in (("p50", 0.5), ("p99", 0.99), ("p999", 0.999)):
        wanted = np.sort(late_us)[int(np.ceil(share * 5000)) - 1]
        assert 0 <= figures[key] - wanted < (1 if wanted < 1000 else 50)
    assert figures["max"] == late_us.max()
    assert lateness.buckets() == [[edge, int((late_us < edge).sum())] for edge, _ in lateness.buckets()]


def test_a_trouble_is_reported_once_and_again_after_a_minute_at_the_earliest() -> None:
    said: list[dict[str, Any]] = []
    troubles = Troubles(said.append)
    for tenth in range(1800):  # three minutes in which it comes and goes every five seconds
        at_ns = tenth * SECOND_NS // 10
        if tenth // 50 % 2 == 0:
            troubles.seen(at_ns, "network", "left", "not taken")
        troubles.report_ended(at_ns)
    begun = [one for one in said if not one["over"]]
    assert len(begun) == 3 and len(said) - len(begun) in (2, 3)
    said.clear()
    troubles.report_ended(300 * SECOND_NS)
    troubles.seen(301 * SECOND_NS, "network", "left", "not taken")
    assert [one["over"] for one in said][-1:] == [False]
    troubles.repeat()
    assert said[-1] == said[-2]


def test_unreached_controllers_are_reported_one_by_one_and_most_of_them_together() -> None:
    """The errors of each second: one controller is reported by name; seven, then all of twenty, as one trouble."""
    unreached, hosts = Unreached(), [f"192.0.2.{number}" for number in range(20)]

    def reported(second: int, *failing: str, number: int = errno.EHOSTUNREACH) -> list[str | None]:
        found = unreached.seen(second * SECOND_NS, dict.fromkeys(failing, number), len(hosts))
        return [host for host, _, _ in found]

    assert reported(1, hosts[0]) == [] and reported(2) == [hosts[0]] and reported(3) == []
    assert reported(4, hosts[0]) == [hosts[0]]
    assert reported(60, *hosts[:7]) == []
    assert reported(61, *hosts[7:]) == [None] and reported(62) == [] and reported(63, hosts[3]) == [None]
    assert reported(72, hosts[3]) == [hosts[3]], "the others have been reached for ten seconds"
    assert reported(100, hosts[5], number=errno.EPERM) == [] and reported(101, hosts[5], number=errno.EPERM) == [
        hosts[5]
    ]
    two, seconds = Unreached(), (SECOND_NS, 2 * SECOND_NS)  # of two controllers, both by name
    assert [[host for host, _, _ in two.seen(at, {"a": 1, "b": 1}, 2)] for at in seconds] == [[], ["a", "b"]]


def test_a_host_that_is_the_broadcast_address_of_a_network_is_named_as_such() -> None:
    """Without SO_BROADCAST the kernel gives EACCES (socket(7)). ICMPv6 has it for what a router does not let pass."""
    unreached, hosts = Unreached(), {"192.0.2.255": errno.EACCES, "2001:db8::21": errno.EACCES}
    assert not list(unreached.seen(SECOND_NS, hosts, 9))
    by_ipv4, by_ipv6 = (text for _, text, _ in unreached.seen(2 * SECOND_NS, hosts, 9))
    assert "broadcast address" in by_ipv4 and "broadcast = true" in by_ipv4
    assert by_ipv6.endswith("Permission denied")


def heard(others: OtherSources, at_s: float, **packet: Any) -> None:
    options = {"cid": OTHER, "sourceName": "Harbour office", "universe": 5, "priority": 130, **packet}
    others.heard(int(at_s * SECOND_NS), "192.0.2.7", bytes(DataPacket(**options).getBytes()))


def test_another_source_is_present_until_2_5_s_after_its_last_data() -> None:
    """6.7.1."""
    others = OtherSources({5, 6}, UUID(CID).bytes)
    heard(others, 1)
    heard(others, 1.5, universe=6)
    heard(others, 1.5, universe=7)
    heard(others, 2, cid=tuple(UUID(CID).bytes), sourceName="ourselves")
    (one,) = others.standing(3 * SECOND_NS)
    assert (one.name, one.address, one.priority, one.universes) == ("Harbour office", "192.0.2.7", 130, (5, 6))
    assert one.since_ns == SECOND_NS
    assert [one.universes for one in others.standing(int(3.6 * SECOND_NS))] == [(6,)]
    assert not others.standing(int(4.1 * SECOND_NS))


def test_another_source_is_gone_when_it_terminates_its_stream() -> None:
    """6.2.6."""
    others = OtherSources({5}, UUID(CID).bytes)
    heard(others, 1)
    heard(others, 1.1, streamTerminated=True)
    assert not others.standing(int(1.2 * SECOND_NS))


def test_preview_data_are_no_other_source() -> None:
    others = OtherSources({5}, UUID(CID).bytes)
    heard(others, 1, previewData=True)
    assert not others.standing(SECOND_NS)


def test_a_source_that_sends_only_unicast_is_known_by_its_discovery() -> None:
    others = OtherSources({5}, UUID(CID).bytes)
    page = bytes(UniverseDiscoveryPacket(OTHER, "Harbour office", (4, 5, 9)).getBytes())
    others.heard(SECOND_NS, "192.0.2.7", page)
    (one,) = others.standing(10 * SECOND_NS)
    assert (one.universes, one.priority) == ((5,), None) and "unknown priority" in one.text
    assert not others.standing(14 * SECOND_NS)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=300), st.integers(0, 200))
def test_no_datagram_disturbs_the_watch(noise: bytes, cut: int) -> None:
    others = OtherSources({5}, UUID(CID).bytes)
    good = bytes(DataPacket(OTHER, "x" * 20, 5).getBytes())
    others.heard(0, "192.0.2.7", noise)
    others.heard(0, "192.0.2.7", good[:cut] + noise + good[cut:])
    others.heard(0, "192.0.2.7", good[: max(0, 638 - cut)])
    others.standing(SECOND_NS)


NONSENSE: list[Any] = [
    None,
    -1,
    0,
    1e400,
    float("nan"),
    2**70,
    "",
    "x" * 200,
    [],
    {},
    True,
    [[1]],
    "../..",
    "::1",
    65_536,
]


def twisted(message: dict[str, Any], dice: random.Random) -> dict[str, Any]:
    """A message with one value replaced by nonsense, or removed."""
    message = copy.deepcopy(message)
    place: Any = message
    while True:
        key = dice.choice(list(place) if isinstance(place, dict) else list(range(len(place))))
        if isinstance(place[key], (dict, list)) and place[key] and dice.random() < 0.8:
            place = place[key]
            continue
        if dice.random() < 0.2:
            del place[key]
        else:
            place[key] = dice.choice(NONSENSE)
        return message


def test_nonsense_messages_cannot_end_the_transmitter(tmp_path: Path) -> None:
    """After 600 messages with nonsense the transmitter still plays, and correctly."""
    host, dice = "127.0.44.9", random.Random(7)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listener, running_transmitter(tmp_path) as transmitter:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, 5568))
        listener.settimeout(20)
        now = time.time_ns()
        universes = [universe(1, host, slots=8), universe(2, host, slots=8), artnet(3, host, "broadcast", slots=8)]
        setup = {"op": "setup", **SETUP, "universes": universes, "art_sync": True}
        dark = {
            "op": "windows",
            "from_ns": now - 10**15,
            "until_ns": now + 10**15,
            "windows": [[now - 10**12, now - 10**11, 0.5, 0.5, "rule", [[1, 1, 4]]]],
            "rules": ["rule"],
            "held": [[time.monotonic_ns() - 10**12, 0.5, 0.5, "rule", None]],
            "rig_checks": [],
        }
        mix = fading(now, now + 10**12, "/x/other.frames")
        score = {"op": "score", "id": 1, **SCORE, "offset_ns": now - time.monotonic_ns()}
        score |= {"segments": [segment(now, now + 10**12, look=9, mix=mix), segment(now + 10**12, now + 10**13)]}
        score |= {"areas": [{"spans": [[1, 3, 6], [2, 1, 2]], "segments": [segment(now, now + 10**13, look=50)]}]}
        for number in range(600):
            message = twisted([setup, dark, score][number % 3], dice)
            transmitter.sock.sendall(json.dumps({**message, "op": message.get("op", "score")}).encode() + b"\n")
            if number % 200 == 0:
                transmitter.wait_for("telemetry")
        transmitter.send(**setup)
        transmitter.send(**dark)
        transmitter.send(**{**score, "id": 99, "segments": [segment(now, now + 10**13, look=77)], "areas": []})
        transmitter.wait_for("playing", lambda said: said["id"] == 99)
        while listener.recv(2048)[126:] != bytes([77]) * 8:
            pass
        transmitter.end()
