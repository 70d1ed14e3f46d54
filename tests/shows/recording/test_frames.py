"""Frames from streams: the recording equals what was sent, for every way of sending."""

from __future__ import annotations

import tempfile
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gloaming.shows.framefile.reader import Frames, inspect
from gloaming.shows.protocols.e131.parse import E131_READER
from gloaming.shows.recording import capture
from gloaming.shows.recording.capture_records import Seen
from gloaming.shows.recording.census import find_period
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.recorder import Recording, Wanted
from gloaming.shows.recording.rhythm import Rhythm
from tests.places import REFERENCE
from tests.shows.streams import Event, captured, data, everything, recorded, stream, sync, without_stills

CAPTURE = REFERENCE / "moving-picture-13-universes-25fps.pcapng"


def changing(frames: int, universes: int, seed: int = 1, stands_still: float = 0.0) -> Frames:
    """Frames `(frames, universes)`, one level for each universe. A share of them stays the same."""
    random = np.random.default_rng(seed)
    levels = random.integers(1, 256, (frames, universes), np.uint8)
    for number in range(1, frames):
        same = random.random(universes) < stands_still
        levels[number, same] = levels[number - 1, same]
    return levels


def test_the_moving_picture_is_recorded_byte_for_byte(tmp_path: Path) -> None:
    outcome = from_capture(CAPTURE, tmp_path / "out.frames", Wanted())
    info = inspect(tmp_path / "out.frames")
    assert (info.frames, info.fps, len(info.universes)) == (132, 25, 13)
    assert (outcome.counts.data, outcome.counts.lost_in_all, outcome.notes) == (1716, 0, ())
    assert np.array_equal(everything(info), np.load(REFERENCE / "moving-picture-64x32-25fps.npy"))


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(
    seed=st.integers(0, 10**6),
    universes=st.integers(1, 6),
    fps=st.sampled_from([20, 25, 40, 44]),
    way=st.sampled_from(
        [(0.0, 0.05, True), (0.0, 0.95, False), (0.1, 0.05, True), (0.5, 0.5, True), (0.5, 0.05, False)]
    ),
)
def test_what_a_source_sends_is_what_is_recorded(
    seed: int, universes: int, fps: int, way: tuple[float, float, bool]
) -> None:
    """Unchanged data are left out (E1.31 6.6.2); bursts, spread packets, small delays, any order."""
    thinned, spread, mixed = way
    levels = changing(60, universes, seed, thinned)
    random = np.random.default_rng(seed)
    period_ns = 1_000_000_000 // fps
    sequence = [0] * universes
    order = random.permutation(universes) if mixed else np.arange(universes)
    events: list[Event] = []
    last = 0
    for number, frame in enumerate(levels):
        delay_ns = int(random.exponential(0.02) * period_ns)
        for turn, universe in enumerate(order.tolist()):
            if thinned and number and frame[universe] == levels[number - 1, universe]:
                continue
            at_ns = number * period_ns + delay_ns + int(turn * period_ns * spread / universes)
            events.append((at_ns, data(universe + 1, sequence[universe], [frame[universe]])))
            sequence[universe] += 1
            last = number
    with tempfile.TemporaryDirectory() as folder:
        frames, outcome = recorded(Path(folder), events)
    assert outcome.counts.lost_in_all == 0
    assert np.array_equal(frames[:, :, 0], levels[: last + 1])
    assert outcome.info.fps == fps


