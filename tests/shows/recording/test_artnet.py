"""Recording from Art-Net: numbers, sources, ArtSync, port-addresses, hostile packets. Its facts: from memory."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import Frames
from gloaming.shows.protocols.artnet.parse import ArtNetReader, mapping, read_dmx
from gloaming.shows.protocols.datagrams import Datagrams
from gloaming.shows.protocols.e131 import PACKET_BYTES_MAX
from gloaming.shows.recording.census import Census
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.live import Live
from gloaming.shows.recording.recorder import Outcome, Recording, Wanted
from tests.shows.artnet_streams import (
    LANTERN,
    QUAY,
    ArtEvent,
    art_captured,
    art_recorded,
    art_stream,
    art_sync,
    dmx,
    numbered,
)
from tests.shows.recording.test_live import Batches
from tests.shows.streams import captured, everything, stream

LEVELS = np.random.default_rng(5).integers(1, 256, (300, 3), np.uint8)


def lines(outcome: Outcome) -> str:
    return "\n".join(outcome.counts.lines(outcome.info.fps))


@pytest.mark.parametrize("sequences", [True, False])
@pytest.mark.parametrize("fps", [25, 40, 44])
def test_what_a_source_sends_is_what_is_recorded(tmp_path: Path, fps: int, sequences: bool) -> None:
    """Numbers from 255 to 1: nothing is lost. Numbers of 0: the source does not number its packets."""
    frames, outcome = art_recorded(tmp_path, art_stream(LEVELS, fps, sequences=sequences))
    assert np.array_equal(frames, LEVELS) and outcome.info.fps == fps
    assert [one.number for one in outcome.info.universes] == [1, 2, 3]
    counts = outcome.counts
    assert (counts.lost_in_all, counts.repeated, counts.out_of_order, counts.restarts) == (0, 0, 0, 0)
    assert lines(outcome).count("\n") == 0 and outcome.notes == ()


@pytest.mark.parametrize("missing, lost", [({40}, 1), ({254, 255, 256}, 3), (set(range(250, 262)), 12)], ids=str)
def test_lost_packets_are_counted_also_where_the_numbers_begin_again(
    tmp_path: Path, missing: set[int], lost: int
) -> None:
    """Packet 254 has the number 255, packet 255 the number 1."""
    events = [one for place, one in enumerate(art_stream(LEVELS)) if place % 3 != 1 or place // 3 not in missing]
    frames, outcome = art_recorded(tmp_path, events)
    assert outcome.counts.lost == {2: lost}
    assert len(frames) == 300 and np.array_equal(frames[:, [0, 2]], LEVELS[:, [0, 2]])
    there = [number not in missing for number in range(300)]
    assert np.array_equal(frames[there], LEVELS[there])
    assert f"packets lost: universe 2 {lost}" in lines(outcome)


@pytest.mark.parametrize("after_ns", [2_000, 5_000_000])
def test_what_arrives_several_times_is_recorded_once(tmp_path: Path, after_ns: int) -> None:
    """By broadcast and by unicast, or on two interfaces."""
    events = art_stream(LEVELS, 25)
    copies = [one._replace(at_ns=one.at_ns + after_ns) for one in events]
    frames, outcome = art_recorded(tmp_path, events + copies)
    assert np.array_equal(frames, LEVELS) and outcome.counts.repeated == 900


def numbered_together(events: list[ArtEvent]) -> list[ArtEvent]:
    """The events, numbered one after another whatever their universe."""
    return [
        one._replace(payload=one.payload[:12] + bytes([numbered(count)]) + one.payload[13:])
        for count, one in enumerate(events)
    ]


@pytest.mark.parametrize(("universes", "copied"), [(2, False), (8, False), (8, True), (250, False)])
def test_a_source_may_number_the_packets_of_all_its_universes_together(
    tmp_path: Path, universes: int, copied: bool
) -> None:
    levels = np.random.default_rng(11).integers(1, 256, (60, universes), np.uint8)
    events = [one for place, one in enumerate(numbered_together(art_stream(levels))) if place != 333]
    copies = [one._replace(at_ns=one.at_ns + 3_000) for one in events if copied]
    frames, outcome = art_recorded(tmp_path, events + copies)
    if levels.size > 333:
        number, universe = divmod(333, universes)
        levels[number, universe] = levels[number - 1, universe]
    assert np.array_equal(frames, levels) and outcome.info.fps == 40
    assert outcome.counts.lost_in_all == 0 and outcome.counts.repeated == len(copies)
    shared = f"{QUAY} numbers the packets of all its universes together: lost ones are not counted"
    assert shared in lines(outcome).splitlines()


def left_out(levels: Frames, sequences: bool) -> list[ArtEvent]:
    """A source that leaves unchanged data out, and repeats them after 4 s."""
    events, last, count = [], dict[int, int](), dict[int, int]()
    for place, one in enumerate(art_stream(levels)):
        number, universe = divmod(place, levels.shape[1])
        changed = number == 0 or levels[number, universe] != levels[number - 1, universe]
        if changed or one.at_ns - last[universe] >= 4_000_000_000:
            last[universe], count[universe] = one.at_ns, count.get(universe, -1) + 1
            sequence = numbered(count[universe]) if sequences else 0
            events.append(one._replace(payload=dmx(1 + universe, sequence, [levels[number, universe]])))
    return events


@pytest.mark.parametrize("sequences", [True, False])
def test_unchanged_data_may_be_left_out_for_four_seconds(tmp_path: Path, sequences: bool) -> None:
    """Each universe stands still now and then, and all of them for 12 s."""
    random = np.random.default_rng(6)
    levels = random.integers(1, 256, (1000, 3), np.uint8)
    for number in range(1, 1000):
        same = np.ones(3, np.bool_) if 200 < number < 680 else random.random(3) < 0.2
        levels[number, same] = levels[number - 1, same]
    frames, outcome = art_recorded(tmp_path, left_out(levels, sequences))
    assert outcome.counts.lost_in_all == 0 and not outcome.counts.silences and outcome.counts.clock_jumps == 0
    assert len(frames) == 1000 and np.array_equal(frames, levels)


@pytest.mark.parametrize(("sender", "physical", "name"), [(LANTERN, 0, LANTERN), (QUAY, 1, f"{QUAY} (port 1)")])
def test_two_sources_are_merged_by_the_highest_level(tmp_path: Path, sender: str, physical: int, name: str) -> None:
    """Two addresses, or two physical ports of one address. The second has other sequence numbers."""
    still = np.full((320, 3), 128, np.uint8)
    second = art_stream(still, sender=sender, physical=physical, from_ns=12_000_000)[60:]
    frames, outcome = art_recorded(tmp_path, art_stream(LEVELS) + second)
    assert np.array_equal(frames[21:300], np.maximum(LEVELS, 128)[21:]) and np.array_equal(frames[:20], LEVELS[:20])
    merged = f"sources were merged, the highest level counts: {', '.join(sorted((QUAY, name)))} on universes 1-3"
    assert merged in lines(outcome).splitlines() and outcome.counts.lost_in_all == 0


def test_a_source_counts_until_it_has_been_silent_for_ten_seconds(tmp_path: Path) -> None:
    levels = np.random.default_rng(7).integers(1, 100, (600, 1), np.uint8)
    frames, _ = art_recorded(
        tmp_path, art_stream(levels) + art_stream(np.full((20, 1), 200, np.uint8), sender=LANTERN, from_ns=12_000_000)
    )
    left = np.flatnonzero(frames[:, 0] == 200).max() / 40
    assert abs(left - 10.5) < 0.1 and np.array_equal(frames[430:], levels[430:])


STILL = np.random.default_rng(8).random((300, 3)) < 0.5
"""Which of `HALF` are as in the frame before."""
STILL[0] = False
HALF = LEVELS.copy()
for _number in range(1, 300):
    HALF[_number, STILL[_number]] = HALF[_number - 1, STILL[_number]]


def unsynchronized() -> list[ArtEvent]:
    """`HALF` without unchanged data and without numbers, in any order all over a frame: only ArtSync divides frames."""
    times = np.random.default_rng(9).integers(0, 38_000_000, (300, 3))
    return [
        ArtEvent(number * 40_000_000 + int(times[number, place]), dmx(1 + place, 0, [HALF[number, place]]), QUAY)
        for number, place in np.argwhere(~STILL).tolist()
    ]


def syncs(sender: str = QUAY, after_ns: int = 0, frames: range = range(300)) -> list[ArtEvent]:
    return [ArtEvent(number * 40_000_000 + 39_000_000 + after_ns, art_sync(), sender) for number in frames]


def test_art_sync_ends_frames(tmp_path: Path) -> None:
    frames, outcome = art_recorded(tmp_path, unsynchronized() + syncs())
    assert np.array_equal(frames, HALF) and outcome.info.fps == 25
    assert outcome.counts.synchronizations == 300 and "300 synchronization packets" in lines(outcome).splitlines()


def test_art_sync_to_several_nodes_makes_no_more_frames(tmp_path: Path) -> None:
    frames, outcome = art_recorded(tmp_path, unsynchronized() + syncs() + syncs(after_ns=300_000))
    assert np.array_equal(frames, HALF) and outcome.info.fps == 25


def test_art_sync_counts_only_from_the_address_of_the_data(tmp_path: Path) -> None:
    without, _ = art_recorded(tmp_path, unsynchronized())
    frames, _ = art_recorded(tmp_path, unsynchronized() + syncs(LANTERN))
    assert np.array_equal(frames, without) and not np.array_equal(frames, HALF)


def test_universe_n_is_port_address_n_and_port_address_0_is_named(tmp_path: Path) -> None:
    frames, outcome = art_recorded(tmp_path, art_stream(LEVELS, first=0))
    assert [one.number for one in outcome.info.universes] == [1, 2] and np.array_equal(frames, LEVELS[:, 1:])
    report = lines(outcome).splitlines()
    assert "packets of universes that are not recorded: port-address 0:0:0 300" in report
    assert report[-1].startswith("port-address 0:0:0 has no universe of its number: --port-addresses 0:0:0 --universes")
    with pytest.raises(
        InputError, match="but for port-address 0:0:0; port-address 0:0:0 has no universe of its number"
    ):
        art_recorded(tmp_path, art_stream(LEVELS[:, :1], first=0))


def test_port_addresses_become_the_universes_that_are_named(tmp_path: Path) -> None:
    reader = ArtNetReader(mapping({0x100: 7, 0x101: 5, 0x102: 6}))
    frames, outcome = art_recorded(tmp_path, art_stream(LEVELS, first=0x100), Wanted((5, 6, 7), "sent", reader=reader))
    assert [one.number for one in outcome.info.universes] == [5, 6, 7]
    assert np.array_equal(frames, LEVELS[:, [1, 2, 0]])
    message = "nothing came for the universes chosen, but for port-addresses 0:0:1-0:0:3"
    with pytest.raises(InputError, match=message):
        art_recorded(tmp_path, art_stream(LEVELS), Wanted((5, 6, 7), "sent", reader=reader))


def test_a_capture_of_the_other_protocol_names_the_option_that_records_it(tmp_path: Path) -> None:
    path = art_captured(tmp_path / "in.pcap", art_stream(LEVELS))
    message = "no E1.31 levels .* there are Art-Net levels of universes 1-3: --protocol artnet records them"
    with pytest.raises(InputError, match=message):
        from_capture(path, tmp_path / "out.frames", Wanted())
    path = captured(tmp_path / "in.pcap", stream(LEVELS, 1))
    message = "no Art-Net levels .* there are E1.31 levels of universes 1-3: --protocol e131 records them"
    with pytest.raises(InputError, match=message):
        from_capture(path, tmp_path / "out.frames", Wanted(reader=ArtNetReader()))


def test_other_packets_of_art_net_are_no_levels(tmp_path: Path) -> None:
    """ArtPoll (0x2000) is nothing to report. ArtNzs (0x5100) has another start code."""
    events = art_stream(LEVELS)
    poll = b"Art-Net\0\0\x20\0\x0e\0\0"
    more = [ArtEvent(number * 100_000_000, poll, QUAY) for number in range(20)]
    for number in range(20):
        nzs = dmx(1, numbered(number), [1, 2], physical=0xDD).replace(b"\0\x50", b"\0\x51", 1)
        more.append(ArtEvent(number * 100_000_000, nzs, QUAY))
    frames, outcome = art_recorded(tmp_path, events + more)
    assert np.array_equal(frames, LEVELS)
    assert lines(outcome).splitlines()[1:] == [
        "ignored: 20 packets of other start codes, which are not levels: 0xdd 20 times"
    ]


@pytest.mark.parametrize("slots", [512, 100])
def test_packets_that_segmentation_offload_has_joined_are_split(tmp_path: Path, slots: int) -> None:
    events = [
        ArtEvent(
            number * 25_000_000,
            b"".join(dmx(1 + place, numbered(number), [level], slots=slots) for place, level in enumerate(frame)),
            QUAY,
        )
        for number, frame in enumerate(LEVELS)
    ]
    frames, _ = art_recorded(tmp_path, events)
    assert np.array_equal(frames, LEVELS)


def mutated(count: int) -> Datagrams:
    """Packets of 40 universes and some ArtSync, most of them with changed heads or cut short."""
    random = np.random.default_rng(10)
    number = np.arange(count)
    buffer = np.zeros((count, 32), np.uint8)
    buffer[:, :18] = np.frombuffer(dmx(1, 1, [], slots=14)[:18], np.uint8)
    buffer[:, 12], buffer[:, 14] = number // 40 % 255 + 1, number % 40 + 1
    buffer[:, 18:] = random.integers(0, 256, (count, 14))
    buffer[number % 200 == 199, 9] = 0x52
    changed = random.random(count) < 0.8
    at = random.choice([*range(13), *range(14, 18)], count)  # another physical port would be another source
    buffer[number[changed], at[changed]] = random.integers(0, 256, count)[changed]
    lengths = np.where(random.random(count) < 0.1, random.integers(0, 33, count), 32)
    times = number * 25_000_000 // 40
    senders = np.where(random.random(count) < 0.001, random.integers(0, 2**32, count), 0xC0000209)
    data = np.concatenate([buffer.reshape(-1), np.zeros(PACKET_BYTES_MAX, np.uint8)])
    return Datagrams(data, number * 32, lengths, times, senders)


def test_hostile_packets_are_counted_and_end_nothing(tmp_path: Path) -> None:
    """200,000 of them. What counts as levels is what the reader of single packets reads."""
    everything, reader, wanted = (
        mutated(200_000),
        ArtNetReader(),
        Wanted((*range(1, 41),), "sent", reader=ArtNetReader()),
    )
    census = Census(reader, wanted.universes, measured=False)
    slots, recording = dict.fromkeys(range(1, 41), 14), None
    for first in range(0, 200_000, 4000):
        part = np.zeros(200_000, np.bool_)
        part[first : first + 4000] = True
        packets = reader.read(everything.only(part))
        if recording is None:
            census.take(packets)
            recording = Recording(tmp_path / "out.frames", slots, census.rhythm(), wanted, live=False)
        recording.take(packets)
    assert recording is not None
    outcome = recording.close()
    counts = outcome.counts
    raw = everything.data.tobytes()
    heads = [
        read_dmx(raw[32 * number : 32 * number + length]) for number, length in enumerate(everything.lengths.tolist())
    ]
    levels = sum(head is not None for head in heads)
    assert levels == counts.data > 50_000
    assert counts.cut > 10_000 and counts.malformed > 1_000 and counts.other > 10_000 and counts.not_chosen
    assert 4_000 < outcome.info.frames < 50_000
    assert all("\n" not in line for line in counts.lines(outcome.info.fps))


@pytest.mark.parametrize("together", [False, True])
def test_a_live_recording_of_all_universes_knows_the_numbers_after_a_static_look(
    tmp_path: Path, together: bool
) -> None:
    """All stands still for 9 s, and is sent every 900 ms. Then it moves, and another universe begins."""
    still = [one._replace(at_ns=one.at_ns // 25 * 900) for one in art_stream(np.full((10, 3), 200, np.uint8))]
    moving = art_stream(LEVELS, from_ns=9_000_000_000)
    later = art_stream(LEVELS[:100, :1], first=9, from_ns=14_000_000_000)
    if together:
        events = numbered_together(sorted(still + moving + later, key=lambda one: one.at_ns))
    else:
        more = [dmx(1 + place % 3, numbered(10 + place // 3), [level]) for place, level in enumerate(LEVELS.flat)]
        events = still + [one._replace(payload=packet) for one, packet in zip(moving, more, strict=True)] + later
    receiver: Any = Batches([one[:2] for one in events])
    live = Live(receiver, tmp_path / "out.frames", Wanted(None, "sent", reader=ArtNetReader()))
    outcome = live.finish(lambda path: None)
    frames = everything(outcome.info).reshape(outcome.info.frames, 4, 512)[:, :, 0]
    assert [one.number for one in outcome.info.universes] == [1, 2, 3, 9] and outcome.info.fps == 40
    assert np.array_equal(frames[-300:, :3], LEVELS) and (frames[:-300, :3] == 200).all()
    assert np.array_equal(frames[-100:, 3], LEVELS[:100, 0]) and not frames[:-100, 3].any()
    assert bool(outcome.counts.shared) == together and (together or outcome.counts.lost_in_all == 0)


def test_without_art_sync_for_four_seconds_data_count_at_once(tmp_path: Path) -> None:
    """Unchanged data are left out and nothing is numbered, so only the time divides frames."""
    random = np.random.default_rng(12)
    levels = random.integers(1, 256, (600, 3), np.uint8)
    for number in range(1, 600):
        same = random.random(3) < 0.3
        levels[number, same] = levels[number - 1, same]
    ends = [ArtEvent(number * 25_000_000 + 12_000_000, art_sync(), QUAY) for number in range(80)]
    frames, _ = art_recorded(tmp_path, left_out(levels, sequences=False) + ends)
    assert np.array_equal(frames[:80], levels[:80]) and np.array_equal(frames[-300:], levels[-300:])


def test_a_silence_of_a_source_without_numbers_keeps_its_length(tmp_path: Path) -> None:
    """A source that numbers its packets would show a jump of the clock of the capture."""
    later = art_stream(LEVELS[80:160], from_ns=14_000_000_000, sequences=False)
    frames, outcome = art_recorded(tmp_path, art_stream(LEVELS[:80], sequences=False) + later)
    expected = np.concatenate([LEVELS[:80], LEVELS[79:80].repeat(480, axis=0), LEVELS[80:160]])
    assert np.array_equal(frames, expected) and outcome.counts.clock_jumps == 0
    assert "silent for more than 10 s, the last frame was held: universe 1 1" in lines(outcome)
