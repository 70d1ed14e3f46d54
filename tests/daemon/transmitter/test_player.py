"""The player: which packets leave when. No process, no sockets, no disk; every instant is an argument.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

import time
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.score.frame_clock import due_ns, frame_at
from gloaming.daemon.transmitter import output as output_module
from gloaming.daemon.transmitter.readahead import Want
from tests.daemon.transmitter.player_harness import MS, UTC_NS, A, B, FakeSender, PlayerHarness, film
from tests.daemon.transmitter.process_harness import SECOND_NS, fading, segment, universe


def test_a_fade_in_is_counted_in_frames(sender: FakeSender) -> None:
    harness = PlayerHarness(sender)
    harness.score(film(0, SECOND_NS, (0.0, 1.0)), film(SECOND_NS, 3 * SECOND_NS, zero_ns=0))
    packets = harness.play(2 * SECOND_NS)
    assert len(packets) == 80
    for number, (at_ns, _, data) in enumerate(packets):
        assert at_ns == number * SECOND_NS // 40
        level = min(256, number * 256 // 40)
        assert data[126] == ((number + 1) * level + 127) >> 8


def test_a_score_that_comes_just_after_a_late_setup_begins_without_a_black_packet(sender: FakeSender) -> None:
    """A planner takes seconds to start. Black would replace what another source sends with a lower priority (6.2.3)."""
    harness = PlayerHarness(sender)
    sender.now_ns = 5 * SECOND_NS
    assert harness.play(5 * SECOND_NS + 50 * MS) == []
    harness.score(film(0, 10 * SECOND_NS))
    assert all(data[126] for _, _, data in harness.play(6 * SECOND_NS))
    left = PlayerHarness(sender).play(7 * SECOND_NS)  # without a score
    assert left and not any(any(data[126:]) for _, _, data in left)


@pytest.mark.parametrize("zone", [(), ((1, 1, 6),)], ids=["whole", "with an area"])
def test_where_another_board_sends_the_same_the_streams_end_with_the_score(
    sender: FakeSender, zone: tuple[tuple[int, int, int], ...]
) -> None:
    """Black would hide the spare's light (6.2.3). Terminated streams let receivers change over at once (6.2.6)."""
    harness = PlayerHarness(sender, yields=True)
    assert harness.play(SECOND_NS) == [], "nothing without a score"
    light = film(SECOND_NS, 2 * SECOND_NS)
    areas = [(zone, [film(SECOND_NS, 2 * SECOND_NS, (0.5, 0.5))])] if zone else []
    harness.score(light, areas=areas)
    assert any(any(data[126:]) for _, _, data in harness.play(2 * SECOND_NS))
    over = [data for _, _, data in harness.play(20 * SECOND_NS)]
    assert not any(any(data[126:]) for data in over)
    assert [data[112] & 0x40 for data in over[-3:]] == [0x40] * 3
    assert harness.play(30 * SECOND_NS) == []
    harness.score(segment(30 * SECOND_NS, 40 * SECOND_NS, show=None))
    assert harness.play(31 * SECOND_NS), "between performances the board sends black again"


def test_a_cross_fade_adds_two_pieces(sender: FakeSender) -> None:
    harness = PlayerHarness(sender)
    harness.score(film(0, SECOND_NS, mix=fading(0, SECOND_NS, "/other", frames=200, zero_ns=-SECOND_NS)))
    packets = harness.play(SECOND_NS)
    assert len(packets) == 40
    for number, (_, _, data) in enumerate(packets):
        share = int(256 * (1 - number / 40))
        mine, theirs = number + 1, number + 41
        assert abs(data[126] - ((mine * (256 - share) + theirs * share + 127) >> 8)) <= 1
    assert packets[0][2][126] == 41


def test_both_pieces_of_a_cross_fade_are_read_before_it_begins(sender: FakeSender) -> None:
    harness = PlayerHarness(sender)
    mix = fading(2 * SECOND_NS, 4 * SECOND_NS, "/other", frames=200)
    harness.score(film(0, 2 * SECOND_NS), film(2 * SECOND_NS, 4 * SECOND_NS, zero_ns=0, mix=mix))
    harness.play(SECOND_NS)
    assert (harness.read_ahead.wanted[0].path, harness.read_ahead.wanted[0].onward) == ("/film", True)
    assert Want("/other", 80) in harness.read_ahead.wanted


