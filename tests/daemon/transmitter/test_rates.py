"""Pieces slower than the keep-alive, and faster than a universe allows: which packets leave, and the counters.

Section numbers are those of ANSI E1.31-2018. The rate of a universe is E1.11's (from memory): a packet of n slots takes
92 us of break, 12 us of mark and 44 us for each slot and the start code.
"""

from __future__ import annotations

from collections import defaultdict
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.transmitter import output as output_module
from gloaming.daemon.transmitter.telemetry import telemetry
from tests.daemon.transmitter.player_harness import MS, A, B, FakeSender, PlayerHarness, film
from tests.daemon.transmitter.process_harness import SECOND_NS, fading, segment, universe

MINUTE_NS = 60 * SECOND_NS
SLOWEST_NS, FASTEST_NS = 1_000 * MS, 800 * MS
"""6.6.2: unchanged data are sent every 800 to 1000 ms."""


def shortest_ns(slots: int) -> int:
    """The shortest time between two packets of a universe."""
    return (92 + 12 + 44 * (slots + 1)) * 1000


def gaps_ns(packets: list[tuple[int, str, bytes]]) -> list[int]:
    return [after - before for (before, *_), (after, *_) in pairwise(packets)]


def by_universe(packets: list[tuple[int, str, bytes]]) -> dict[int, list[tuple[int, bytes]]]:
    found: dict[int, list[tuple[int, bytes]]] = defaultdict(list)
    for at_ns, _, data in packets:
        found[data[113] << 8 | data[114]].append((at_ns, data))
    return found


def at_level(level: float, value: int) -> int:
    return (value * int(level * 256) + 127) >> 8


@pytest.mark.parametrize(("fps", "seconds"), [([1, 60], 60), ([1, 5], 5)])
def test_a_slow_piece_is_kept_alive_between_its_frames(sender: FakeSender, fps: list[int], seconds: int) -> None:
    """6.7.1: a source that is silent for 2.5 s is lost. 6.6.2: three packets, then one every 800 to 1000 ms."""
    harness = PlayerHarness(sender)
    harness.score(film(0, 10 * MINUTE_NS, fps=fps))
    packets = harness.play(3 * seconds * SECOND_NS)
    for number in range(3):
        begin_ns = number * seconds * SECOND_NS
        frame = [one for one in packets if begin_ns <= one[0] < begin_ns + seconds * SECOND_NS]
        assert frame[0][0] == begin_ns and {data[126] for _, _, data in frame} == {number + 1}
        assert all(gap < 300 * MS for gap in gaps_ns(frame)[:2])
        assert all(FASTEST_NS <= gap <= SLOWEST_NS for gap in gaps_ns(frame)[2:])
    assert max(gaps_ns(packets)) <= SLOWEST_NS
    frames = harness.player.frames
    assert (frames.due, frames.sent, frames.late, frames.dropped) == (3, 3, 0, 0)
    assert harness.player.lateness.total == 3


def test_a_dim_of_six_seconds_shows_within_one_frame_of_a_slow_piece(sender: FakeSender) -> None:
    """At 1/20 fps the dim begins and ends between two frames. Its fades are sent 40 times a second."""
    harness = PlayerHarness(sender)
    harness.score(film(0, 10 * MINUTE_NS, fps=[1, 20]))
    harness.play(3 * SECOND_NS)
    slow = {"fps": [1, 20], "zero_ns": 0}
    harness.score(
        film(2 * SECOND_NS, 3 * SECOND_NS, **slow),
        film(3 * SECOND_NS, 4 * SECOND_NS, (1.0, 0.2), **slow),
        film(4 * SECOND_NS, 9 * SECOND_NS, (0.2, 0.2), **slow),
        film(9 * SECOND_NS, 10 * SECOND_NS, (0.2, 1.0), **slow),
        film(10 * SECOND_NS, 10 * MINUTE_NS, **slow),
    )
    harness.read_ahead.scale = 100
    packets = harness.play(12 * SECOND_NS)
    fade = [(at, data[126]) for at, _, data in packets if at <= 4 * SECOND_NS]
    assert len(fade) >= 38
    assert all(value == at_level(1 - 0.8 * (at / SECOND_NS - 3), 100) for at, value in fade)
    assert {data[126] for at, _, data in packets if 4 * SECOND_NS < at < 9 * SECOND_NS} == {at_level(0.2, 100)}
    assert packets[-1][2][126] == 100
    assert max(gaps_ns(packets)) <= SLOWEST_NS and harness.player.frames.due == 1


