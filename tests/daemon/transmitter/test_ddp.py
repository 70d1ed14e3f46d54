"""DDP through the transmitter: its streams follow mixer, limiter, areas, spread and hand-over as those of E1.31 do.

`ddp_reader.py` reads the packets. It is written from the public specification alone.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.view import View
from tests.daemon.transmitter.player_harness import MS, A, B, FakeSender, PlayerHarness, film, setup_with
from tests.daemon.transmitter.process_harness import SECOND_NS, segment, universe
from tests.shows.protocols.ddp_reader import Packet, Pixels, read

E131_SLOTS, E131_BEGINS = 126, b"\0\x10"
"""Where the slots begin in a data packet of E1.31, and how it begins (ANSI E1.31-2018, table 4-1)."""


def ddp(number: int, slots: int = 510, host: str = A, **more: Any) -> dict[str, Any]:
    return universe(number, host, slots=slots, protocol="ddp", slots_per_pixel=3, **more)


def packets_to(host: str, sender: FakeSender) -> list[Packet]:
    return [read(data) for _, to, data in sender.left if to == host and data[:2] != E131_BEGINS]


def shown_by(host: str, sender: FakeSender, controller: Pixels | None = None) -> Pixels:
    """A controller that has taken all packets to a host."""
    controller = controller or Pixels()
    for packet in packets_to(host, sender):
        controller.take(packet)
    return controller


def test_a_ddp_controller_shows_what_one_of_e131_shows_with_the_same_strings(sender: FakeSender) -> None:
    """A string of 180 pixels, of which two were cut out; a gap; 12 slots of fog; fuses that lower; a zone in a fade. A
    third controller has universes in between."""
    cuts, unscaled, strings, roof = [], [], [], []
    for first in (1, 11):
        second, third = first + 1, first + 4
        spans = [[first, 1, 510], [second, 1, 30]]
        cuts += [{"spans": spans, "slots_per_pixel": 3, "missing": [2, 171]}]
        cuts += [{"spans": [[second, 31, 60]], "slots_per_pixel": 30, "missing": [1]}]
        unscaled += [[third, 1, 12]]
        strings += [{"ma": 20, "spans": spans}, {"ma": 20, "spans": [[second, 61, 510], [third, 13, 510]]}]
        roof += [[first, 400, 510], [second, 1, 100]]
    fuses = [
        {"kind": "string", "name": str(n), "ma": 3000, "always_ma": 100, "strings": [n]} for n in range(len(strings))
    ]
    limits = {"strings": strings, "levels": [fuses]}
    ours = [ddp(number) for number in (1, 2, 5)]
    theirs = [universe(number, B) for number in (11, 12, 15)]
    between = [universe(number, "192.0.2.23") for number in (3, 4, 6)]
    more = {"limits": limits, "cuts": cuts, "unscaled": unscaled}
    harness = PlayerHarness(sender, *ours, *theirs, *between, **more)
    fade = segment(0, SECOND_NS, (0.0, 1.0), look=255)
    harness.score(segment(0, SECOND_NS, look=90), areas=[(roof, [fade])])
    harness.play(SECOND_NS)
    e131 = [data[E131_SLOTS:] for _, to, data in sender.left if to == B]
    frames = [b"".join(e131[at : at + 3]) for at in range(0, len(e131), 3)]
    assert shown_by(A, sender).shown == frames
    assert len({*frames}) > 20, "the fade moves"
    assert frames[-1][534:570] == bytes(36), "what moved up, and the gap"
    assert 0 < max(frames[-1]) < 255, "the fuse lowers it"


def test_the_packets_of_a_spread_frame_leave_one_after_the_other_and_only_the_last_one_pushes(
    sender: FakeSender,
) -> None:
    harness = PlayerHarness(sender, *(ddp(number, 480, spread_ns=4 * MS) for number in range(1, 13)))
    harness.score(segment(0, 9 * SECOND_NS, look=7))
    sent = harness.play(20 * MS)
    packets = packets_to(A, sender)
    assert [packet.push for packet in packets] == [False, False, False, True]
    assert [at_ns for at_ns, _, _ in sent] == [MS * at for at in (0, 1, 2, 3)]
    assert [packet.sequence for packet in packets] == [1, 2, 3, 4]
    assert {packet.kind for packet in packets} == {(1, 3)}, "RGB of 8 bits"
    assert shown_by(A, sender).shown == [bytes([7]) * 12 * 480]


def test_view_and_counters_find_each_slot_in_the_packet_that_has_it(sender: FakeSender) -> None:
    """Universe 6 is in two packets. Universe 3, of another controller, is between the others in the mixed frame."""
    output = Output(setup_with(*(ddp(number) for number in (1, 2, 4, 5, 6)), universe(3, B)))
    (group,), view = output.groups, View()
    mixed = np.zeros(6 * 510, np.uint8)
    mixed[[0, 509, 510, 1019, 5 * 510 + 419, 5 * 510 + 420, 6 * 510 - 1]] = range(1, 8)
    group.fill(mixed)
    group.send()
    view.pick([512, 512 + 509, 1024, 1024 + 509, 6 * 512 + 419, 6 * 512 + 420, 6 * 512 + 509, 6 * 512 + 510])
    assert view.levels(output.mixer, output.blocks()) == "AQIDBAUGBwA="
    counted = output.counters.figures()["universe_packets"]
    assert [(first, last, packets) for first, last, packets, _ in counted] == [
        (1, 2, 1),
        (3, 3, 1),
        (4, 5, 1),
        (6, 6, 2),
    ]


def test_unchanged_data_go_three_times_and_then_every_900_ms_and_the_end_is_black_and_then_nothing(
    sender: FakeSender,
) -> None:
    harness = PlayerHarness(sender, *(ddp(number) for number in (1, 2, 3)), between_performances="release")
    harness.score(segment(0, 3 * SECOND_NS, look=9), segment(3 * SECOND_NS, 9 * SECOND_NS, show=None))
    at_ms = [at_ns // MS for at_ns, _, data in harness.play(3 * SECOND_NS) if read(data).push]
    assert at_ms == [0, 25, 50, 950, 1850, 2750]
    controller = shown_by(A, sender)
    assert controller.shown == [bytes([9]) * 1530] * 6
    sender.left.clear()
    harness.play(9 * SECOND_NS)
    shown_by(A, sender, controller)
    assert controller.shown[6:] == [bytes(1530)] * 6
    assert sender.left[-1][0] == 3 * SECOND_NS + 50 * MS, "silence"


@pytest.mark.parametrize("beside", [[], [universe(2, B, slots=512)]], ids=["alone", "beside E1.31"])
def test_every_frame_of_a_fast_piece_is_sent(beside: list[dict[str, Any]], sender: FakeSender) -> None:
    """60 frames a second. E1.31 gets half of them: 6.6.1 allows 44 of 512 slots (E1.11, from memory)."""
    harness = PlayerHarness(sender, ddp(1, 20), *beside)
    harness.score(film(0, 9 * SECOND_NS, fps=(60, 1)))
    harness.play(SECOND_NS)
    assert [packet.data[0] for packet in packets_to(A, sender)] == list(range(1, 61))
    assert len([to for _, to, _ in sender.left if to == B]) == len(beside) * 30


@pytest.mark.parametrize(
    "after",
    [
        [ddp(1), ddp(3)],
        [ddp(1), ddp(2), ddp(3), ddp(4)],
        [ddp(1, 6), ddp(2), ddp(3)],
        [ddp(2), ddp(3)],
        [ddp(1, host=B), ddp(2), ddp(3)],
        [universe(1, A), ddp(2), ddp(3)],
        [universe(1, A), universe(2, A), universe(3, A)],
        [],
    ],
    ids=["less", "more", "shorter", "first gone", "moved", "one is E1.31", "all are E1.31", "all gone"],
)
def test_a_stream_that_is_laid_out_anew_goes_black_as_it_was_before_the_new_one_begins(
    after: list[dict[str, Any]], sender: FakeSender
) -> None:
    kept = [ddp(21, host="192.0.2.29"), universe(31, "192.0.2.30")]
    before = Output(setup_with(*(ddp(number) for number in (1, 2, 3)), *kept))
    for group in before.groups:
        group.fill(np.full(before.mixer.size, 50, np.uint8))
        group.send()
    output = Output(setup_with(*after, *kept))
    before.hand_over(output)
    assert len([one for one in sender.left if one[1] in ("192.0.2.29", "192.0.2.30")]) == 2, "these go on"
    old = packets_to(A, sender)
    assert [one.sequence for one in old] == [place % 15 + 1 for place in range(len(old))]
    controller = shown_by(A, sender)
    assert controller.shown == [bytes([50]) * 1530, *[bytes(1530)] * 4]
    sender.left.clear()
    for group in output.groups:
        group.fill(np.full(output.mixer.size, 60, np.uint8))
        group.send()
    size = sum(one["slots"] for one in after if one["hosts"] == (A,) and one["protocol"] == "ddp")
    if size:
        shown_by(A, sender, controller)
        assert controller.shown[5:] == [bytes([60]) * size + bytes(max(0, 1530 - size))]


def test_a_stream_that_stays_as_it_is_goes_on_without_a_break(sender: FakeSender) -> None:
    """The setup is another one: a controller has gained a universe."""
    before = Output(setup_with(ddp(1), ddp(2), universe(3, B)))
    before.groups[0].send()
    sender.left.clear()
    before.hand_over(Output(setup_with(ddp(1), ddp(2), universe(3, B), universe(4, B))))
    assert sender.left == []
