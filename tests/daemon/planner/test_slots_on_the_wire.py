"""What of each universe reaches a lamp: packets of `gloaming run`, read by the sacn library's receiver."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from gloaming.shows.framefile.reader import FrameWriter
from gloaming.shows.framefile.source import universes_of
from tests.api.evening import Evening, Reader, Seen, evening_apart
from tests.tools import needs

pytestmark = needs("ip")

RIG = """[[controller]]
name = "left"
universes = "1-3"

[[string]]
name = "ridge"
controller = "left"
universe = 2
pixels = 100
"""
FRAMES = 80


@pytest.fixture
def evening(tmp_path: Path) -> Iterator[Evening]:
    with evening_apart(tmp_path / "site", None, "1-3") as one:
        one.write(np.full((FRAMES, 1530), 9, np.uint8))
        (one.folder / "rig.toml").write_text(RIG, encoding="utf-8")
        yield one


def piece(evening: Evening, slots: dict[int, int]) -> None:
    """Replace the piece by one with so many slots of each universe. Every slot is lit, the last one of each at 77.

    No two frames are equal: the receiver passes on what changes."""
    universes = universes_of(slots)
    frames = np.arange(1, FRAMES + 1, dtype=np.uint8)[:, None].repeat(sum(slots.values()), axis=1)
    frames[:, [one.offset + one.slots - 1 for one in universes]] = 77
    made = evening.folder / "pieces" / "made.frames"
    with FrameWriter(made, Fraction(40), universes) as writer:
        writer.write(frames)
    made.replace(evening.folder / "pieces" / "numbers.frames")


def last(seen: list[Seen], universe: int) -> int:
    """The last slot of the last packet of a universe that is above 0."""
    packets = [one.slots for one in seen if one.universe == universe]
    return len(packets[-1].rstrip(b"\0")) if packets else 0


def gloaming(evening: Evening, *words: str) -> None:
    command = [*evening.within(), sys.executable, "-m", "gloaming.api.cli.main", *words, "--site", str(evening.folder)]
    subprocess.run(command, timeout=60, check=True, stdout=subprocess.DEVNULL)


def all_lit(reader: Reader, slots: dict[int, int]) -> None:
    reader.wait_for(lambda seen: all(last(seen, one) == count for one, count in slots.items()), f"slots {slots}")


def test_a_lamp_above_the_strings_gets_its_slots(evening: Evening) -> None:
    """A universe of 512 slots without a string, and one with a string of 100 pixels: 300 slots, and a lamp above."""
    piece(evening, {1: 512, 2: 512})
    with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
        all_lit(reader, {1: 512, 2: 512})
        assert all(one.slots[511] == 77 for one in reader.lit())


def test_a_rig_check_reaches_every_slot_of_a_universe_that_nothing_claims(evening: Evening) -> None:
    piece(evening, {1: 512, 2: 300})
    with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
        all_lit(reader, {1: 512, 2: 300})
        gloaming(evening, "rig-check", "universe", "3")
        all_lit(reader, {1: 0, 2: 0, 3: 512})
        gloaming(evening, "rig-check", "universe", "2")
        all_lit(reader, {1: 0, 2: 300, 3: 0})


def test_a_piece_that_is_replaced_by_one_with_more_slots_goes_on_without_a_blink(evening: Evening) -> None:
    piece(evening, {1: 300, 2: 300})
    with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
        all_lit(reader, {1: 300, 2: 300})
        begun = len(reader.seen())
        piece(evening, {1: 512, 2: 470})
        all_lit(reader, {1: 512, 2: 470})
        more = len(reader.seen())
        seen = reader.wait_for(lambda seen: len(seen) > more + FRAMES, "more of it")
    assert not any(one.black for one in seen[begun:])
