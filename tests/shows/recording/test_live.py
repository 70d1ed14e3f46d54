"""A live recording without a network: batches of packets as from a receiver, still frames before a piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.framefile.reader import Frames, inspect
from gloaming.shows.protocols.datagrams import Datagrams
from gloaming.shows.protocols.e131 import PACKET_BYTES_MAX
from gloaming.shows.protocols.e131.parse import E131Reader
from gloaming.shows.recording import parts
from gloaming.shows.recording.live import Live
from gloaming.shows.recording.recorder import Outcome, Wanted
from tests.shows.streams import Event, data, everything, shortened, stream

LEVELS = np.arange(1, 151, dtype=np.uint8)[:, None].repeat(3, axis=1)
AS_SENT = Wanted((1, 2, 3), "sent")


class Batches:
    """A receiver for tests: 50 ms of packets at a time, in a buffer that is reused."""

    def __init__(self, events: Sequence[Event]) -> None:
        ordered = sorted(events, key=lambda event: event[0])
        self.batches: list[list[Event]] = []
        for event in ordered:
            if not self.batches or event[0] - self.batches[-1][0][0] > 50_000_000:
                self.batches.append([])
            self.batches[-1].append(event)
        self.dropped = 0
        self.buffer = np.zeros(1 << 20, np.uint8)

    def read(self, timeout_s: float) -> Datagrams:
        if not self.batches:
            raise EOFError
        batch = self.batches.pop(0)
        starts = np.arange(len(batch)) * PACKET_BYTES_MAX
        for start, (_, payload) in zip(starts, batch, strict=True):
            self.buffer[start : start + len(payload)] = np.frombuffer(payload, np.uint8)
        lengths = np.array([len(payload) for _, payload in batch])
        times, senders = np.array([at_ns for at_ns, _ in batch]), np.zeros(len(batch), np.int64)
        return Datagrams(self.buffer, starts, lengths, times, senders)

    def release(self) -> None:
        self.buffer[:] = 0xEE

    def stop(self) -> None:
        pass


def recorded(folder: Path, events: Sequence[Event], wanted: Wanted = AS_SENT) -> tuple[Frames, Outcome]:
    receiver: Any = Batches(events)
    live = Live(receiver, folder / "out.frames", wanted)
    outcome = live.finish(lambda path: None)
    return everything(outcome.info).reshape(outcome.info.frames, len(outcome.info.universes), -1)[:, :, 0], outcome


def still(seconds: float, level: int = 200) -> list[Event]:
    """Unchanged data, one packet in 900 ms (E1.31 6.6.2)."""
    count = int(seconds / 0.9)
    return [
        (number * 900_000_000 + universe * 10_000, data(universe, 256 - count + number, [level]))
        for number in range(count)
        for universe in (1, 2, 3)
    ]


@pytest.mark.parametrize("fps", [20, 25, 40])
@pytest.mark.parametrize("seconds", [0.0, 1.8, 10.0, 40.0])
def test_a_piece_after_a_static_look_is_recorded_at_its_own_rate(tmp_path: Path, fps: int, seconds: float) -> None:
    after = [(at_ns + int(seconds * 1e9) + 300_000_000, packet) for at_ns, packet in stream(LEVELS, 1, fps)]
    frames, outcome = recorded(tmp_path, still(seconds) + after)
    assert outcome.info.fps == fps and outcome.counts.lost_in_all == 0
    assert np.array_equal(frames[-len(LEVELS) :], LEVELS)
    assert (frames[: -len(LEVELS)] == 200).all()
    frames, outcome = recorded(tmp_path, still(seconds) + after, Wanted((1, 2, 3), "sent", from_change=True))
    assert outcome.info.fps == fps
    assert np.array_equal(frames, LEVELS if seconds else LEVELS[1:])


def test_an_unchanging_look_keeps_its_length(tmp_path: Path) -> None:
    frames, outcome = recorded(tmp_path, still(40.0))
    assert outcome.info.fps == 40 and (frames == 200).all()
    assert abs(len(frames) / 40 - 44 * 0.9) < 1.0


def test_unwanted_universes_do_not_begin_a_recording(tmp_path: Path) -> None:
    others = stream(LEVELS, 1, first_universe=7)
    ours = [(at_ns + 2_000_000_000, packet) for at_ns, packet in stream(LEVELS[:100], 1)]
    frames, _ = recorded(tmp_path, others + ours)
    assert np.array_equal(frames, LEVELS[:100])
    with pytest.raises(InputError, match="nothing came for universes 1-3, but for universes 7-9"):
        recorded(tmp_path, others)
    with pytest.raises(InputError, match="nothing came for universes 1-3"):
        recorded(tmp_path, [])
    assert [one.name for one in tmp_path.iterdir()] == ["out.frames"]


def test_a_universe_without_levels_and_dark_slots_are_left_out(tmp_path: Path) -> None:
    frames, outcome = recorded(tmp_path, stream(LEVELS, 1), Wanted((1, 2, 3, 9), "used", rig="the rig"))
    assert outcome.info.rig == "the rig"
    assert [(one.number, one.slots) for one in outcome.info.universes] == [(1, 3), (2, 3), (3, 3)]
    assert np.array_equal(frames, LEVELS) and outcome.notes == ("nothing came for universe 9",)


def later(universe: int, from_frame: int, until: int = 150) -> list[Event]:
    """A universe that begins at frame `from_frame` of the others."""
    return [
        (at_ns + from_frame * 25_000_000 + universe * 1000, packet)
        for at_ns, packet in stream(LEVELS[from_frame:until, :1], 1, first_universe=universe)
    ]


EVERY = Wanted(None, "sent")


def test_later_universes_are_recorded_if_all_are_wanted(tmp_path: Path) -> None:
    """One file, in the order of the numbers, black before a universe came."""
    events = stream(LEVELS[:, :2], 1, first_universe=5) + later(9, 100) + later(2, 120) + later(3, 120)
    frames, outcome = recorded(tmp_path, events, replace(EVERY, rig="the rig"))
    assert [one.number for one in outcome.info.universes] == [2, 3, 5, 6, 9]
    assert outcome.info.rig == "the rig"
    assert [one.offset for one in outcome.info.universes] == [0, 512, 1024, 1536, 2048]
    expected = LEVELS[:, :1].repeat(5, axis=1)
    for place, begun in ((0, 120), (1, 120), (4, 100)):
        expected[:begun, place] = 0
    assert np.array_equal(frames, expected)
    assert outcome.info.fps == 40 and outcome.notes == ()
    assert [one.name for one in tmp_path.iterdir()] == ["out.frames"]
    report = [line for line in outcome.counts.lines(outcome.info.fps) if "after the first; black until then" in line]
    assert report == [
        "universe 9 began 2.5 s after the first; black until then",
        "universes 2-3 began 3.0 s after the first; black until then",
    ]


def test_a_universe_that_comes_at_the_very_end_is_recorded(tmp_path: Path) -> None:
    for until_still_s in (None, 1.0):
        wanted = Wanted(None, "sent", until_still_s=until_still_s)
        frames, _ = recorded(tmp_path, stream(LEVELS, 1) + later(9, 149), wanted)
        assert np.array_equal(frames[:, :3], LEVELS)
        assert frames[:, 3].tolist() == [0] * 149 + [150]
        assert [one.name for one in tmp_path.iterdir()] == ["out.frames"]


def test_a_universe_that_comes_during_still_frames_is_recorded(tmp_path: Path) -> None:
    """Unchanged frames are held back as a possible end, and written when a change follows."""
    levels = LEVELS.copy()
    levels[60:120] = levels[60]
    frames, _ = recorded(tmp_path, stream(levels, 1) + later(9, 110), Wanted(None, "sent", until_still_s=2.0))
    assert np.array_equal(frames[:, :3], levels) and frames[-1, 3] > 0 and not frames[:110, 3].any()


@pytest.mark.parametrize("slots", ["used", "sent"])
def test_a_dark_universe_in_the_last_still_frames_is_not_recorded(tmp_path: Path, slots: str) -> None:
    end = len(LEVELS)
    after = [
        (at_ns + end * 25_000_000, data(universe, end + number, [level]))
        for number, at_ns in enumerate(range(0, 3_000_000_000, 25_000_000))
        for universe, level in ((1, 150), (2, 150), (3, 150), (9, 0))
        if universe != 9 or number > 32
    ]
    frames, outcome = recorded(tmp_path, stream(LEVELS, 1) + after, Wanted(None, slots, until_still_s=1.0))
    assert [one.number for one in outcome.info.universes] == [1, 2, 3]
    assert np.array_equal(frames, LEVELS) and "ended: nothing changed any more" in outcome.notes


def test_other_start_codes_preview_and_impossible_universes_add_nothing(tmp_path: Path) -> None:
    odd = [
        (at_ns + number, data(1, 0, [1])[:113] + number.to_bytes(2, "big") + data(1, 0, [1])[115:])
        for number in (0, 64000, 65535)
        for at_ns in (100_000, 3_000_000_000)
    ]
    odd += [(3_100_000_000, data(7, 0, [1], dmxStartCode=0xDD)), (3_100_000_000, data(8, 0, [1], previewData=True))]
    frames, outcome = recorded(tmp_path, stream(LEVELS, 1) + odd, EVERY)
    assert np.array_equal(frames, LEVELS)
    assert set(outcome.counts.not_chosen) == {0, 64000, 65535, 7, 8}


def test_parts_that_cannot_be_put_together_are_kept_and_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(source: object, out: Path, *_: object) -> int:
        raise InputError(ConfigError(out, None, None, "it cannot be written (disk full)"))

    monkeypatch.setattr(parts, "write_source", full)
    with pytest.raises(
        InputError, match=r"disk full\); its parts are kept as out-[0-9a-f]{8}-1.frames, out-"
    ) as report:
        recorded(tmp_path, stream(LEVELS, 1) + later(9, 100), EVERY)
    names = sorted(one.name for one in tmp_path.iterdir())
    assert len(names) == 2 and all(name in str(report.value) for name in names)
    assert [len(inspect(tmp_path / name).universes) for name in names] == [3, 4]
    assert sum(inspect(tmp_path / name).frames for name in names) == 150


def test_packets_that_become_longer_are_reported(tmp_path: Path) -> None:
    """The file has the first slots. Packets with more slots are counted."""
    fixed = [(at_ns, shortened(packet, 30)) for at_ns, packet in stream(LEVELS, 1)]
    late = [(at_ns, packet) for at_ns, packet in stream(LEVELS, 1) if at_ns >= 2_500_000_000]
    frames, outcome = recorded(tmp_path, [event for event in fixed if event[0] < 2_500_000_000] + late)
    assert {one.slots for one in outcome.info.universes} == {30}
    assert np.array_equal(frames, LEVELS)
    assert sum(outcome.counts.longer.values()) == len(late)


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10**6))
def test_a_recording_of_malformed_packets_ends_well(tmp_path: Path, seed: int) -> None:
    """Changed bytes anywhere, cut packets, jumping times."""
    random = np.random.default_rng(seed)
    events = []
    for at_ns, packet in stream(LEVELS, 1, 40):
        changed = bytearray(packet)
        if random.random() < 0.2:
            for at in random.integers(0, 140, random.integers(1, 4)):
                changed[at] = random.integers(0, 256)
        if random.random() < 0.02:
            del changed[random.integers(1, len(changed)) :]
        jump_ns = int(random.integers(-(10**10), 10**10)) if random.random() < 0.01 else 0
        events.append((max(0, at_ns + jump_ns), bytes(changed)))
    frames, outcome = recorded(tmp_path, events)
    assert 100 <= len(frames) == outcome.info.frames < 4000
    assert all("\n" not in line for line in outcome.counts.lines(outcome.info.fps))


@pytest.mark.parametrize("after_ns", [[2_000], [5_000_000], [2_000, 300_000]], ids=str)
def test_what_arrives_several_times_is_recorded_once(tmp_path: Path, after_ns: list[int]) -> None:
    """E1.31 6.7.2: the same CID, universe and sequence number."""
    events = stream(LEVELS, 1, 25)
    copies = [(at_ns + later_ns, packet) for at_ns, packet in events for later_ns in after_ns]
    frames, outcome = recorded(tmp_path, events + copies)
    assert outcome.info.fps == 25 and np.array_equal(frames, LEVELS)


def test_preview_data_alone_are_reported_and_can_be_recorded(tmp_path: Path) -> None:
    """E1.31 6.2.6, bit 7."""
    events = stream(LEVELS, 1, previewData=True)
    with pytest.raises(InputError, match="for universes 1-3; 450 packets are marked as preview; --preview records"):
        recorded(tmp_path, events)
    frames, _ = recorded(tmp_path, events, Wanted((1, 2, 3), "sent", reader=E131Reader(preview=True)))
    assert np.array_equal(frames, LEVELS)
