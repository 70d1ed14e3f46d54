"""Art-Net out of the transmitter, alone and beside E1.31. No process, no sockets.

Facts of the Art-Net 4 specification come from memory. Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from gloaming.daemon.transmitter import output as output_module
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.view import View
from gloaming.shows.protocols.artnet import BROADCAST
from gloaming.shows.protocols.artnet.parse import read_dmx
from gloaming.shows.protocols.e131.parse import read_discovery
from tests.daemon.transmitter.player_harness import MS, A, B, FakeSender, PlayerHarness, film, setup_with
from tests.daemon.transmitter.process_harness import SECOND_NS, artnet, segment, universe

S = SECOND_NS
C = "192.0.2.23"
ALL = "192.0.2.255"
SYNC = b"Art-Net\0\x00\x52\x00\x0e\0\0"
Left = list[tuple[int, str, bytes]]


def is_artnet(packet: bytes) -> bool:
    return packet.startswith(b"Art-Net\0")


def dmx(left: Left) -> Iterator[tuple[str, int, int, bytes]]:
    """The address, the port-address, the sequence and the slots of each ArtDmx packet."""
    for _, to, packet in left:
        if head := read_dmx(packet):
            yield to, head.port_address, head.sequence, packet[18:]


def test_each_universe_is_sent_to_its_port_address_with_a_sequence_of_its_own(sender: FakeSender) -> None:
    universes = artnet(1, A, slots=4, port_address=0x7FFF), artnet(2, A, B, slots=3), artnet(5, BROADCAST, slots=4)
    output, view = Output(setup_with(*universes, sequence_from=253)), View()
    (group,) = output.groups
    for level in (1, 2, 3):
        group.fill(np.full(11, level, np.uint8))
        group.send()
    found = sorted(dmx(sender.left))
    assert len(found) == len(sender.left) == 12
    places = [(A, 2, 3), (A, 0x7FFF, 4), (B, 2, 3), (ALL, 5, 4)]
    sent = [(1, 3), (254, 1), (255, 2)]  # the sequence, and the level of the frame
    assert found == [
        (to, at, number, bytes([level] * slots + [0] * (slots % 2)))
        for to, at, slots in sorted(places)
        for number, level in sent
    ]
    view.pick([512, 2 * 512 + 2, 2 * 512 + 3, 5 * 512 + 3])
    assert view.levels(output.mixer, output.blocks()) == "AwMAAw=="  # 3, 3, none beyond the universe, 3
    figures = output.counters.figures()
    assert {one["host"]: (one["packets"], one["bytes"]) for one in figures["controllers"]} == {
        A: (6, 3 * 44),
        B: (3, 3 * 22),
        BROADCAST: (3, 3 * 22),
    }
    assert figures["universe_packets"] == [[1, 1, 3, 66], [2, 2, 6, 132], [5, 5, 3, 66]]
    assert {batch.port for part in output.counters.parts for batch in part.batches} == {6454}


def test_an_artsync_is_broadcast_once_after_each_frame_of_a_lead(sender: FakeSender) -> None:
    """Not once for each host. It carries no data, so it is counted apart. E1.31 has none of it."""
    far = [artnet(number, host, slots=4, lead_ns=20 * MS) for number, host in ((1, A), (2, B), (3, BROADCAST))]
    near = [artnet(4, A, slots=4), artnet(5, C, slots=4, spread_ns=2 * MS), universe(6, C, slots=4)]
    output = Output(setup_with(*far, *near, art_sync=True))
    early, late = output.groups
    for group, packets in ((early, 3), (late, 3)):
        sender.left.clear()
        for _ in range(3):
            group.send()
            group.flush()
        assert [packet == SYNC for _, _, packet in sender.left] == ([False] * packets + [True]) * 3
        assert {to for _, to, packet in sender.left if packet == SYNC} == {ALL}
    assert output.totals.synchronization_packets == 6 and output.totals.packets_sent == 18


def test_without_art_net_no_artsync_is_sent(sender: FakeSender) -> None:
    output = Output(setup_with(universe(1, A, slots=4), art_sync=True))
    output.groups[0].send()
    assert len(sender.left) == 1


def test_both_protocols_synchronize_each_in_its_own_way(sender: FakeSender) -> None:
    output = Output(setup_with(universe(1, A, slots=4), artnet(2, B, slots=4), art_sync=True, synchronization=7000))
    for _ in range(2):
        output.groups[0].send()
    assert [(to, len(packet)) for _, to, packet in sender.left] == [(A, 130), (B, 22), (A, 49), (ALL, 14)] * 2


@pytest.mark.parametrize("beside", [(), (universe(2, A, slots=20),)], ids=["alone", "beside E1.31"])
def test_unchanged_data_are_repeated_and_black_is_the_last_thing_sent(
    sender: FakeSender, beside: tuple[dict[str, Any], ...]
) -> None:
    """Three packets, then one every 900 ms: a node may give up after 4 s. At the end black is repeated before the
    silence, for a node keeps its last frame: one lost packet leaves no light on."""
    harness = PlayerHarness(sender, artnet(1, B, slots=20), *beside, between_performances="release")
    harness.score(segment(0, 3 * S, look=9), segment(3 * S, 9 * S, show=None))
    lit = [at_ns // MS for at_ns, to, _ in harness.play(3 * S) if to == B]
    assert lit == [0, 25, 50, 950, 1850, 2750]
    dark = [(at_ns // MS, packet[18:]) for at_ns, to, packet in harness.play(9 * S) if to == B]
    assert [at_ms for at_ms, _ in dark] == [3000, 3025, 3050, 3050, 3050, 3050]
    assert {slots for _, slots in dark} == {bytes(20)}
    sender.left.clear()
    harness.score(segment(0, 60 * S, look=9))
    assert harness.play(10 * S), "the stream begins again"


def test_a_stop_sends_black_more_than_once(sender: FakeSender) -> None:
    output = Output(setup_with(artnet(1, A, slots=2), art_sync=True))
    output.groups[0].fill(np.full(2, 9, np.uint8))
    output.groups[0].send()
    sender.left.clear()
    output.black()
    output.terminate()
    assert [slots for *_, slots in dmx(sender.left)] == [bytes(2)] * 4
    assert sender.left[-1][2] == SYNC, "a node that waits for ArtSync shows it"


def test_the_same_frames_leave_at_the_same_instants_by_art_net_as_by_e1_31(sender: FakeSender) -> None:
    """A film with a fade, an area, a dim window of a zone, a current limit, a lead, a spread, and too many frames for
    the larger universe."""
    one = {"ma": 20, "spans": [[1, 1, 20]]}
    limit = {"kind": "string", "name": "eaves", "ma": 200, "always_ma": 10, "strings": [0]}
    more = {"limits": {"strings": [one], "levels": [[limit]]}, "unscaled": [[1, 20, 20]]}

    def sent(make: Any, head: int) -> list[tuple[int, str, bytes]]:
        sender.now_ns = 0
        sender.left.clear()
        spread = {"spread_ns": 3 * MS, "lead_ns": 5 * MS}
        universes = make(1, A, slots=20, **spread), make(2, A, slots=512, **spread), make(3, B, slots=20)
        harness = PlayerHarness(sender, *universes, **more)
        harness.windows((0, 9 * S, 0.5, [[1, 11, 15]]))
        area = ([[1, 1, 5]], [segment(0, 9 * S, look=80)])
        harness.score(film(0, S, (0, 1), fps=[60, 1]), film(S, 9 * S, fps=[60, 1]), areas=[area])
        harness.play(S)
        harness.score(film(0, 9 * S, fps=[60, 1]))
        harness.play(2 * S)
        return [(at_ns, to, packet[head:]) for at_ns, to, packet in sender.left]

    by_e131, by_artnet = sent(universe, 126), sent(artnet, 18)
    assert len(by_e131) > 200 and by_artnet == by_e131
    assert len({slots for _, _, slots in by_e131}) > 50


def test_the_sequence_that_a_restart_goes_on_from_is_that_of_e1_31(sender: FakeSender) -> None:
    """6.7.2 says which numbers a receiver takes as old."""
    output = Output(setup_with(artnet(1, A, slots=2, lead_ns=MS), universe(2, B, slots=2), sequence_from=250))
    by_artnet, by_e131 = output.groups
    for group, frames in ((by_artnet, 7), (by_e131, 9)):
        for _ in range(frames):
            group.send()
    assert output.sequence == 259 & 0xFF
    assert Output(setup_with(artnet(1, A, slots=2), sequence_from=250)).sequence == 250


def test_art_net_counts_on_in_another_setup(sender: FakeSender) -> None:
    """A node may take a lower number as an old packet. E1.31 begins where 6.7.2 lets it, with all universes alike."""
    universes = artnet(1, A, slots=2), artnet(2, BROADCAST, slots=2), artnet(3, A, slots=2), universe(4, B, slots=2)
    before = Output(setup_with(*universes, sequence_from=200))
    for _ in range(100):
        before.groups[0].send()
    renumbered = artnet(7, A, slots=2, port_address=1, lead_ns=MS)
    others = artnet(3, C, slots=2), artnet(5, A, slots=2), *universes[1:2], universes[3]
    after = Output(setup_with(renumbered, *others, sequence_from=90), before=before)
    sender.left.clear()
    for group in after.groups:
        group.send()
    begun = {(to, at): sequence for to, at, sequence, _ in dmx(sender.left)}
    assert begun == {(A, 1): 46, (ALL, 2): 46, (C, 3): 91, (A, 5): 91}, "300, less the 255 before 1"
    assert [packet[111] for _, to, packet in sender.left if to == B] == [91]


def test_discovery_names_the_universes_of_e1_31_alone(sender: FakeSender) -> None:
    """4.4 is about E1.31. An IPv6 address of another controller adds no group."""
    by_ipv6 = "2001:db8::21"
    output = Output(setup_with(universe(1, A, slots=2), artnet(2, B, slots=2), artnet(3, by_ipv6, slots=2)))
    output.announce(0)
    (page,) = [read_discovery(packet) for _, _, packet in sender.left]
    assert page is not None and page.universes == (1,)
    sender.left.clear()
    Output(setup_with(artnet(2, B, slots=2))).announce(0)
    assert not sender.left


BEFORE = (
    *(artnet(1, A, slots=2), artnet(2, B, slots=2, port_address=0)),
    *(universe(3, A, slots=2), artnet(4, BROADCAST, slots=2)),
)


@pytest.mark.parametrize(
    ("after", "black"),
    [
        (BEFORE, []),
        ((universe(1, A, slots=2), *BEFORE[1:]), [(A, 1)]),
        ((artnet(1, C, slots=2), *BEFORE[1:]), [(A, 1)]),
        ((artnet(1, A, slots=2, port_address=9), *BEFORE[1:]), [(A, 1)]),
        ((BEFORE[0], artnet(2, B, slots=2), *BEFORE[2:]), [(B, 0)]),
        ((artnet(7, A, slots=2, port_address=1), *BEFORE[1:]), []),
        ((*BEFORE[:3], artnet(4, C, slots=2)), [(ALL, 4)]),
        ((*BEFORE[:2], artnet(3, A, slots=2), BEFORE[3]), [(A, 3)]),
        (BEFORE[:2], [(A, 3), (ALL, 4)]),
        ((), [(A, 1), (A, 3), (B, 0), (ALL, 4)]),
    ],
    ids=[
        *("nothing", "protocol", "host", "port-address", "not port-address 0", "number", "no broadcast", "of E1.31"),
        *("two are gone", "all are gone"),
    ],
)
def test_a_stream_that_a_setup_changes_goes_black_and_ends_and_no_other(
    sender: FakeSender, after: tuple[dict[str, Any], ...], black: list[tuple[str, int]]
) -> None:
    """An E1.31 stream ends by Stream_Terminated (6.2.6), an Art-Net stream by silence."""
    old = Output(setup_with(*BEFORE))
    for group in old.groups:
        group.fill(np.full(8, 9, np.uint8))
        for _ in range(5):
            group.send()
    sender.left.clear()
    old.hand_over(Output(setup_with(*after)))
    ended = {(to, at) for to, at, _, slots in dmx(sender.left) if slots == bytes(2)}
    numbers: dict[tuple[str, int], list[int]] = {}
    for to, at, sequence, _ in dmx(sender.left):
        numbers.setdefault((to, at), []).append(sequence)
    assert all(each == list(range(6, 10)) for each in numbers.values()), "the numbers go on"
    by_e131 = [packet for _, _, packet in sender.left if not is_artnet(packet)]
    assert [packet[112] & 0x40 for packet in by_e131] in ([], [0, 0x40, 0x40, 0x40])
    assert {packet[126:] for packet in by_e131} <= {bytes(2)}
    assert sorted(ended | ({(A, 3)} if by_e131 else set())) == black


@pytest.mark.parametrize(
    ("universes", "art_sync", "opened"),
    [
        ((universe(1, multicast=True), universe(2, A)), True, (A, False, False)),
        ((universe(1, multicast="ipv6"),), False, (None, True, False)),
        ((artnet(1, "2001:db8::21"),), False, ("2001:db8::21", True, False)),
        ((artnet(1, A),), True, (A, False, True)),
        ((artnet(1, BROADCAST), artnet(2, A)), False, (A, False, True)),
        ((artnet(1, BROADCAST),), False, (None, False, True)),
    ],
)
def test_sockets_are_opened_for_what_is_sent(
    monkeypatch: pytest.MonkeyPatch, universes: Any, art_sync: bool, opened: tuple[str | None, bool, bool]
) -> None:
    """The first address leads to the interface. IPv6 and broadcast have sockets where they are used."""
    asked: list[Any] = []

    def open_sockets(*options: Any) -> FakeSender:
        asked.append(options)
        return FakeSender()

    monkeypatch.setattr(output_module, "UdpSender", open_sockets)
    Output(setup_with(*universes, art_sync=art_sync, interface=None))
    assert [options[:4] for options in asked] == [(None, *opened)]


@pytest.mark.parametrize(
    "target",
    [
        {**artnet(1, A), "port_address": None},
        {**universe(1, A), "port_address": 1},
        artnet(1, A, port_address=0x8000),
        artnet(1, "multicast"),
        artnet(1, "multicast by IPv6"),
        universe(1, BROADCAST),
        {**universe(1, BROADCAST), "protocol": "ddp"},
        {**universe(1, A), "protocol": "other"},
    ],
    ids=lambda one: f"{one['protocol']} {one['hosts'][0]} {one['port_address']}",
)
def test_a_setup_with_a_target_that_its_protocol_does_not_have_is_refused(target: dict[str, Any]) -> None:
    with pytest.raises(ValueError, match=r"address|ProtocolName|whole"):
        setup_with(target)


def test_the_frames_of_a_group_are_no_further_apart_than_a_node_waits(sender: FakeSender) -> None:
    harness = PlayerHarness(sender, artnet(1, B, slots=20), universe(2, A, slots=20))
    harness.score(film(0, S), film(S, 60 * S, still=7))
    times = [at_ns for at_ns, to, _ in harness.play(20 * S) if to == B]
    assert max(after - before for before, after in pairwise(times)) <= S