@pytest.mark.parametrize("spread", [0.7, 0.95])
def test_universes_spread_over_all_of_a_frame_and_thinned_out_stay_in_it(tmp_path: Path, spread: float) -> None:
    """E1.31 6.6.2. The last universe comes more than half a frame after the first."""
    levels = changing(80, 6, stands_still=0.3)
    plain = stream(levels, 1, spread_ns=int(spread * 25_000_000))
    changed = np.concatenate([np.ones((1, 6), np.bool_), levels[1:] != levels[:-1]])
    numbers = np.cumsum(changed, axis=0).tolist()
    events = [
        (at_ns, data(place % 6 + 1, numbers[place // 6][place % 6], [level]))
        for place, ((at_ns, _), level) in enumerate(zip(plain, levels.flat, strict=True))
        if changed.flat[place]
    ]
    frames, _ = recorded(tmp_path, events)
    assert np.array_equal(frames[:, :, 0], levels)


def test_a_delayed_source_that_catches_up_loses_nothing(tmp_path: Path) -> None:
    """Three frames are delayed, and come right after each other."""
    levels = changing(80, 4)
    events = [
        (1_060_000_000 if 1_000_000_000 <= at_ns < 1_060_000_000 else at_ns, one) for at_ns, one in stream(levels, 1)
    ]
    frames, outcome = recorded(tmp_path, events)
    assert np.array_equal(frames[:, :, 0], levels)
    assert (outcome.counts.frames_filled, outcome.info.fps) == (0, 40)


def test_a_pause_of_the_source_repeats_the_frame(tmp_path: Path) -> None:
    """Nothing is lost, but time passes: the frames after the pause keep their time."""
    levels = changing(80, 4)
    events = [(at_ns + (250_000_000 if at_ns >= 1_000_000_000 else 0), one) for at_ns, one in stream(levels, 1)]
    frames, outcome = recorded(tmp_path, events)
    assert np.array_equal(frames[:, :, 0], np.concatenate([levels[:40], levels[39:40].repeat(10, axis=0), levels[40:]]))
    assert outcome.counts.frames_filled == 10


def test_a_static_look_keeps_its_length(tmp_path: Path) -> None:
    """E1.31 6.6.2: three more packets, then one every 800 to 1000 ms."""
    levels = changing(41, 3)
    events = stream(levels, 1)
    still = [
        (1_000_000_000 + number * 900_000_000 + universe, data(universe, 40 + number, [levels[40, universe - 1]]))
        for number in range(1, 5)
        for universe in (1, 2, 3)
    ]
    frames, outcome = recorded(tmp_path, events + still)
    assert np.array_equal(frames[:41, :, 0], levels)
    assert (frames[41:, :, 0] == levels[40]).all() and len(frames) == 41 + 4 * 36
    assert outcome.info.fps == 40


def lossy(levels: Frames, lost: set[tuple[int, int]]) -> list[Event]:
    """A stream without the packets `lost`: (frame, universe)."""
    count = levels.shape[1]
    return [event for place, event in enumerate(stream(levels, 1)) if (place // count, place % count + 1) not in lost]


@pytest.mark.parametrize(
    "lost",
    [
        {(20, 1)},
        {(20, 2)},
        {(20, 3)},
        {(20, 1), (20, 2), (20, 3)},
        {(20, 1), (21, 1), (22, 3), (23, 2)},
        {(frame, universe) for frame in range(20, 30) for universe in (1, 2, 3)},
        {(frame, 1) for frame in range(20, 50)},
    ],
)
def test_lost_packets_are_counted_and_their_universe_repeats(tmp_path: Path, lost: set[tuple[int, int]]) -> None:
    """E1.31 6.7.2: missing numbers."""
    levels = changing(80, 3)
    frames, outcome = recorded(tmp_path, lossy(levels, lost))
    expected = levels.copy()
    for frame, universe in sorted(lost):
        expected[frame, universe - 1] = expected[frame - 1, universe - 1]
    assert np.array_equal(frames[:, :, 0], expected)
    assert outcome.counts.lost_in_all == len(lost)
    assert outcome.counts.lost == {
        universe: sum(one == universe for _, one in lost) for universe in {u for _, u in lost}
    }


@settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(st.sets(st.tuples(st.integers(3, 55), st.integers(1, 4)), max_size=25))
def test_lost_packets_move_no_others(lost: set[tuple[int, int]]) -> None:
    levels = changing(60, 4)
    with tempfile.TemporaryDirectory() as folder:
        frames, outcome = recorded(Path(folder), lossy(levels, lost))
    expected = levels.copy()
    for frame, universe in sorted(lost):
        expected[frame, universe - 1] = expected[frame - 1, universe - 1]
    assert outcome.counts.lost_in_all == len(lost)
    assert np.array_equal(frames[:, :, 0], expected)


def test_repeated_and_late_packets_are_ignored(tmp_path: Path) -> None:
    """E1.31 6.7.2: a step of 0 down to -19 is discarded."""
    levels = changing(60, 2)
    events = stream(levels, 1)
    repeated = [(at_ns + 100_000, one) for at_ns, one in events[40:46]]
    late = [(at_ns + 60_000_000, one) for at_ns, one in events[60:64]]
    frames, outcome = recorded(tmp_path, events + repeated + late)
    assert np.array_equal(frames[:, :, 0], levels)
    assert (outcome.counts.repeated, outcome.counts.out_of_order, outcome.counts.lost_in_all) == (6, 4, 0)


def synchronized(levels: Frames, seed: int = 1, thinned: bool = False, jitter: float = 0.8) -> list[Event]:
    """A stream with synchronization (E1.31 section 11): packets anywhere in a frame, then a synchronization packet."""
    random = np.random.default_rng(seed)
    events: list[Event] = []
    sequence = [0] * levels.shape[1]
    for number, frame in enumerate(levels):
        begin_ns = number * 25_000_000
        for place, level in enumerate(frame):
            if thinned and number and level == levels[number - 1, place]:
                continue
            at_ns = begin_ns + int(random.random() * jitter * 25_000_000)
            events.append((at_ns, data(place + 1, sequence[place], [level], synchronization=7000)))
            sequence[place] += 1
        events.append((begin_ns + 24_000_000, sync(7000, number)))
    return events


@pytest.mark.parametrize("thinned", [False, True])
def test_frames_are_formed_by_synchronization_packets(tmp_path: Path, thinned: bool) -> None:
    levels = changing(80, 5, stands_still=0.4 if thinned else 0.0)
    frames, outcome = recorded(tmp_path, synchronized(levels, thinned=thinned))
    assert np.array_equal(frames[:, :, 0], levels)
    assert (outcome.counts.synchronizations, outcome.counts.synchronizations_lost, outcome.info.fps) == (80, 0, 40)


def test_a_lost_synchronization_packet_costs_no_frame(tmp_path: Path) -> None:
    levels = changing(80, 3)
    events = synchronized(levels)
    syncs = [place for place, (_, packet) in enumerate(events) if len(packet) < 100]
    del events[syncs[40]]
    frames, outcome = recorded(tmp_path, events)
    assert np.array_equal(frames[:, :, 0], levels)
    assert outcome.counts.synchronizations_lost == 1


def test_a_packet_after_its_synchronization_goes_back_into_its_frame(tmp_path: Path) -> None:
    levels = changing(80, 3)
    events = synchronized(levels, jitter=0.2)
    data_events = [place for place, (_, packet) in enumerate(events) if len(packet) > 100]
    late = data_events[3 * 40 + 1]
    events[late] = (40 * 25_000_000 + 24_500_000, events[late][1])
    frames, outcome = recorded(tmp_path, events)
    assert np.array_equal(frames[:, :, 0], levels)
    assert outcome.counts.late == {2: 1}


def test_a_recording_that_begins_in_the_middle_of_a_frame_begins_with_the_next(tmp_path: Path) -> None:
    levels = changing(60, 4)
    frames, _ = recorded(tmp_path, stream(levels, 1)[2:-1])
    assert np.array_equal(frames[:, :, 0], levels[1:-1])


@pytest.mark.parametrize("order", [[1, 0, 2, 3], [3, 2, 1, 0], [1, 2, 3, 0], [2, 0, 3, 1]])
@pytest.mark.parametrize("spread", [0.1, 0.9])
def test_a_first_frame_whose_packets_come_shuffled_is_kept(tmp_path: Path, order: list[int], spread: float) -> None:
    levels = changing(60, 4)
    events = stream(levels, 1, spread_ns=int(spread * 25_000_000))
    times = [at_ns for at_ns, _ in events[:4]]
    first = [(times[turn], events[place][1]) for turn, place in enumerate(order)]
    frames, outcome = recorded(tmp_path, first + events[4:])
    assert np.array_equal(frames[:, :, 0], levels)
    assert (outcome.counts.frames_before, outcome.counts.lost_in_all, outcome.info.fps) == (0, 0, 40)


@pytest.mark.parametrize("seed", range(8))
def test_every_frame_has_the_universes_that_come_later(tmp_path: Path, seed: int) -> None:
    """Unchanged data are left out (E1.31 6.6.2), and the recording begins in the middle of a frame."""
    levels = changing(60, 4, seed)
    sent = np.random.default_rng(seed).random((60, 4)) < 0.5
    sent[0] = True
    numbers = np.cumsum(sent, axis=0).tolist()
    events = [
        (at_ns, data(place % 4 + 1, numbers[place // 4][place % 4], [levels.flat[place]]))
        for place, (at_ns, _) in enumerate(stream(levels, 1))
        if sent.flat[place]
    ]
    frames, _ = recorded(tmp_path, events[2:])
    assert frames[:, :, 0].all()


@pytest.mark.parametrize("lost", [0, 1, 2, 3])
def test_a_packet_that_is_lost_in_the_first_frame_moves_no_other(tmp_path: Path, lost: int) -> None:
    """The recording begins in frame 0. A packet of frame 1 is lost, so its universe shows frame 0."""
    levels = changing(60, 4)
    events = stream(levels, 1)[2:]
    del events[2 + lost]
    frames, _ = recorded(tmp_path, events)
    assert np.array_equal(frames[-58:, :, 0], levels[2:])
    if lost >= 2:
        levels[1, lost] = levels[0, lost]
        assert np.array_equal(frames[:, :, 0], levels[1:])


@pytest.mark.parametrize(
    "fps", [Fraction(24), Fraction(25), Fraction(30), Fraction(40), Fraction(30000, 1001), Fraction("26.4")]
)
def test_the_rate_is_found(tmp_path: Path, fps: Fraction) -> None:
    _, outcome = recorded(tmp_path, stream(changing(200, 2), 1, fps))
    assert abs(outcome.info.fps / fps - 1) < Fraction(1, 1000)
    assert outcome.info.fps == fps or fps == Fraction("26.4")


@pytest.mark.parametrize("look_fps", [24.1, 25, 25.9])
def test_a_length_counts_by_the_rate_of_the_file_and_not_by_that_of_the_first_look(
    tmp_path: Path, look_fps: float
) -> None:
    """A look of 1.5 s at a busy source is up to 4 % off: five frames in 5.2 s."""
    levels = changing(140, 2)
    path = captured(tmp_path / "in.pcap", stream(levels, 1, 25))
    look = Rhythm(int(1e9 / look_fps), None, frozenset((1, 2)))
    wanted = Wanted(slots="sent", for_s=5.2)
    recording = Recording(tmp_path / "out.frames", {1: 1, 2: 1}, look, wanted, live=True)
    for datagrams in capture.datagrams(path, Seen(), E131_READER):
        recording.take(E131_READER.read(datagrams))
    outcome = recording.close()
    assert (outcome.info.fps, outcome.notes) == (25, ("ended: the time is over",))
    assert np.array_equal(everything(outcome.info), levels[:130])


def test_a_given_rate_is_written_and_another_rate_reported(tmp_path: Path) -> None:
    levels = changing(80, 2)
    frames, outcome = recorded(tmp_path, stream(levels, 1, 40), Wanted(slots="sent", fps=Fraction(20)))
    assert outcome.info.fps == 20 and np.array_equal(frames[:, :, 0], levels)
    assert any("the stream ran at 40" in line for line in outcome.counts.lines(outcome.info.fps))


def two_rates(levels: Frames, first: int, second: int) -> list[Event]:
    """Half of the frames at one rate, the other half at another."""
    half = len(levels) // 2
    begin_ns = half * 1_000_000_000 // first
    later = [
        (begin_ns + number * 1_000_000_000 // second + place, data(place + 1, half + number, [level]))
        for number, frame in enumerate(levels[half:])
        for place, level in enumerate(frame)
    ]
    return stream(levels[:half], 1, first) + later


def test_a_stream_that_doubles_its_rate_half_way_keeps_its_time(tmp_path: Path) -> None:
    levels = changing(240, 2)
    for first, second in ((20, 40), (40, 20)):
        frames, outcome = recorded(tmp_path, two_rates(levels, first, second))
        assert outcome.info.fps == 40 and abs(len(frames) - 360) <= 1
        changes = np.concatenate([[True], (frames[1:] != frames[:-1]).any(axis=(1, 2))])
        assert np.array_equal(frames[changes][:, :, 0], levels)


def test_a_change_of_rate_is_reported(tmp_path: Path) -> None:
    """All frames are recorded. A file has one rate, so a part of it lasts longer."""
    levels = changing(400, 2)
    frames, outcome = recorded(tmp_path, two_rates(levels, 25, 40))
    assert np.array_equal(frames[:, :, 0], levels)
    report = [line for line in outcome.counts.lines(outcome.info.fps) if "the rate changed" in line]
    assert report == ["the rate changed from 25 to 40 frames a second; record each part separately"]


@pytest.mark.parametrize("fps", [30, 40])
def test_a_source_with_a_coarse_timer_loses_nothing(tmp_path: Path, fps: int) -> None:
    """Instants rounded up to 1/64 s, as some systems do (common practice, no source)."""
    levels = changing(200, 3)
    sent = stream(levels, 1, fps, spread_ns=300)
    events = [(-(-at_ns // 15_625_000) * 15_625_000 + at_ns % 1000, packet) for at_ns, packet in sent]
    frames, outcome = recorded(tmp_path, events)
    assert np.array_equal(frames[:, :, 0], levels) and outcome.info.fps == fps


@settings(max_examples=15, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(st.integers(0, 10**6))
def test_a_delay_anywhere_splits_no_frame(seed: int) -> None:
    """A busy machine delays a sender between any two packets, for up to three frames. The sender catches up."""
    levels = changing(120, 8)
    random = np.random.default_rng(seed)
    events, held_ns = [], 0
    for at_ns, packet in stream(levels, 1, 40):
        if random.random() < 0.02:
            held_ns = max(held_ns, at_ns + int(random.random() * 75_000_000))
        events.append((max(at_ns, held_ns), packet))
        held_ns = max(at_ns, held_ns) + 20_000
    with tempfile.TemporaryDirectory() as folder:
        frames, _ = recorded(Path(folder), events)
    assert np.array_equal(without_stills(frames)[:, :, 0], levels)


def test_a_clock_that_nearly_stops_gives_a_possible_rate() -> None:
    """A capture with damaged times, in which a pause of a second would be a billion frames."""
    assert find_period(np.full(100, 1)) == find_period(np.arange(1, 100)) == 1_000_000


def test_five_hundred_universes_are_recorded_byte_for_byte(tmp_path: Path) -> None:
    levels = np.random.default_rng(5).integers(0, 256, (24, 500), np.uint8)
    levels[:, -1] = 1
    frames, outcome = recorded(tmp_path, stream(levels, 1))
    assert np.array_equal(frames[:, :, 0], levels)
    assert (outcome.counts.lost_in_all, outcome.info.fps) == (0, 40)