def test_a_cross_fade_into_a_slow_piece_moves_throughout(sender: FakeSender) -> None:
    """The picture that fades out moves: its frames and its share change while no frame of the other is due."""
    harness = PlayerHarness(sender)
    harness.score(
        film(0, 2 * SECOND_NS, fps=[1, 60], mix=fading(0, 2 * SECOND_NS, "/other", frames=200)),
        film(2 * SECOND_NS, 10 * MINUTE_NS, fps=[1, 60], zero_ns=0),
    )
    packets = harness.play(2 * SECOND_NS)
    assert len(packets) == 80
    for number, (_, _, data) in enumerate(packets):
        share = int(256 * (1 - number / 80))
        assert abs(data[126] - ((256 - share + (number + 1) * share + 127) >> 8)) <= 1
    assert harness.play(3 * SECOND_NS)[0][2][126] == 1


def test_a_wake_up_sends_no_packet_sooner(sender: FakeSender) -> None:
    """A message or a frame from the disk wakes the player at any time. A fade keeps its rate (6.6.1)."""
    harness = PlayerHarness(sender, universe(1, A, slots=512))
    harness.score(segment(0, 2 * SECOND_NS, (0.0, 1.0), look=200), segment(2 * SECOND_NS, MINUTE_NS, look=200))
    while sender.now_ns < 4 * SECOND_NS:
        harness.player.tick(sender.now_ns, sender.now_ns + harness.wall_ns)
        sender.now_ns += MS
    assert min(gaps_ns(sender.left)) >= shortest_ns(512)


def test_a_replaced_file_is_shown_although_its_frame_stays(sender: FakeSender) -> None:
    harness = PlayerHarness(sender)
    harness.score(film(0, 10 * MINUTE_NS, fps=[1, 60]))
    harness.play(2 * SECOND_NS)
    harness.read_ahead.scale = 7
    assert harness.play(4 * SECOND_NS)[-1][2][126] == 7


def test_each_universe_has_its_own_rate(sender: FakeSender) -> None:
    """6.6.1: at 60 fps 60 slots leave with every frame, 512 with every second one. The others are counted, and
    each universe counts its own packets (6.7.2)."""
    harness = PlayerHarness(sender, universe(1, A, slots=60), universe(2, B, slots=512), sequence_from=250)
    harness.score(film(0, MINUTE_NS, fps=[60, 1]))
    packets = harness.play(2 * SECOND_NS)
    found = by_universe(packets)
    assert [data[126] for _, data in found[1]] == list(range(1, 121))
    assert len(found[2]) == 60
    for mine in found.values():
        assert all((after[111] - before[111]) & 0xFF == 1 for (_, before), (_, after) in pairwise(mine))
    figures = figures_of(harness)
    assert (figures["frames_due"], figures["frames_sent"], figures["packets_left_out"]) == (120, 120, 60)
    assert figures["universe_packets"] == [[1, 1, 120, 120 * 186], [2, 2, 60, 60 * 638]]
    harness.score(film(2 * SECOND_NS, MINUTE_NS, path="/other", fps=[40, 1]))
    again = by_universe(harness.play(3 * SECOND_NS))
    assert len(again[1]) == len(again[2]) == 40 and figures_of(harness)["packets_left_out"] == 60


def test_frames_that_no_universe_can_have_are_counted(sender: FakeSender) -> None:
    harness = PlayerHarness(sender, universe(1, A, slots=512), universe(2, A, slots=510))
    harness.score(film(0, MINUTE_NS, fps=[50, 1]))
    assert len(harness.play(2 * SECOND_NS)) == 2 * 50
    assert figures_of(harness)["packets_left_out"] == 2 * 50