def test_unchanged_data_thin_out_after_three_packets_to_one_every_800_to_1000_ms(sender: FakeSender) -> None:
    """6.6.2."""
    harness = PlayerHarness(sender)
    harness.score(segment(0, 10**12, look=80))
    times = [at_ns for at_ns, _, _ in harness.play(20 * SECOND_NS)]
    gaps = [after - before for before, after in pairwise(times)]
    assert all(gap < 50 * MS for gap in gaps[:2])
    assert all(800 * MS <= gap <= SECOND_NS for gap in gaps[2:])


def test_missed_frames_are_dropped_and_never_sent_later(sender: FakeSender) -> None:
    harness = PlayerHarness(sender)
    harness.score(film(0, 4 * SECOND_NS))
    harness.play(SECOND_NS)
    sender.now_ns += SECOND_NS // 4  # the process did not run for a quarter of a second
    packets = harness.play(2 * SECOND_NS)
    assert [data[126] for _, _, data in packets] == list(range(51, 81))
    assert harness.player.frames.dropped == 10
    assert harness.player.frames.due == harness.player.frames.sent + 10 == 80


@pytest.mark.parametrize("step_ms", [-60_000, -700, 60_000])
def test_a_step_of_the_clock_stops_no_frame_and_drops_none(sender: FakeSender, step_ms: int) -> None:
    """The new score has the same piece at the same instants, but the time is another."""
    harness = PlayerHarness(sender)
    harness.score(film(-600 * SECOND_NS, 600 * SECOND_NS))
    harness.play(10 * SECOND_NS)
    assert harness.player.score
    harness.player.score = replace(harness.player.score, offset_ns=UTC_NS + step_ms * MS)
    harness.wall_ns += step_ms * MS
    packets = harness.play(20 * SECOND_NS)
    assert [at_ns for at_ns, _, _ in packets] == [10 * SECOND_NS + n * SECOND_NS // 40 for n in range(400)]
    assert packets[0][2][126] == (400 + step_ms * 40 // 1000) % 200 + 1
    assert harness.player.frames.dropped == 0


@pytest.mark.parametrize("fps", [Fraction(25), Fraction(40), Fraction(30000, 1001), Fraction(44), Fraction(1, 3)])
def test_the_frame_clock_does_not_drift(fps: Fraction) -> None:
    """After ten years a frame is still due at its exact nanosecond."""
    for frame in (0, 1, 7, int(3600 * fps), int(315_360_000 * fps)):
        due = due_ns(frame, UTC_NS, fps)
        assert frame_at(due, UTC_NS, fps) == frame
        assert frame_at(due - 1, UTC_NS, fps) == frame - 1
        assert 0 <= due - UTC_NS - Fraction(frame * SECOND_NS) / fps < 1


def test_the_frame_number_after_an_hour_at_30000_1001_is_exact(sender: FakeSender) -> None:
    harness = PlayerHarness(sender)
    harness.score(film(0, 7200 * SECOND_NS, fps=[30000, 1001]))
    sender.now_ns = 3600 * SECOND_NS - SECOND_NS
    harness.play(3600 * SECOND_NS)
    assert harness.player.shown.frame == (3600 * 30000 - 1) // 1001 % 200  # the last frame due before the hour is full


def test_a_rate_above_that_of_a_dmx512_line_is_halved(sender: FakeSender) -> None:
    """6.6.1: 60 frames a second of 512 slots; E1.11 (from memory) has at most 44 a second."""
    harness = PlayerHarness(sender, universe(1, A, slots=512))
    harness.score(film(0, 2 * SECOND_NS, fps=[60, 1]))
    packets = harness.play(2 * SECOND_NS)
    assert len(packets) == 60
    assert [data[126] for _, _, data in packets] == list(range(1, 121, 2))


def test_changes_of_picture_keep_to_the_rate_of_a_dmx512_line(sender: FakeSender) -> None:
    """6.6.1: looks that follow each other every 10 ms. Only black is sent at once."""
    harness = PlayerHarness(sender, universe(1, A, slots=512))
    harness.score(*(segment(n * 10 * MS, (n + 1) * 10 * MS, look=n + 1) for n in range(200)))
    times = [at_ns for at_ns, _, _ in harness.play(2 * SECOND_NS)]
    assert all(after - before >= SECOND_NS // 45 for before, after in pairwise(times))
    assert len(times) > 60


def test_a_lead_sends_earlier_and_a_spread_sends_in_parts(sender: FakeSender) -> None:
    near = [universe(n, A, slots=20, spread_ns=4 * MS) for n in range(1, 5)]
    far = [universe(n, B, slots=20, lead_ns=15 * MS) for n in range(5, 7)]
    harness = PlayerHarness(sender, *near, *far, synchronization=7000)
    begin = SECOND_NS
    harness.score(film(begin, 3 * SECOND_NS))
    packets = harness.play(2 * SECOND_NS)
    first: dict[tuple[str, int], int] = {}
    for at_ns, address, data in packets:
        if data[21] == 4:
            lit = data[126] if int.from_bytes(data[113:115], "big") == 1 else None
            if lit == 1 or (address == B and at_ns >= begin - 15 * MS) or (address == A and at_ns >= begin):
                first.setdefault((address, int.from_bytes(data[113:115], "big")), at_ns)
    assert {first[B, n] for n in (5, 6)} == {begin - 15 * MS}
    offsets = [first[A, n] - begin for n in (1, 2, 3, 4)]
    assert offsets == sorted(set(offsets)) and offsets[0] == 0 and offsets[-1] <= 4 * MS
    for host, lead_ns in (
        (A, 0),
        (B, 15 * MS),
    ):  # 11.1: the synchronization packet follows the last data packet
        mine = [(at_ns, data[21]) for at_ns, address, data in packets if address == host and at_ns >= begin - lead_ns]
        size = {A: 5, B: 3}[host]
        frames = [mine[at : at + size] for at in range(0, len(mine) // size * size, size)]
        assert all([vector for _, vector in frame] == [4] * (size - 1) + [8] for frame in frames)


def test_a_receiver_of_several_leads_gets_one_sequence_of_synchronization(sender: FakeSender) -> None:
    """6.7.2: a receiver discards a packet that repeats the previous number. With one lead the numbers are the data's,
    so a receiver can tell whether it has the whole frame."""
    far = [universe(n, B, slots=20, lead_ns=15 * MS, spread_ns=9 * MS, multicast=True) for n in range(1, 4)]
    near = [universe(n, A, slots=20, multicast=True) for n in range(4, 6)]
    harness = PlayerHarness(sender, *far, *near, synchronization=7000, sequence_from=250)
    harness.score(film(SECOND_NS, 60 * SECOND_NS))
    packets = harness.play(3 * SECOND_NS)
    for address in (A, B, "239.255.27.88"):  # 9.3.1: the group of universe 7000
        numbers = [data[44] for _, to, data in packets if to == address and data[21] == 8]
        assert len(numbers) > 80 and numbers[0] == 251
        assert all((after - before) & 0xFF == 1 for before, after in pairwise(numbers))
    for address, size in ((A, 2), (B, 3)):
        mine = [(data[21], data[44] if data[21] == 8 else data[111]) for _, to, data in packets if to == address]
        frames = [mine[at : at + size + 1] for at in range(0, len(mine) // (size + 1) * (size + 1), size + 1)]
        assert all(frame == [(4, frame[0][1])] * size + [(8, frame[0][1])] for frame in frames)


def test_a_damaged_piece_is_reported_once_and_black(sender: FakeSender) -> None:
    harness = PlayerHarness(sender)
    harness.score(film(0, 60 * SECOND_NS))
    harness.read_ahead.damaged.add("/film")
    packets = harness.play(3 * SECOND_NS)
    assert not any(any(data[126:]) for _, _, data in packets)
    assert [said[:3] for said in harness.troubles] == [("frames", "/film", "it is damaged")]


def test_damaged_frames_are_reported_when_they_are_read_and_again_when_they_are_due(sender: FakeSender) -> None:
    """So the planner can replace the piece in time. The second report is for a planner that connected in between."""
    harness = PlayerHarness(sender)
    harness.score(film(0, 60 * SECOND_NS))
    harness.read_ahead.damaged_from = 160
    harness.play(2 * SECOND_NS)
    assert harness.troubles == []
    packets = harness.play(3 * SECOND_NS)
    ((kind, path, text, _, frame),) = harness.troubles
    assert (kind, path, text, frame) == ("frames", "/film", "it is damaged", 160)
    assert all(any(data[126:]) for _, _, data in packets), "light until then"
    harness.play(5 * SECOND_NS)
    assert [said[4] for said in harness.troubles] == [160, 160]


def test_damaged_frames_after_the_end_of_a_segment_are_no_trouble(sender: FakeSender) -> None:
    harness = PlayerHarness(sender)
    harness.score(film(0, 3 * SECOND_NS), segment(3 * SECOND_NS, 9 * SECOND_NS))
    harness.read_ahead.damaged_from = 160
    harness.play(5 * SECOND_NS)
    assert harness.troubles == []


def test_a_released_stream_ends_with_three_terminations_and_begins_again(sender: FakeSender) -> None:
    harness = PlayerHarness(sender, between_performances="release")
    between = segment(SECOND_NS, 5 * SECOND_NS, show=None)
    harness.score(film(0, SECOND_NS), between, film(5 * SECOND_NS, 6 * SECOND_NS))
    after = [(at_ns, data[112] & 0x40) for at_ns, _, data in harness.play(5 * SECOND_NS) if at_ns >= SECOND_NS]
    assert [ended for _, ended in after] == [0, 0, 0, 64, 64, 64]
    assert harness.player.send_groups[0].packets.ended
    packets = harness.play(6 * SECOND_NS)
    assert len(packets) == 40 and not any(data[112] & 0x40 for _, _, data in packets)


def test_black_in_a_performance_ends_no_stream(sender: FakeSender) -> None:
    """In a gap, a pause or dark hours. A controller without a source may show a pattern of its own."""
    harness = PlayerHarness(sender, between_performances="release")
    harness.score(
        film(0, SECOND_NS), segment(SECOND_NS, 20 * SECOND_NS), segment(20 * SECOND_NS, 40 * SECOND_NS, show=None)
    )
    packets = harness.play(40 * SECOND_NS)
    ended = [at_ns for at_ns, _, data in packets if data[112] & 0x40]
    assert len(ended) == 3 and ended[0] >= 20 * SECOND_NS
    assert len([at_ns for at_ns, _, data in packets if SECOND_NS <= at_ns < 20 * SECOND_NS]) >= 19


def test_a_performance_that_begins_dark_starts_its_streams(sender: FakeSender) -> None:
    """Black is sent from the opening on, three times and then as keep-alive. After the score nothing starts."""
    harness = PlayerHarness(sender, between_performances="release")
    harness.score(segment(0, 10 * SECOND_NS, show=None), segment(10 * SECOND_NS, 20 * SECOND_NS))
    packets = harness.play(20 * SECOND_NS)
    begun = [at_ns for at_ns, _, data in packets if at_ns >= 10 * SECOND_NS and not data[112] & 0x40]
    assert begun[0] < 10 * SECOND_NS + 50 * MS and begun[2] < 10 * SECOND_NS + 100 * MS
    assert max(after - before for before, after in pairwise(begun)) <= SECOND_NS
    assert not harness.player.send_groups[0].packets.ended
    harness.score(segment(0, 25 * SECOND_NS, show=None))
    harness.play(25 * SECOND_NS)
    assert harness.player.send_groups[0].packets.ended
    assert not harness.play(40 * SECOND_NS)


def test_there_is_no_light_while_the_wall_clock_is_in_dark_hours(sender: FakeSender) -> None:
    """By the score's time the performance is on; by the machine's own clock it is in dark hours."""
    harness = PlayerHarness(sender)
    harness.dark((3600 * SECOND_NS, 7200 * SECOND_NS), wall=4000 * SECOND_NS)
    harness.score(film(0, 10 * SECOND_NS))
    assert not any(any(data[126:]) for _, _, data in harness.play(5 * SECOND_NS))
    harness.wall_ns = UTC_NS
    assert any(any(data[126:]) for _, _, data in harness.play(6 * SECOND_NS))


lengths = st.integers(1, 700).map(lambda tenth: tenth * 7 * MS)
segments = st.tuples(
    lengths, st.sampled_from(["film", "still", "look", "black", "mix"]), st.floats(0, 1), st.floats(0, 1)
)
windows = st.lists(st.tuples(st.integers(0, 4000), st.integers(1, 1500)), max_size=4)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(segments, min_size=1, max_size=6),
    windows,
    st.integers(-2000, 2000),
    st.sampled_from([0, 13, 60]),
    st.data(),
)
def test_whatever_the_score_there_is_no_light_in_dark_windows(
    parts: list[tuple[int, str, float, float]],
    dark: list[tuple[int, int]],
    wall_ms: int,
    lead_ms: int,
    data: st.DataObject,
) -> None:
    sender = FakeSender()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(output_module, "UdpSender", lambda *options: sender)
        harness = PlayerHarness(
            sender, universe(1, A, slots=20, lead_ns=lead_ms * MS), universe(2, B, slots=20, spread_ns=3 * MS)
        )
        harness.dark(*((begin * MS, (begin + length) * MS) for begin, length in dark), wall=wall_ms * MS)
        made, at_ns = [], 0
        for length_ns, kind, begin, end in parts:
            more: dict[str, Any] = {"film": {}, "still": {"still": 3}}.get(kind, {})
            if kind == "mix":
                before_ns, after_ns = round(begin * SECOND_NS), round(end * SECOND_NS)
                more = {"mix": fading(at_ns - before_ns, at_ns + length_ns + after_ns, "/other", frames=200, still=199)}
            make = film if kind in ("film", "still", "mix") else segment
            if kind == "look":
                more = {"look": 200}
            made.append(make(at_ns, at_ns + length_ns, (begin, end), **more))
            at_ns += length_ns
        harness.score(*made)
        late_ns = data.draw(st.sampled_from([0, 1 * MS, 40 * MS]))
        for stall_ms in sorted(data.draw(st.lists(st.integers(0, 6000), max_size=3))):  # the disk stalls and resumes
            harness.play(stall_ms * MS, late_ns)
            harness.read_ahead.gone ^= {"/film"}
        harness.play(at_ns + 2 * SECOND_NS, late_ns)
    forbidden = [(begin * MS, (begin + length) * MS) for begin, length in dark]
    for at, address, packet in sender.left:
        if any(packet[126:]):
            seen = (at, at + wall_ms * MS, *((at + lead_ms * MS,) if address == A else ()))
            assert not any(begin <= instant < end for begin, end in forbidden for instant in seen)
            assert at + (lead_ms * MS if address == A else 0) < at_ns + 4 * MS
    for address in (A, B):
        times = [at for at, to, _ in sender.left if to == address]
        assert all(after - before <= SECOND_NS + 41 * MS for before, after in pairwise(times))
        sequences = [packet[111] for _, to, packet in sender.left if to == address]
        assert all((after - before) & 0xFF == 1 for before, after in pairwise(sequences))


def test_the_player_reads_no_clock(sender: FakeSender, monkeypatch: pytest.MonkeyPatch) -> None:
    harness = PlayerHarness(sender)
    harness.score(film(0, SECOND_NS))
    for name in ("time", "time_ns", "monotonic", "monotonic_ns"):
        monkeypatch.setattr(time, name, lambda: pytest.fail("a clock was read"))
    assert len(harness.play(SECOND_NS)) == 40
