"""The player told the time: which packets leave when. No process, no sockets, no disk; every instant is an argument.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.daemon.transmitter import output as output_module
from gloaming.daemon.transmitter.bulk import Parcel
from gloaming.daemon.transmitter.clock import due_ns, frame_at
from gloaming.daemon.transmitter.messages import read_dark, read_score, read_setup
from gloaming.daemon.transmitter.output import Output
from gloaming.daemon.transmitter.player import Player
from gloaming.daemon.transmitter.readahead import Hurt, Want
from gloaming.shows.framefile import FrameFileInfo, Universe
from tests.daemon.transmitter.stage import CID, SECOND_NS, segment, universe

UTC_NS = 1_795_000_000 * SECOND_NS
MS = 1_000_000
A, B = "192.0.2.21", "192.0.2.22"
FRAMES = np.arange(1, 201, dtype=np.uint8)[:, None].repeat(20, axis=1)


@dataclass
class Air:
    """In the place of the wire: keeps what would have left, at the instant the test has come to."""

    now_ns: int = 0
    left: list[tuple[int, str, bytes]] = field(default_factory=list)
    way: str = "plain"
    index: int = 1

    def senders(self, parcels: list[Parcel]) -> list[Any]:
        return [_Send(self, parcels)]

    def new_frame(self) -> None: ...

    def again(self, number: int, tries: int) -> bool:
        return False


@dataclass
class _Send:
    air: Air
    parcels: list[Parcel]

    def send(self, again: Any) -> list[Any]:
        self.air.left += [(self.air.now_ns, parcel.address, parcel.data.tobytes()) for parcel in self.parcels]
        return []


@dataclass
class Shelf:
    """In the place of the disk: files of `FRAMES`; `gone` are those of which no frame comes."""

    gone: set[str] = field(default_factory=set)
    hurt: set[str] = field(default_factory=set)
    hurt_from: int | None = None
    wanted: tuple[Want, ...] = ()

    def want(self, *wanted: Want) -> None:
        self.wanted = wanted

    def info(self, path: str) -> FrameFileInfo:
        return FrameFileInfo(Path(path), Fraction(40), len(FRAMES), 20, (Universe(1, 20, 0),))

    def get(self, path: str, frame: int) -> Any:
        if path in self.hurt or (self.hurt_from is not None and frame >= self.hurt_from):
            return Hurt("it is damaged")
        return None if path in self.gone else FRAMES[frame]

    def hurt_after(self, path: str, frame: int) -> tuple[int, str] | None:
        """What is read ahead here are two seconds."""
        near = self.hurt_from is not None and self.hurt_from < frame + 80
        return (max(frame, self.hurt_from or 0), "it is damaged") if near else None


class Hall:
    """A player, and a clock that only the test moves."""

    def __init__(self, air: Air, *universes: dict[str, Any], **more: Any) -> None:
        self.air, self.shelf, self.troubles = air, Shelf(), []
        setup = {"cid": CID, "source_name": "x", "priority": 100, "interface": "lo", "synchronization": None}
        setup |= {"at_rest": "black", "sequence_from": 0, "universes": universes or (universe(1, A, slots=20),)}
        self.player = Player(self.shelf, lambda *said: self.troubles.append(said), 0)  # type: ignore[arg-type]
        self.player.use(Output(read_setup({**setup, **more})))
        self.dark()

    def dark(self, *windows: tuple[int, int], wall: int = 0) -> None:
        edges = [[UTC_NS + begin, UTC_NS + end] for begin, end in windows]
        known = {"from_ns": UTC_NS - 10**15, "until_ns": UTC_NS + 10**15}
        self.player.dark = read_dark({**known, "windows": edges})
        self.wall_ns = UTC_NS + wall

    def score(self, *segments: dict[str, Any]) -> None:
        moved = [{**one, **{key: one[key] + UTC_NS for key in ("from_ns", "until_ns", "zero_ns")}} for one in segments]
        anchor = {"utc_ns": UTC_NS, "monotonic_ns": 0}
        self.player.score = read_score({"id": 1, "anchor": anchor, "wall_offset_ns": 0, "segments": moved})

    def play(self, until_ns: int, late_ns: int = 0) -> list[tuple[int, str, bytes]]:
        """What leaves until an instant; each tick comes so much too late."""
        before, ticks = len(self.air.left), 0
        while self.air.now_ns < until_ns:
            next_ns = self.player.tick(self.air.now_ns, self.air.now_ns + self.wall_ns)
            assert next_ns > self.air.now_ns
            self.air.now_ns = min(until_ns, next_ns + late_ns)
            ticks += 1
            assert ticks < 100_000, "the player never rests"
        return self.air.left[before:]


@pytest.fixture
def air(monkeypatch: pytest.MonkeyPatch) -> Iterator[Air]:
    there = Air()
    monkeypatch.setattr(output_module, "Wire", lambda *options: there)
    yield there


def film(from_ns: int, until_ns: int, level: tuple[float, float] = (1, 1), **more: Any) -> dict[str, Any]:
    return segment(from_ns, until_ns, level, **{"path": "/film", "piece": "film", "frames": 200, **more})


def test_a_fade_in_is_counted_in_frames(air: Air) -> None:
    hall = Hall(air)
    hall.score(film(0, SECOND_NS, (0.0, 1.0)), film(SECOND_NS, 3 * SECOND_NS, zero_ns=0))
    packets = hall.play(2 * SECOND_NS)
    assert len(packets) == 80
    for number, (at_ns, _, data) in enumerate(packets):
        assert at_ns == number * SECOND_NS // 40
        level = min(256, number * 256 // 40)
        assert data[126] == ((number + 1) * level + 127) >> 8


def test_a_cross_fade_lays_two_pieces_over_each_other(air: Air) -> None:
    hall = Hall(air)
    other = {"path": "/other", "frames": 200, "fps": [40, 1], "zero_ns": UTC_NS - SECOND_NS, "still": None, "look": 0}
    hall.score(film(0, SECOND_NS, mix={**other, "share": [1.0, 0.0]}))
    packets = hall.play(SECOND_NS)
    assert len(packets) == 40
    for number, (_, _, data) in enumerate(packets):
        share = int(256 * (1 - number / 40))
        mine, theirs = number + 1, number + 41
        assert abs(data[126] - ((mine * (256 - share) + theirs * share + 127) >> 8)) <= 1
    assert packets[0][2][126] == 41


def test_what_a_cross_fade_needs_is_read_before_it_begins(air: Air) -> None:
    hall = Hall(air)
    other = {"path": "/other", "frames": 200, "fps": [40, 1], "zero_ns": UTC_NS, "still": None, "look": 0}
    hall.score(film(0, 2 * SECOND_NS), film(2 * SECOND_NS, 4 * SECOND_NS, zero_ns=0, mix={**other, "share": [0, 1]}))
    hall.play(SECOND_NS)
    assert (hall.shelf.wanted[0].path, hall.shelf.wanted[0].onward) == ("/film", True)
    assert Want("/other", 80) in hall.shelf.wanted


def test_unchanged_data_thin_out_after_three_packets_to_one_every_800_to_1000_ms(air: Air) -> None:
    """6.6.2."""
    hall = Hall(air)
    hall.score(segment(0, 10**12, look=80))
    times = [at_ns for at_ns, _, _ in hall.play(20 * SECOND_NS)]
    gaps = [after - before for before, after in pairwise(times)]
    assert all(gap < 50 * MS for gap in gaps[:2])
    assert all(800 * MS <= gap <= SECOND_NS for gap in gaps[2:])


def test_frames_that_are_missed_are_dropped_and_never_piled_up(air: Air) -> None:
    hall = Hall(air)
    hall.score(film(0, 4 * SECOND_NS))
    hall.play(SECOND_NS)
    air.now_ns += SECOND_NS // 4  # the process did not run for a quarter of a second
    packets = hall.play(2 * SECOND_NS)
    assert [data[126] for _, _, data in packets] == list(range(51, 81))
    assert hall.player.frames.dropped == 10
    assert hall.player.frames.due == hall.player.frames.sent + 10 == 80


@pytest.mark.parametrize("fps", [Fraction(25), Fraction(40), Fraction(30000, 1001), Fraction(44), Fraction(1, 3)])
def test_the_frame_clock_does_not_drift(fps: Fraction) -> None:
    """Ten years on, a frame is still due at the first nanosecond of its turn."""
    for frame in (0, 1, 7, int(3600 * fps), int(315_360_000 * fps)):
        due = due_ns(frame, UTC_NS, fps)
        assert frame_at(due, UTC_NS, fps) == frame
        assert frame_at(due - 1, UTC_NS, fps) == frame - 1
        assert 0 <= due - UTC_NS - Fraction(frame * SECOND_NS) / fps < 1


def test_the_frame_number_after_an_hour_at_30000_1001_is_exact(air: Air) -> None:
    hall = Hall(air)
    hall.score(film(0, 7200 * SECOND_NS, fps=[30000, 1001]))
    air.now_ns = 3600 * SECOND_NS - SECOND_NS
    hall.play(3600 * SECOND_NS)
    assert hall.player.shown.frame == (3600 * 30000 - 1) // 1001 % 200  # the last frame due before the hour is full


def test_a_rate_above_that_of_a_dmx512_line_is_halved(air: Air) -> None:
    """6.6.1: 60 frames a second of 512 slots; E1.11 (from memory) has at most 44 a second."""
    hall = Hall(air, universe(1, A, slots=512))
    hall.score(film(0, 2 * SECOND_NS, fps=[60, 1]))
    packets = hall.play(2 * SECOND_NS)
    assert len(packets) == 60
    assert [data[126] for _, _, data in packets] == list(range(1, 121, 2))


def test_changes_of_picture_keep_to_the_rate_of_a_dmx512_line(air: Air) -> None:
    """6.6.1: looks that follow each other every 10 ms; black alone comes at once."""
    hall = Hall(air, universe(1, A, slots=512))
    hall.score(*(segment(n * 10 * MS, (n + 1) * 10 * MS, look=n + 1) for n in range(200)))
    times = [at_ns for at_ns, _, _ in hall.play(2 * SECOND_NS)]
    assert all(after - before >= SECOND_NS // 45 for before, after in pairwise(times))
    assert len(times) > 60


def test_a_lead_sends_earlier_and_a_spread_sends_in_parts(air: Air) -> None:
    near = [universe(n, A, slots=20, spread_ns=4 * MS) for n in range(1, 5)]
    far = [universe(n, B, slots=20, lead_ns=15 * MS) for n in range(5, 7)]
    hall = Hall(air, *near, *far, synchronization=7000)
    begin = SECOND_NS
    hall.score(film(begin, 3 * SECOND_NS))
    packets = hall.play(2 * SECOND_NS)
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


def test_whoever_hears_several_leads_hears_one_sequence_of_synchronization(air: Air) -> None:
    """6.7.2: a packet that bears the number of the one before is discarded. Where a group has one lead its numbers are
    the data's own, by which a receiver can tell whether it has the whole of a frame."""
    far = [universe(n, B, slots=20, lead_ns=15 * MS, spread_ns=9 * MS, multicast=True) for n in range(1, 4)]
    near = [universe(n, A, slots=20, multicast=True) for n in range(4, 6)]
    hall = Hall(air, *far, *near, synchronization=7000, sequence_from=250)
    hall.score(film(SECOND_NS, 60 * SECOND_NS))
    packets = hall.play(3 * SECOND_NS)
    for address in (A, B, "239.255.27.88"):  # 9.3.1: the group of universe 7000
        numbers = [data[44] for _, to, data in packets if to == address and data[21] == 8]
        assert len(numbers) > 80 and numbers[0] == 251
        assert all((after - before) & 0xFF == 1 for before, after in pairwise(numbers))
    for address, size in ((A, 2), (B, 3)):
        mine = [(data[21], data[44] if data[21] == 8 else data[111]) for _, to, data in packets if to == address]
        frames = [mine[at : at + size + 1] for at in range(0, len(mine) // (size + 1) * (size + 1), size + 1)]
        assert all(frame == [(4, frame[0][1])] * size + [(8, frame[0][1])] for frame in frames)


def test_a_stalled_disk_leaves_the_last_frame_kept_alive_and_is_told_and_counted(air: Air) -> None:
    """6.7.1: a receiver waits 2.5 s; so what is on the wire is sent again before that."""
    hall = Hall(air)
    hall.score(film(0, 60 * SECOND_NS))
    hall.play(SECOND_NS)
    hall.shelf.gone.add("/film")
    packets = hall.play(4 * SECOND_NS)
    assert {data[126] for _, _, data in packets} == {40}
    assert all(after - before <= SECOND_NS for before, after in pairwise([at for at, _, _ in packets]))
    assert {said[0] for said in hall.troubles} == {"disk"}
    hall.shelf.gone.clear()
    hall.troubles.clear()
    packets = hall.play(5 * SECOND_NS)
    assert packets[0][2][126] == 161 and len(packets) == 40
    assert not hall.troubles
    frames = hall.player.frames
    assert (frames.due, frames.sent, frames.dropped, frames.unread) == (200, 80, 120, 120)


def painted(level: float, value: int) -> int:
    """A slot at a level in 256ths, rounded."""
    return (value * int(level * 256) + 127) >> 8


def test_a_pause_while_the_disk_stalls_fades_what_is_held_to_black(air: Air) -> None:
    """The score fades from 2 s to 3 s and stands still from there; after it, black stays until frames come."""
    hall = Hall(air)
    hall.score(
        film(0, 2 * SECOND_NS),
        film(2 * SECOND_NS, 3 * SECOND_NS, (1.0, 0.0), zero_ns=0),
        film(3 * SECOND_NS, 6 * SECOND_NS, (0.0, 0.0), zero_ns=0, still=119),
        film(6 * SECOND_NS, 7 * SECOND_NS, (0.0, 1.0), zero_ns=3 * SECOND_NS),
        film(7 * SECOND_NS, 60 * SECOND_NS, zero_ns=3 * SECOND_NS),
    )
    hall.play(SECOND_NS)
    hall.shelf.gone.add("/film")
    hall.play(2 * SECOND_NS)
    fade = hall.play(3 * SECOND_NS)
    assert len(fade) >= 38  # steadily, as a fade is
    assert all(data[126] == painted(3 - at / SECOND_NS, 40) for at, _, data in fade)
    assert {data[126] for _, _, data in hall.play(6 * SECOND_NS)} == {0}
    again = hall.play(9 * SECOND_NS)
    assert {data[126] for _, _, data in again} == {0}, "black was on the wire, and no frame has come"
    hall.shelf.gone.clear()
    assert hall.play(10 * SECOND_NS)[-1][2][126] == (10 - 3) * 40 - 200  # it has begun again


def test_dim_hours_that_begin_while_the_disk_stalls_lower_what_is_held(air: Air) -> None:
    """And what is unchanged is sent three times, then every 800 to 1000 ms (6.6.2)."""
    hall = Hall(air)
    hall.score(film(0, 3 * SECOND_NS), film(3 * SECOND_NS, 60 * SECOND_NS, (0.5, 0.5), zero_ns=0))
    hall.play(SECOND_NS)
    hall.shelf.gone.add("/film")
    packets = hall.play(8 * SECOND_NS)
    assert {data[126] for at, _, data in packets if at < 3 * SECOND_NS} == {40}
    low = [(at, data[126]) for at, _, data in packets if at >= 3 * SECOND_NS]
    assert low[0][0] <= 3 * SECOND_NS + 25 * MS and {value for _, value in low} == {20}
    gaps = [after - before for (before, _), (after, _) in pairwise(low)]
    assert all(gap < 50 * MS for gap in gaps[:2]) and all(800 * MS <= gap <= SECOND_NS for gap in gaps[2:])


def test_of_another_piece_what_is_held_never_becomes_brighter(air: Air) -> None:
    """A piece begins with a fade whose frames do not come: its fade-in is no reason to show the piece before again."""
    hall = Hall(air)
    hall.score(
        film(0, SECOND_NS, (0.5, 0.5)),
        film(SECOND_NS, 2 * SECOND_NS, (0.2, 1.0), path="/other", zero_ns=SECOND_NS),
        film(2 * SECOND_NS, 60 * SECOND_NS, path="/other", zero_ns=SECOND_NS),
    )
    hall.shelf.gone.add("/other")
    hall.play(SECOND_NS)
    held = [data[126] for _, _, data in hall.play(5 * SECOND_NS)]
    assert set(held) <= {painted(level / 1000, 40) for level in range(200, 230)}
    hall.shelf.gone.clear()
    before_ns = air.left[-1][0]
    came = hall.play(6 * SECOND_NS)
    assert came[0][2][126] == 160 + 1
    assert came[0][0] - before_ns >= SECOND_NS // 45  # 6.6.1


def test_what_a_cross_fade_held_is_dimmed_in_its_shares(air: Air) -> None:
    hall = Hall(air)
    other = {"path": None, "frames": 1, "fps": [1, 1], "zero_ns": 0, "still": None, "look": 200, "share": [0.5, 0.5]}
    hall.score(film(0, SECOND_NS, mix=other), film(SECOND_NS, 9 * SECOND_NS, (0.5, 0.5), zero_ns=0, mix=other))
    hall.play(SECOND_NS)
    hall.shelf.gone.add("/film")
    assert {data[126] for _, _, data in hall.play(2 * SECOND_NS)} == {(40 * 64 + 200 * 64 + 127) >> 8}


def test_a_piece_that_is_damaged_is_told_once_and_black(air: Air) -> None:
    hall = Hall(air)
    hall.score(film(0, 60 * SECOND_NS))
    hall.shelf.hurt.add("/film")
    packets = hall.play(3 * SECOND_NS)
    assert not any(any(data[126:]) for _, _, data in packets)
    assert [said[:3] for said in hall.troubles] == [("frames", "/film", "it is damaged")]


def test_frames_that_are_hurt_are_told_when_they_are_read_and_not_when_they_are_due(air: Air) -> None:
    """So what comes in their place is at hand in time; and told again when due, to a director who came meanwhile."""
    hall = Hall(air)
    hall.score(film(0, 60 * SECOND_NS))
    hall.shelf.hurt_from = 160
    hall.play(2 * SECOND_NS)
    assert hall.troubles == []
    packets = hall.play(3 * SECOND_NS)
    ((kind, path, text, _, frame),) = hall.troubles
    assert (kind, path, text, frame) == ("frames", "/film", "it is damaged", 160)
    assert all(any(data[126:]) for _, _, data in packets), "the light goes on until then"
    hall.play(5 * SECOND_NS)
    assert [said[4] for said in hall.troubles] == [160, 160]


def test_frames_that_are_hurt_past_a_segments_end_are_nobodys_trouble(air: Air) -> None:
    hall = Hall(air)
    hall.score(film(0, 3 * SECOND_NS), segment(3 * SECOND_NS, 9 * SECOND_NS))
    hall.shelf.hurt_from = 160
    hall.play(5 * SECOND_NS)
    assert hall.troubles == []


def test_a_released_stream_ends_with_three_terminations_and_begins_again(air: Air) -> None:
    hall = Hall(air, at_rest="release")
    hall.score(film(0, SECOND_NS), segment(SECOND_NS, 5 * SECOND_NS), film(5 * SECOND_NS, 6 * SECOND_NS))
    rest = [(at_ns, data[112] & 0x40) for at_ns, _, data in hall.play(5 * SECOND_NS) if at_ns >= SECOND_NS]
    assert [ended for _, ended in rest] == [0, 0, 0, 64, 64, 64]
    assert hall.player.voices[0].group.at_rest
    packets = hall.play(6 * SECOND_NS)
    assert len(packets) == 40 and not any(data[112] & 0x40 for _, _, data in packets)


def test_light_never_comes_from_a_wall_clock_that_says_dark(air: Air) -> None:
    """The score's anchor says eight in the evening; the machine's own clock says it is dark hours."""
    hall = Hall(air)
    hall.dark((3600 * SECOND_NS, 7200 * SECOND_NS), wall=4000 * SECOND_NS)
    hall.score(film(0, 10 * SECOND_NS))
    assert not any(any(data[126:]) for _, _, data in hall.play(5 * SECOND_NS))
    hall.wall_ns = UTC_NS
    assert any(any(data[126:]) for _, _, data in hall.play(6 * SECOND_NS))


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
    air = Air()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(output_module, "Wire", lambda *options: air)
        hall = Hall(air, universe(1, A, slots=20, lead_ns=lead_ms * MS), universe(2, B, slots=20, spread_ns=3 * MS))
        hall.dark(*((begin * MS, (begin + length) * MS) for begin, length in dark), wall=wall_ms * MS)
        made, at_ns = [], 0
        for length_ns, kind, begin, end in parts:
            more: dict[str, Any] = {"film": {}, "still": {"still": 3}}.get(kind, {})
            if kind == "mix":
                other = {"path": None, "frames": 1, "fps": [1, 1], "zero_ns": 0, "still": None, "look": 255}
                more = {"mix": {**other, "share": [begin, end]}}
            make = film if kind in ("film", "still", "mix") else segment
            if kind == "look":
                more = {"look": 200}
            made.append(make(at_ns, at_ns + length_ns, (begin, end), **more))
            at_ns += length_ns
        hall.score(*made)
        late_ns = data.draw(st.sampled_from([0, 1 * MS, 40 * MS]))
        for stall_ms in sorted(data.draw(st.lists(st.integers(0, 6000), max_size=3))):  # the disk stalls, and goes on
            hall.play(stall_ms * MS, late_ns)
            hall.shelf.gone ^= {"/film"}
        hall.play(at_ns + 2 * SECOND_NS, late_ns)
    forbidden = [(begin * MS, (begin + length) * MS) for begin, length in dark]
    for at, address, packet in air.left:
        if any(packet[126:]):
            seen = (at, at + wall_ms * MS, *((at + lead_ms * MS,) if address == A else ()))
            assert not any(begin <= instant < end for begin, end in forbidden for instant in seen)
            assert at + (lead_ms * MS if address == A else 0) < at_ns + 4 * MS
    for address in (A, B):
        times = [at for at, to, _ in air.left if to == address]
        assert all(after - before <= SECOND_NS + 41 * MS for before, after in pairwise(times))
        sequences = [packet[111] for _, to, packet in air.left if to == address]
        assert all((after - before) & 0xFF == 1 for before, after in pairwise(sequences))


def test_the_player_reads_no_clock(air: Air, monkeypatch: pytest.MonkeyPatch) -> None:
    hall = Hall(air)
    hall.score(film(0, SECOND_NS))
    for name in ("time", "time_ns", "monotonic", "monotonic_ns"):
        monkeypatch.setattr(time, name, lambda: pytest.fail("a clock was read"))
    assert len(hall.play(SECOND_NS)) == 40
