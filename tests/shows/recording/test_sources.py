"""Which packets count, and which are ignored: ANSI E1.31-2018, sections beside each check."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.protocols.e131.parse import E131Reader
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.recorder import Wanted, lay_out
from tests.shows.streams import OTHER_CID, Event, captured, data, ethernet, everything, pcap, recorded, stream, sync

LEVELS = np.arange(1, 81, dtype=np.uint8)[:, None].repeat(2, axis=1)


def other(levels: np.ndarray, priority: int, from_ns: int = 0, name: str = "lantern") -> list[Event]:
    """The stream of a second source, half a frame behind the first."""
    events = stream(levels, 1, cid=OTHER_CID, priority=priority, name=name)
    return [(at_ns + 12_000_000 + from_ns, packet) for at_ns, packet in events]


def lines(outcome: object) -> str:
    return "\n".join(outcome.counts.lines(outcome.info.fps))  # type: ignore[attr-defined]  # Outcome


@pytest.mark.parametrize("priority", [99, 0])
def test_the_higher_priority_wins(tmp_path: Path, priority: int) -> None:
    """6.2.3."""
    frames, outcome = recorded(tmp_path, stream(LEVELS, 1) + other(LEVELS + 100, priority))
    assert np.array_equal(frames[:, :, 0], LEVELS)
    assert "lower priority gave way (E1.31 6.2.3): 'lantern' (64656667) on universes 1-2" in lines(outcome)


def test_a_higher_priority_takes_over_while_it_lasts_and_for_two_and_a_half_seconds(tmp_path: Path) -> None:
    """6.2.3, 6.7.1: a source that is silent for 2.5 s has left."""
    long = np.arange(240, dtype=np.uint8)[:, None].repeat(2, axis=1) // 4
    second = other(np.full((40, 2), 200, np.uint8), 150, 1_000_000_000)
    frames, _ = recorded(tmp_path, stream(long, 1) + second)
    levels = frames[:, 0, 0]
    taken = np.flatnonzero(levels == 200)
    assert taken.min() in (40, 41) and levels[:40].max() <= 10
    left = taken.max() / 40
    assert abs(left - (1.0 + 1.0 + 2.5)) < 0.1
    assert levels[taken.max() + 2] == long[taken.max() + 2, 0]


def test_equal_priorities_are_merged_by_the_highest_level_and_reported(tmp_path: Path) -> None:
    """6.2.3 leaves this to the receiver. Highest takes precedence is common practice, no source."""
    random = np.random.default_rng(3)
    one = random.integers(1, 256, (80, 2), np.uint8)
    still = np.full((80, 2), 128, np.uint8)
    frames, outcome = recorded(tmp_path, stream(one, 1) + other(still, 100))
    assert np.array_equal(frames[1:, :, 0], np.maximum(one, 128)[1:])
    assert "equal priority were merged" in lines(outcome) and "'lantern' (64656667), 'quay' (00010203)" in lines(
        outcome
    )


def one(levels: np.ndarray, from_ms: int, every_ms: int = 25, first: int = 0, **more: object) -> list[Event]:
    """A source on universe 1, from a time on."""
    return [
        ((from_ms + number * every_ms) * 1_000_000, data(1, first + number, row, **more))
        for number, row in enumerate(levels)
    ]


def still(levels: list[int], frames: int) -> np.ndarray:
    return np.array([levels] * frames, np.uint8)


def test_a_static_look_stays_while_an_equal_source_comes_and_goes(tmp_path: Path) -> None:
    """6.6.2: it sends only once in 800 to 1000 ms. While the other source moves, that one makes the frames."""
    moving = np.array([[0, 1 + number] for number in range(100)], np.uint8)
    look = one(still([77], 20), 0) + one(still([77], 9), 500, 900, first=20)
    second = one(moving, 3012, cid=OTHER_CID)
    end = one(still([], 3), 3012 + 2500, 0, first=100, cid=OTHER_CID, streamTerminated=True)
    frames, _ = recorded(tmp_path, look + second + end)
    levels = frames[:, 0, :2].tolist()
    assert {first for first, _ in levels} == {77}
    seen = sorted({level for _, level in levels} - {0})
    assert len(seen) > 70  # it leads after half a second
    assert levels.count([77, seen[-1]]) < 10 and levels[-1] == [77, 0]


def test_levels_of_an_earlier_merge_are_forgotten(tmp_path: Path) -> None:
    first = one(np.concatenate([still([200, 0], 60), still([10, 0], 60)]), 0)
    meeting = one(still([0, 50], 8), 1012, cid=OTHER_CID)
    meeting += one(still([], 1), 1212, first=8, cid=OTHER_CID, streamTerminated=True)
    again = one(still([0, 60], 20), 2012, first=100, cid=OTHER_CID)
    frames, _ = recorded(tmp_path, first + meeting + again)
    assert frames[65:, 0, 0].max() == 10 and frames[-1, 0, 1] == 60


@pytest.mark.parametrize("priority", [100, 150])
def test_a_source_without_levels_does_not_take_a_universe(tmp_path: Path, priority: int) -> None:
    """Other start codes carry no levels (E1.11 8.5), whatever their priority."""
    levels = np.arange(1, 121, dtype=np.uint8)[:, None]
    codes = one(still([99], 60), 1012, cid=OTHER_CID, priority=priority, dmxStartCode=0xDD)
    frames, outcome = recorded(tmp_path, one(levels, 0) + codes)
    assert np.array_equal(frames[:, 0, :1], levels)
    assert "gave way" not in lines(outcome) and "merged" not in lines(outcome)


def test_preview_data_are_not_recorded(tmp_path: Path) -> None:
    """6.2.6, bit 7."""
    preview = stream(LEVELS + 100, 1, cid=OTHER_CID, priority=200, previewData=True)
    frames, outcome = recorded(tmp_path, stream(LEVELS, 1) + preview)
    assert np.array_equal(frames[:, :, 0], LEVELS)
    assert outcome.counts.preview == 160 and "packets of preview data" in lines(outcome)


def test_other_start_codes_are_not_levels(tmp_path: Path) -> None:
    """E1.11: the null start code carries levels; they share the sequence numbers of their universe (6.7.2)."""
    events = []
    for number, (at_ns, _) in enumerate(stream(LEVELS[:, :1], 1)):
        events.append((at_ns, data(1, 2 * number, [100 + number], dmxStartCode=0xDD)))
        events.append((at_ns + 100_000, data(1, 2 * number + 1, [LEVELS[number, 0]])))
    frames, outcome = recorded(tmp_path, events)
    assert np.array_equal(frames[:, :, 0], LEVELS[:, :1])
    assert outcome.counts.start_codes == {0xDD: 80} and outcome.counts.lost_in_all == 0
    assert "0xdd 80 times" in lines(outcome)


def test_a_stream_that_ends_and_begins_again(tmp_path: Path) -> None:
    """6.2.6, bit 6: the data of a terminated packet are not used. The last frame is held."""
    first = stream(LEVELS[:40], 1)
    end = [
        (1_000_000_000 + number * 1_000_000, data(universe, 40 + number, [255], streamTerminated=True))
        for number in range(3)
        for universe in (1, 2)
    ]
    again = [(at_ns + 2_000_000_000, packet) for at_ns, packet in stream(LEVELS[40:], 1)]
    frames, outcome = recorded(tmp_path, first + end + again)
    expected = np.concatenate([LEVELS[:40], LEVELS[39:40].repeat(40, axis=0), LEVELS[40:]])
    assert np.array_equal(frames[:, :, 0], expected)
    assert "ended by their source (E1.31 6.2.6): universe 1 1, universe 2 1" in lines(outcome)


def test_a_silent_universe_holds_its_last_frame(tmp_path: Path) -> None:
    """6.7.1: network data loss after 2.5 s. After that, sequence numbers do not count as losses."""
    long = np.arange(1, 201, dtype=np.uint8)[:, None].repeat(2, axis=1)
    events = [event for place, event in enumerate(stream(long, 1)) if place % 2 == 0 or not 40 <= place // 2 < 160]
    frames, outcome = recorded(tmp_path, events)
    expected = long.copy()
    expected[40:160, 1] = 40
    assert np.array_equal(frames[:, :, 0], expected)
    assert outcome.counts.silences == {2: 1}


def test_a_source_that_is_started_again_goes_on(tmp_path: Path) -> None:
    """6.7.2: a step of -20 or below is accepted."""
    events = stream(LEVELS[:60], 1)
    again = [
        (1_500_000_000 + at_ns, data(place % 2 + 1, place // 2, [LEVELS[60 + place // 2, 0]]))
        for place, (at_ns, _) in enumerate(stream(LEVELS[60:], 1))
    ]
    frames, outcome = recorded(tmp_path, events + again)
    assert np.array_equal(frames[:, :, 0], LEVELS)
    assert (outcome.counts.restarts, outcome.counts.lost_in_all) == (2, 0)


@pytest.mark.parametrize("number", range(1, 20, 6))
def test_a_source_that_returns_may_begin_with_any_number(tmp_path: Path, number: int) -> None:
    """6.7.1: after 2.5 s of silence a source begins anew, even up to 19 numbers back (6.7.2)."""
    before, after = one(LEVELS[:20], 0), one(LEVELS[20:], 5000, first=20 - number)
    frames, outcome = recorded(tmp_path, before + after)
    assert np.unique(frames[:, 0, 0]).tolist() == LEVELS[:, 0].tolist()
    assert outcome.counts.out_of_order == outcome.counts.repeated == 0


def test_a_source_with_a_constant_number_is_not_silent(tmp_path: Path) -> None:
    """6.7.2: repeated packets are ignored, but the source is there (6.7.1)."""
    _, outcome = recorded(tmp_path, [(at_ns, data(1, 0, [9])) for at_ns, _ in one(still([9], 400), 0)])
    assert outcome.counts.repeated == 399 and not outcome.counts.silences


@pytest.mark.parametrize("synchronization", [0, 7000])
@pytest.mark.parametrize("ahead", [30, 60, 120])
def test_restarted_numbers_split_no_frame(tmp_path: Path, ahead: int, synchronization: int) -> None:
    """By 6.7.2 a restarted source with a later number looks like lost packets."""
    levels = np.arange(1, 81, dtype=np.uint8)[:, None].repeat(5, axis=1)
    events: list[Event] = []
    for place, (at_ns, _) in enumerate(stream(levels, 1)):
        number, universe = divmod(place, 5)
        sequence = number + (ahead if number >= 40 else 0)
        events.append((at_ns, data(universe + 1, sequence, [levels[number, 0]], synchronization=synchronization)))
        if synchronization and universe == 4:
            events.append((at_ns + 100_000, sync(synchronization, sequence)))
    frames, _ = recorded(tmp_path, events)
    assert np.array_equal(frames[:, :, 0], levels)


@pytest.mark.parametrize("jump_s", [-3600, 86_400])
def test_a_clock_that_jumps_in_a_capture_moves_no_frame(tmp_path: Path, jump_s: int) -> None:
    first, second = stream(LEVELS, 1)[:80], stream(LEVELS, 1)[80:]
    jumped = [(at_ns + jump_s * 1_000_000_000, packet) for at_ns, packet in second]
    path = tmp_path / "in.pcap"

    pcap(path, [(at_ns, ethernet(packet)) for at_ns, packet in first + jumped])
    outcome = from_capture(path, tmp_path / "out.frames", Wanted(slots="sent"))
    assert np.array_equal(everything(outcome.info).reshape(80, 2, 512)[:, :, 0], LEVELS)
    assert outcome.counts.clock_jumps == 1 and "the clock jumped 1 times" in lines(outcome)


@pytest.mark.parametrize("jump_s", [-3600.0, -2.0, -0.6, -0.1, 3.0, 86_400.0])
@pytest.mark.parametrize("kind", ["plain", "thinned", "synchronized"])
def test_a_clock_jump_within_a_frame_does_not_split_it(tmp_path: Path, kind: str, jump_s: float) -> None:
    """The jump is after every universe of frame 40, before its synchronization packet if there is one (E1.31 11)."""
    random = np.random.default_rng(7)
    levels = random.integers(1, 255, (80, 4), np.uint8)
    levels[:, 0] = np.arange(80)
    sent = random.random((80, 4)) < 0.6 if kind == "thinned" else np.ones((80, 4), np.bool_)
    sent[:4] = sent[40] = True
    for frame in range(1, 80):
        levels[frame] = np.where(sent[frame], levels[frame], levels[frame - 1])
    numbers = np.cumsum(sent, axis=0).tolist()
    address = 7000 if kind == "synchronized" else 0
    events = [
        (at_ns, place, data(place % 4 + 1, numbers[place // 4][place % 4], [level], synchronization=address))
        for place, ((at_ns, _), level) in enumerate(zip(stream(levels, 1), levels.flat, strict=True))
        if sent.flat[place]
    ]
    if address:
        events += [(frame * 25_000_000 + 2_500_000, frame * 4 + 3, sync(address, frame)) for frame in range(80)]
        events.sort(key=lambda event: event[0])
    for after in [place for place, event in enumerate(events) if 160 <= event[1] < 164]:
        path = tmp_path / "in.pcap"
        jump_ns = int(jump_s * 1e9)
        pcap(path, [(at + jump_ns * (n > after), ethernet(packet)) for n, (at, _, packet) in enumerate(events)])
        outcome = from_capture(path, tmp_path / "out.frames", Wanted(slots="sent"))
        frames = everything(outcome.info).reshape(-1, 4, 512)[:, :, 0]
        assert np.array_equal(frames, levels), after
        assert outcome.info.fps == 40 and outcome.counts.clock_jumps == 1


def test_a_very_long_silence_is_cut_out_and_reported(tmp_path: Path) -> None:
    later = [
        (at_ns + 7_200_000_000_000, data(place % 2 + 1, place // 2 + 77, [LEVELS[place // 2, 0]]))
        for place, (at_ns, _) in enumerate(stream(LEVELS[:40], 1))
    ]
    frames, outcome = recorded(tmp_path, stream(LEVELS[:40], 1) + later)
    assert len(frames) == 40 + 399 + 40 and "silence cut out" in lines(outcome)


def test_universes_that_change_half_way(tmp_path: Path) -> None:
    """Universe 2 ends, universe 3 begins: black before, the last frame after, and a line in the report."""
    first = [event for place, event in enumerate(stream(LEVELS, 1)) if place % 2 == 0 or place < 80]
    third = [(at_ns + 1_250_000_000, packet) for at_ns, packet in stream(LEVELS[:30, :1], 1, first_universe=3)]
    frames, outcome = recorded(tmp_path, first + third)
    assert np.array_equal(frames[:, 0, 0], LEVELS[:, 0])
    assert np.array_equal(frames[:40, 1, 0], LEVELS[:40, 1]) and (frames[40:, 1, 0] == 40).all()
    assert (frames[:50, 2, 0] == 0).all() and np.array_equal(frames[50:, 2, 0], LEVELS[:30, 0])
    assert "universe 3 began 1.2 s after the first" in lines(outcome)


def test_only_the_universes_chosen_are_recorded(tmp_path: Path) -> None:
    events = stream(LEVELS.repeat(2, axis=1), 1)
    frames, outcome = recorded(tmp_path, events, Wanted((2, 3, 9), "sent"))
    assert [one.number for one in outcome.info.universes] == [2, 3]
    assert frames.shape[1] == 2 and outcome.counts.not_chosen == {1: 80, 4: 80}
    assert outcome.notes == ("nothing came for universe 9",)
    with pytest.raises(InputError, match="nothing came for the universes chosen, but for universes 1-4"):
        recorded(tmp_path, events, Wanted((9,)))


def test_a_recording_begins_with_the_first_change_and_ends_with_stillness(tmp_path: Path) -> None:
    levels = np.concatenate([np.full((60, 1), 7), np.arange(8, 88)[:, None], np.full((120, 1), 87)]).astype(np.uint8)
    frames, outcome = recorded(tmp_path, stream(levels, 1), Wanted(slots="sent", from_change=True, until_still_s=1.5))
    assert frames[:, 0, 0].tolist() == list(range(8, 88))
    assert outcome.notes == ("ended: nothing changed any more",)


def test_a_short_stillness_is_part_of_the_recording(tmp_path: Path) -> None:
    levels = np.concatenate([np.arange(1, 41), np.full(40, 40), np.arange(41, 81), np.full(20, 80)])[:, None]
    frames, outcome = recorded(tmp_path, stream(levels.astype(np.uint8), 1), Wanted(slots="sent", until_still_s=1.5))
    assert np.array_equal(frames[:, 0, 0], levels[:, 0]) and outcome.notes == ()


def test_slots_that_stay_dark_at_the_end_are_left_out() -> None:
    numbers, sent = (1, 2, 3), {1: 512, 2: 512, 3: 512}
    assert lay_out(numbers, sent, {1: 509, 2: 510, 3: 23}, "used") == {1: 510, 2: 510, 3: 24}
    assert lay_out(numbers, sent, {1: 512, 2: 0, 3: 0}, "used") == {1: 512, 2: 512, 3: 3}
    assert lay_out(numbers, sent, {1: 1, 2: 1, 3: 1}, "sent") == sent
    assert lay_out(numbers, sent, {1: 1, 2: 1, 3: 1}, 170) == {1: 170, 2: 170, 3: 170}


@pytest.mark.parametrize("rates", [(25, 40), (40, 25), (20, 40)])
def test_two_sources_of_different_rates_keep_all_their_frames(tmp_path: Path, rates: tuple[int, int]) -> None:
    """The faster source makes the frames. The slower one repeats in between."""
    one, two = (np.arange(1, 1 + 5 * rate, dtype=np.uint8)[:, None].repeat(3, axis=1) for rate in rates)
    second = stream(two, 1, rates[1], 20, cid=OTHER_CID)
    frames, outcome = recorded(tmp_path, stream(one, 1, rates[0]) + [(at + 3_000_000, packet) for at, packet in second])
    assert outcome.info.fps == 40 and len(frames) == 200
    for place, levels in ((0, one), (3, two)):
        seen = frames[:, place : place + 3, 0].astype(int)
        assert (seen == seen[:, :1]).all() and (np.diff(seen[:, 0]) <= 1).all() and seen[-1, 0] == levels[-1, 0]


def test_two_sources_with_their_own_universes_and_clocks_lose_nothing(tmp_path: Path) -> None:
    """They drift against each other. All frames of both are there, in order."""
    one = stream(np.arange(1, 201, dtype=np.uint8)[:, None], 1, Fraction(40))
    two = stream(np.arange(1, 200, dtype=np.uint8)[:, None], 1, Fraction("39.8"), 2, cid=OTHER_CID)
    frames, outcome = recorded(tmp_path, one + [(at_ns + 9_000_000, packet) for at_ns, packet in two])
    assert outcome.counts.lost_in_all == 0
    for place, count in ((0, 200), (1, 199)):
        seen = frames[:, place, 0]
        assert (np.diff(seen[seen > 0].astype(int)) <= 1).all() and seen.max() >= count - 2
    assert abs(len(frames) - 200) <= 2


def test_a_capture_without_levels_is_described(tmp_path: Path) -> None:
    for events, text in (
        ([(0, b"hello")], "1 packets, 1 of other kinds"),
        ([(0, sync(7000, 1))], "there are no E1.31 levels in the file: 1 packets"),
        ([(0, data(1, 0, [1])[:300])], "1 cut short"),
        ([(0, data(1, 0, [1])[:117] + b"\xff" + data(1, 0, [1])[118:])], "1 malformed"),
    ):
        path = captured(tmp_path / "in.pcap", events)
        with pytest.raises(InputError, match=text):
            from_capture(path, tmp_path / "out.frames", Wanted())
    assert [one.name for one in tmp_path.iterdir()] == ["in.pcap"]


COPIES = [[2_000], [300_000], [5_000_000], [2_000, 4_000], [300_000, 5_000_000], [45_000_000]]


@pytest.mark.parametrize("after_ns", COPIES, ids=str)
@pytest.mark.parametrize("address", [0, 7000])
def test_what_arrives_several_times_is_recorded_once(tmp_path: Path, after_ns: list[int], address: int) -> None:
    """A mirrored port, the interface "any", multicast and unicast: the same CID, universe and sequence number.

    6.7.2 discards copies. The last copy comes more than a frame later.
    """
    levels = np.random.default_rng(4).integers(1, 256, (250, 3), np.uint8)
    events = stream(levels, 1, 25, synchronization=address)
    events += [(number * 40_000_000 + 20_000_000, sync(address, number)) for number in range(250) if address]
    copies = [(at_ns + later_ns, packet) for at_ns, packet in events for later_ns in after_ns]
    frames, outcome = recorded(tmp_path, events + copies)
    assert (len(frames), outcome.info.fps) == (250, 25)
    assert np.array_equal(frames[:, :, 0], levels)
    counts = outcome.counts
    assert counts.repeated + counts.out_of_order == 750 * len(after_ns) and counts.lost_in_all == 0
    assert counts.synchronizations_lost == 0 and not counts.restarts


@pytest.mark.parametrize("after_ns", [5_000, 2_000_000, 12_000_000])
@pytest.mark.parametrize("apart", [[0], [1], [19], [20], [64], [107, 220], [-64], [0, 128]], ids=str)
def test_synchronization_to_several_destinations_makes_no_more_frames(
    tmp_path: Path, apart: list[int], after_ns: int
) -> None:
    """Section 11: each destination gets its own packet, with the same number or its own sequence."""
    levels = np.random.default_rng(4).integers(1, 256, (250, 3), np.uint8)
    events = stream(levels, 1, 25, synchronization=7000)
    for number in range(250):
        at_ns = number * 40_000_000 + 20_000_000
        numbers = [number, *(number + other for other in apart)]
        events += [(at_ns + turn * after_ns, sync(7000, one)) for turn, one in enumerate(numbers)]
    frames, outcome = recorded(tmp_path, events)
    assert (len(frames), outcome.info.fps) == (250, 25)
    assert np.array_equal(frames[:, :, 0], levels)


@pytest.mark.parametrize("by_turns", [False, True])
@pytest.mark.parametrize("thinned", [False, True])
def test_synchronization_by_several_addresses_makes_no_more_frames(
    tmp_path: Path, thinned: bool, by_turns: bool
) -> None:
    """6.3.3: universes of one source may have different synchronization addresses."""
    random = np.random.default_rng(4)
    levels = random.integers(1, 256, (250, 3), np.uint8)
    sent = random.random((250, 3)) < (0.6 if thinned else 1.0)
    sent[:4] = True
    for number in range(1, 250):
        levels[number] = np.where(sent[number], levels[number], levels[number - 1])
    numbers = np.cumsum(sent, axis=0).tolist()
    events = []
    for place, (at_ns, _) in enumerate(stream(levels, 1, 25, spread_ns=6_000_000)):
        number, turn = divmod(place, 3)
        address, level = 7001 + turn, levels[number, turn]
        if sent[number, turn]:
            events.append((at_ns, data(turn + 1, numbers[number][turn], [level], synchronization=address)))
        events.append((at_ns + (1_000_000 if by_turns else 9_000_000), sync(address, number)))
    frames, outcome = recorded(tmp_path, events)
    assert (len(frames), outcome.info.fps) == (250, 25)
    assert np.array_equal(frames[:, :, 0], levels)


@pytest.mark.parametrize("ahead", [30, 100])
def test_another_destination_synchronizes_if_one_is_left_out(tmp_path: Path, ahead: int) -> None:
    levels = np.random.default_rng(4).integers(1, 256, (250, 3), np.uint8)
    events = stream(levels, 1, 25, synchronization=7000)
    for number in range(250):
        at_ns = number * 40_000_000 + 20_000_000
        events += [(at_ns, sync(7000, number))] * (number < 100) + [(at_ns + 50_000, sync(7000, number + ahead))]
    frames, outcome = recorded(tmp_path, events)
    assert (len(frames), outcome.info.fps) == (250, 25)
    assert np.array_equal(frames[:, :, 0], levels)


def changed(packet: bytes, at: int, value: bytes) -> bytes:
    return packet[:at] + value + packet[at + len(value) :]


MALFORMED = {
    "a priority above 200 (6.2.3)": (108, b"\xc9"),
    "the highest number as priority (6.2.3)": (108, b"\xff"),
    "root length (5.4)": (16, b"\x72\x6d"),
    "root flags (5.4)": (16, b"\x62\x6e"),
    "framing length (6.1)": (38, b"\x72\x59"),
    "framing flags (6.1)": (38, b"\x02\x58"),
    "DMP length (7.1)": (115, b"\x72\x0a"),
    "DMP flags (7.1)": (115, b"\xf2\x0b"),
    "a CID of zeros (5.6)": (22, bytes(16)),
    "a source name without its null (6.2.2)": (44, b"n" * 64),
}


@pytest.mark.parametrize("name", MALFORMED)
def test_malformed_packets_take_no_universe_and_are_counted(tmp_path: Path, name: str) -> None:
    at, value = MALFORMED[name]
    odd = [(when, changed(packet, at, value)) for when, packet in other(LEVELS + 100, 150)]
    frames, outcome = recorded(tmp_path, stream(LEVELS, 1) + odd)
    assert np.array_equal(frames[:, :, 0], LEVELS)
    assert outcome.counts.malformed == 160 and "160 packets of E1.31 that are malformed" in lines(outcome)


def test_a_name_that_is_as_long_as_it_may_be_and_priority_200_are_well_formed(tmp_path: Path) -> None:
    """6.2.2: 63 bytes and a null; 6.2.3. The other source begins half a frame earlier."""
    frames, outcome = recorded(tmp_path, stream(LEVELS, 1) + other(LEVELS + 100, 200, name="n" * 63))
    assert outcome.counts.malformed == 0 and np.array_equal(frames[1:, :, 0], LEVELS + 100)


@pytest.mark.parametrize("at, value", [(16, b"\x70\x20"), (38, b"\x60\x0b"), (22, bytes(16))])
def test_malformed_synchronization_shows_nothing(tmp_path: Path, at: int, value: bytes) -> None:
    """5.4, 6.1, 5.6."""
    events = stream(LEVELS, 1, synchronization=7000)
    syncs = [(number * 25_000_000 + 5_000_000, sync(7000, number)) for number in range(80)]
    odd = [(when + 9_000_000, changed(packet, at, value)) for when, packet in syncs]
    frames, outcome = recorded(tmp_path, events + syncs + odd)
    assert np.array_equal(frames[:, :, 0], LEVELS) and outcome.counts.malformed == 80


def test_preview_data_alone_are_reported_and_can_be_recorded(tmp_path: Path) -> None:
    """6.2.6, bit 7."""
    levels = np.arange(1, 241, dtype=np.uint8)[:, None].repeat(5, axis=1)
    events = stream(levels, 1, previewData=True)
    with pytest.raises(InputError, match="; 1,200 packets are marked as preview; --preview records them"):
        recorded(tmp_path, events)
    with pytest.raises(InputError, match="but for universe 9; 480 packets are marked as preview; --preview"):
        recorded(tmp_path, events + stream(levels[:, :1], 1, first_universe=9), Wanted((2, 3)))
    frames, outcome = recorded(tmp_path, events, Wanted(slots="sent", reader=E131Reader(preview=True)))
    assert np.array_equal(frames[:, :, 0], levels) and outcome.counts.preview == 0


@pytest.mark.parametrize("ended", [False, True])
def test_universes_that_stop_early_are_named(tmp_path: Path, ended: bool) -> None:
    """6.7.1; or 6.2.6, by their source."""
    levels = np.random.default_rng(4).integers(1, 256, (400, 11), np.uint8)
    events = [event for place, event in enumerate(stream(levels, 1)) if place % 11 == 4 or place < 11 * 80]
    if ended:
        others = [universe for universe in range(1, 12) if universe != 5]
        events += [(2_000_000_000, data(universe, 80, [0], streamTerminated=True)) for universe in others]
    frames, outcome = recorded(tmp_path, events)
    assert np.array_equal(frames[:, 4, 0], levels[:, 4]) and np.array_equal(frames[:80, :, 0], levels[:80])
    report = [line for line in lines(outcome).splitlines() if "did not come back" in line]
    assert report == [
        "universes 1-4, 6-11 stopped 2.0 s after the first packet, and did not come back; the last frame is held"
    ]


@pytest.mark.parametrize("first", ["code", "levels"])
@pytest.mark.parametrize("numbers", ["same", "own"])
def test_priorities_for_each_slot_take_no_number_from_the_levels(tmp_path: Path, first: str, numbers: str) -> None:
    """Start code 0xDD: the same numbers as the levels, or its own numbers, besides what 6.7.2 says."""
    events = []
    for place, (at_ns, packet) in enumerate(stream(LEVELS, 1)):
        number = place // 2 + (77 if numbers == "own" else 0)
        code = data(place % 2 + 1, number, [100], dmxStartCode=0xDD)
        events += [(at_ns, packet), (at_ns + (100_000 if first == "levels" else -100_000) + 100_000, code)]
    frames, outcome = recorded(tmp_path, events)
    assert np.array_equal(frames[:, :, 0], LEVELS)
    counts = outcome.counts
    assert (counts.start_codes, counts.lost_in_all, counts.repeated, counts.restarts) == ({0xDD: 160}, 0, 0, 0)


@pytest.mark.parametrize("numbers", ["together", "same"])
def test_levels_that_are_lost_beside_another_start_code_are_counted(tmp_path: Path, numbers: str) -> None:
    """6.7.2: both share one sequence, or both have the same numbers."""
    events = []
    for number, (at_ns, _) in enumerate(stream(LEVELS[:, :1], 1)):
        code, own = (2 * number, 2 * number + 1) if numbers == "together" else (number, number)
        events.append((at_ns, data(1, code, [100], dmxStartCode=0xDD)))
        if number != 40:
            events.append((at_ns + 100_000, data(1, own, [LEVELS[number, 0]])))
    frames, outcome = recorded(tmp_path, events)
    assert outcome.counts.lost_in_all == 1
    assert (
        frames[:40, 0, 0].tolist() == LEVELS[:40, 0].tolist() and frames[-39:, 0, 0].tolist() == LEVELS[41:, 0].tolist()
    )