def test_synchronization_follows_the_last_packet_when_not_all_universes_get_the_frame(sender: FakeSender) -> None:
    """11.1. Spread packets leave even if the first part has none."""
    harness = PlayerHarness(
        sender, universe(1, A, slots=512), universe(2, A, slots=60, spread_ns=8 * MS), synchronization=7000
    )
    harness.score(film(0, MINUTE_NS, fps=[60, 1]))
    kinds = [
        (data[21], data[113] << 8 | data[114] if data[21] == 4 else None) for _, _, data in harness.play(SECOND_NS)
    ]
    assert kinds == [(4, 1), (4, 2), (8, None), (4, 2), (8, None)] * 30


def figures_of(harness: PlayerHarness) -> dict[str, Any]:
    assert harness.player.output
    return telemetry(harness.player, harness.player.output.totals, None)


RATES = "1/60 1/7 1 3 39/10 10 20 22 25 30000/1001 40 44 50 60"
rates = st.sampled_from([Fraction(rate) for rate in RATES.split()])


@settings(max_examples=150, deadline=None)
@given(
    rates,
    st.lists(st.integers(1, 512), min_size=1, max_size=4),
    st.lists(st.tuples(st.integers(100, 4000), st.floats(0.1, 1)), min_size=1, max_size=5),
    st.lists(st.integers(0, 20_000), max_size=20),
)
def test_whatever_the_rate_no_universe_is_silent_or_too_fast(
    fps: Fraction, slots: list[int], levels: list[tuple[int, float]], wakes_ms: list[int]
) -> None:
    """The level changes and the player wakes at any instant. Each universe gets a packet at least every second, none
    sooner than E1.11 allows, and every frame at its instant."""
    sender = FakeSender()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(output_module, "UdpSender", lambda *options: sender)
        harness = PlayerHarness(sender, *(universe(number + 1, A, slots=count) for number, count in enumerate(slots)))
        made, at_ns, level = [], 0, 1.0
        rate = [fps.numerator, fps.denominator]
        for length_ms, after in levels:
            made.append(film(at_ns, at_ns + length_ms * MS, (level, after), fps=rate, zero_ns=0))
            at_ns, level = at_ns + length_ms * MS, after
        harness.score(*made)
        for wake_ms in sorted(wakes_ms):
            harness.play(min(at_ns, wake_ms * MS))
        harness.play(at_ns)
    for number, mine in by_universe(sender.left).items():
        times = [at for at, _ in mine]
        assert all(
            shortest_ns(slots[number - 1]) <= after - before <= SLOWEST_NS
            for before, after in pairwise([*times, max(at_ns, times[-1] + SECOND_NS // 40)])
        )
    counted, steps = harness.player.frames, harness.player.send_groups[0].packets.step
    due = -(-at_ns * fps // SECOND_NS)
    assert counted.sent == counted.due == -(-due // steps) and counted.late == 0


@pytest.mark.parametrize("still", [None, 3])
def test_a_level_that_jumps_just_after_a_keep_alive_packet_is_sent_soon(sender: FakeSender, still: int | None) -> None:
    """A dim without a fade, 10 ms after a keep-alive packet, does not wait for the next one."""
    harness = PlayerHarness(sender)
    harness.score(film(0, 10 * MINUTE_NS, fps=[1, 60], still=still))
    begin_ns = harness.play(3 * SECOND_NS)[-1][0] + 900 * MS
    harness.play(begin_ns + 10 * MS)
    assert sender.left[-1][0] == begin_ns
    harness.score(film(0, 10 * MINUTE_NS, (0.5, 0.5), fps=[1, 60], still=still))
    packets = harness.play(begin_ns + SECOND_NS)
    value = sender.left[0][2][126]
    assert (packets[0][0], packets[0][2][126]) == (begin_ns + SECOND_NS // 40, at_level(0.5, value))
