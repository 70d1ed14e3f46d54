"""Twenty-four universes over two cables: twenty over a good one, four over one that loses, delays and reorders packets.
Both controllers are synchronized. All tests read one run. Section numbers are those of ANSI E1.31-2018."""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.daemon.transmitter.process_harness import (
    SECOND_NS,
    Heard,
    TransmitterProcess,
    listening,
    moving,
    running_transmitter,
    segment,
    street,
    universe,
    write_frames,
)
from tests.daemon.transmitter.relay import FAR, Receiver, bad_path, out_of_sequence
from tests.tools import needs

pytestmark = needs("ip")

NEAR = "192.0.2.21"
SLOTS, FRAMES = 30, 200
MIXED_MIN = 5


@dataclass
class Run:
    """The packets at each controller, and the transmitter's last telemetry."""

    near: list[Heard]
    far: list[Heard]
    said: dict[str, Any]
    troubles: list[dict[str, Any]]
    lost: int


@pytest.fixture(scope="module")
def run(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Run]:
    """Plays a film in which each frame has its own number (from 1) on every slot."""
    folder = tmp_path_factory.mktemp("bad-path")
    frames = np.repeat(np.arange(1, FRAMES + 1, dtype=np.uint8)[:, None], 24 * SLOTS, axis=1)
    film = write_frames(folder / "film.frames", frames, slots=SLOTS)
    with (
        street() as there,
        bad_path(there, delay_ms=30, jitter_ms=20, loss=0.02, seed=4) as relay,
        listening(NEAR, namespace=there.receiver, interface="in0") as near,
        listening(FAR, namespace=there.receiver, interface="bad0") as far,
        running_transmitter(folder, there.sender) as transmitter,
    ):
        said = play(transmitter, film)
        time.sleep(0.2)  # for packets still on the way
        troubles = [one for one in transmitter.heard if one["op"] == "trouble"]
        yield Run(near.heard, far.heard, said, troubles, relay.lost)


def play(transmitter: TransmitterProcess, film: Path) -> dict[str, Any]:
    universes = [universe(number, NEAR if number <= 20 else FAR, slots=SLOTS) for number in range(1, 25)]
    transmitter.setup(universes, interface=None, synchronization=7000, sequence_from=200)
    transmitter.dark()
    begin = time.time_ns() + SECOND_NS
    transmitter.score(segment(begin, begin + FRAMES * SECOND_NS // 40, **moving(film, FRAMES)))
    transmitter.wait_for("telemetry", lambda said: said["frames_due"] >= FRAMES)
    return transmitter.end()


def numbers(heard: list[Heard]) -> dict[int, list[int]]:
    """The sequence numbers of each universe, in order of arrival."""
    found: dict[int, list[int]] = {}
    for one in heard:
        if one.is_data:
            found.setdefault(one.universe, []).append(one.data[111])
    return found


def test_the_path_really_is_bad(run: Run) -> None:
    assert run.lost > 0
    by_universe = numbers(run.far)
    assert sorted(by_universe) == list(range(21, 25))
    steps = [(after - before) & 0xFF for came in by_universe.values() for before, after in pairwise(came)]
    assert sum(step > 128 for step in steps) > 30  # overtaken
    assert len(run.far) < run.said["packets_sent"] // 6 + run.said["synchronization_packets"] // 2


def test_frames_stay_on_time_and_the_controller_on_the_good_cable_misses_nothing(run: Run) -> None:
    said = run.said
    assert said["frames_due"] == said["frames_sent"] + said["frames_dropped"] == FRAMES
    assert said["frames_dropped"] <= FRAMES // 10 and said["send_errors"] == 0 and not run.troubles
    by_universe = numbers(run.near)
    assert sorted(by_universe) == list(range(1, 21))
    for came in by_universe.values():
        assert len(came) == said["packets_sent"] // 24
        assert all((after - before) & 0xFF == 1 for before, after in pairwise(came))


def test_a_receiver_by_the_standard_discards_overtaken_packets_and_loses_no_data(run: Run) -> None:
    """6.7.2: the packets that it keeps are in order. 6.7.1: data are lost after 2.5 s, 100 frames in a row."""
    for number in range(21, 25):
        before, kept, discarded = None, [], 0
        for one in run.far:
            if not one.is_data or one.universe != number:
                continue
            if out_of_sequence(before, one.data[111]):
                discarded += 1
            else:
                before = one.data[111]
                kept.append(one.slots[0])
        lit = [level for level in kept if level]
        assert discarded > 0
        assert lit == sorted(set(lit))
        assert all(after - before < 100 for before, after in pairwise([0, *lit, FRAMES]))


@pytest.mark.parametrize(("kept", "least"), [(1, 1), (8, FRAMES // 3)])
def test_a_receiver_that_checks_the_numbers_shows_whole_frames_only(run: Run, kept: int, least: int) -> None:
    """11: with room for one frame it shows few, with room for several it shows most. It never shows a mixed one."""
    far = Receiver(4, kept)
    for one in run.far:
        far.take(one.data)
    assert all(len(set(b"".join(frame.values()))) == 1 and len(frame) == 4 for frame in far.shown)
    lit = [level for frame in far.shown if (level := frame[21][0])]
    assert lit == sorted(set(lit)) and len(lit) >= least


def test_a_receiver_that_does_not_check_the_numbers_shows_mixed_frames(run: Run) -> None:
    """So the receiver must check: no source can prevent loss and reordering on the way."""
    naive = Receiver(4, kept=0)
    for one in run.far:
        naive.take(one.data)
    assert sum(len(set(b"".join(frame.values()))) > 1 for frame in naive.shown) >= MIXED_MIN
    near = Receiver(20, kept=0)
    for one in run.near:
        near.take(one.data)
    assert all(len(set(b"".join(frame.values()))) == 1 for frame in near.shown) and len(near.shown) > FRAMES
