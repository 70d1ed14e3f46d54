"""Many packets at once: universes by the hundred come out as they do packet by packet, whatever befalls them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gloaming.shows.recording import assembler, ranks
from gloaming.shows.recording.assembler import Assembler
from gloaming.shows.recording.ranks import Batch
from gloaming.shows.recording.recorder import Wanted
from tests.shows.streams import CID, OTHER_CID, Event, data, recorded, stream, sync

UNIVERSES, FRAMES, PERIOD_NS = 70, 60, 25_000_000


def troubled(seed: int) -> list[Event]:
    """A stream to which all that can happen does happen, though seldom: what is lost, late, twice, thinned out, held
    up, ended, of other start codes, by another source; synchronized or not.
    """
    random = np.random.default_rng(seed)
    synchronized, thinned, held = seed % 3 == 0, seed % 4 == 1, seed % 5 == 2
    cids = [CID, OTHER_CID if seed % 2 else CID]
    levels = np.zeros(UNIVERSES, np.uint8)
    sequence = np.zeros(UNIVERSES, int)
    events: list[Event] = []
    busy_ns = 0
    for frame in range(FRAMES):
        changed = random.random(UNIVERSES) > (0.2 if thinned else 0.0)
        levels = np.where(changed | (frame == 0), random.integers(1, 256, UNIVERSES), levels)
        for universe in range(UNIVERSES):
            if not changed[universe] and frame:
                continue
            at_ns = frame * PERIOD_NS + universe * PERIOD_NS // (2 * UNIVERSES)
            busy_ns = at_ns + int(random.random() * 60_000_000) if held and random.random() < 0.001 else busy_ns
            at_ns = busy_ns = max(at_ns, busy_ns + 1000)
            number, cid = int(sequence[universe]), cids[universe % 2]
            sequence[universe] += 1
            chance = random.random()
            if chance < 0.0005:
                continue
            packet = data(universe + 1, number, [levels[universe]], cid, synchronization=7000 * synchronized)
            if chance < 0.0007:
                packet = data(universe + 1, number, [9], cid, dmxStartCode=0xDD)
            elif chance < 0.0009:
                packet = data(universe + 1, number, [9], cid, streamTerminated=True)
            elif chance < 0.0011:
                events.append((at_ns + 300_000, packet))
            elif chance < 0.0013:
                at_ns += 40_000_000
            events.append((at_ns, packet))
        if synchronized and random.random() < 0.97:
            events.append((frame * PERIOD_NS + 24_000_000, sync(7000, frame)))
        if seed % 6 == 4 and 20 < frame < 24:
            events.append((frame * PERIOD_NS + 9_000_000, data(3, frame, [200], tuple(range(60, 76)), 100)))
    return events


@pytest.mark.parametrize("seed", range(10))
def test_what_marches_in_step_is_recorded_as_if_it_came_one_by_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    events, wanted = troubled(seed), Wanted(slots="sent", universes=None if seed % 2 else tuple(range(2, 60)))
    marched = 0
    in_step = Assembler._in_step

    def counting(self: Assembler, batch: Batch, first: int) -> int:
        nonlocal marched
        until = in_step(self, batch, first)
        marched += until - first
        return until

    monkeypatch.setattr(Assembler, "_in_step", counting)
    together, outcome = recorded(tmp_path, events, wanted)
    assert marched > 500
    monkeypatch.setattr(ranks, "FEW", 10**9)
    monkeypatch.setattr(assembler, "FEW", 10**9)
    marched = 0
    alone, expected = recorded(tmp_path, events, wanted)
    assert marched == 0
    assert np.array_equal(together, alone)
    assert vars(outcome.tally) == vars(expected.tally)
    assert (outcome.info, outcome.notes) == (expected.info, expected.notes)


def test_five_hundred_universes_are_recorded_byte_for_byte(tmp_path: Path) -> None:
    levels = np.random.default_rng(5).integers(0, 256, (24, 500), np.uint8)
    levels[:, -1] = 1
    frames, outcome = recorded(tmp_path, stream(levels, 1))
    assert np.array_equal(frames[:, :, 0], levels)
    assert (outcome.tally.lost_in_all, outcome.info.fps) == (0, 40)
