"""What of each universe reaches a lamp: packets of `gloaming run`, read by the sacn library's receiver."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
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
    frames = np.arange(1, FRAMES + 1, dtype=np.uint8)[:, None].repeat(sum(slots.values()), axis=1)
    frames[:, [one.offset + one.slots - 1 for one in universes_of(slots)]] = 77
    write(evening, slots, frames)


def write(evening: Evening, slots: dict[int, int], frames: npt.NDArray[np.uint8]) -> None:
    made = evening.folder / "pieces" / "made.frames"
    with FrameWriter(made, Fraction(40), universes_of(slots)) as writer:
        writer.write(frames)
    made.replace(evening.folder / "pieces" / "numbers.frames")


def last(seen: list[Seen], universe: int) -> int:
    """The last slot of the last packet of a universe that is above 0."""
    packets = [one.slots for one in seen if one.universe == universe]
    return len(packets[-1].rstrip(b"\0")) if packets else 0


def gloaming(evening: Evening, *words: str) -> None:
    command = [*evening.within(), sys.executable, "-m", "gloaming.api.cli.main", *words, str(evening.folder)]
    subprocess.run(command, timeout=60, check=True, capture_output=True, text=True)


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


FIXTURE = """
[[fixture]]
name = "porch"
controller = "left"
universe = 1
slot = 301
channels = ["dimmer", "strobe", "red", "fog"]
"""


def test_a_rig_that_gets_a_port_a_fixture_and_a_missing_pixel_goes_on_without_a_blink(evening: Evening) -> None:
    """The edit comes while a piece plays. The last pixel is at 77: it moves up by one."""
    piece(evening, {1: 512, 2: 300})
    port = '[[port]]\ncontroller = "left"\nnumber = 1\nfuse_a = 7\n'
    with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
        all_lit(reader, {1: 512, 2: 300})
        begun = len(reader.seen())
        (evening.folder / "rig.toml").write_text(f"{RIG}port = 1\nmissing = [37]\n{port}{FIXTURE}", encoding="utf-8")
        reader.wait_for(
            lambda seen: any(one.universe == 2 and one.slots[296] == 77 for one in seen[begun:]), "the edit"
        )
        edited = len(reader.seen())
        seen = reader.wait_for(lambda seen: len(seen) > edited + FRAMES, "more of it")
    assert not any(one.black for one in seen[begun:])


def test_a_strobe_and_fog_are_sent_as_they_are_and_are_0_while_it_is_dark(evening: Evening) -> None:
    """A dim to half, a pause, a rig check by universe."""
    (evening.folder / "rig.toml").write_text(RIG + FIXTURE, encoding="utf-8")
    frames = np.full((FRAMES, 812), 200, np.uint8)
    frames[:, [301, 303]] = np.arange(1, FRAMES + 1, dtype=np.uint8)[:, None]
    write(evening, {1: 512, 2: 300}, frames)

    def lamp(seen: list[Seen]) -> tuple[int, ...]:
        (*_, newest) = (one.slots[300:304] for one in seen if one.universe == 1)
        return tuple(newest)

    with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
        all_lit(reader, {1: 512, 2: 300})
        gloaming(evening, "dim", "0.5", "10")
        reader.wait_for(lambda seen: lamp(seen)[0] == 100, "half the light")
        dimmed = len(reader.seen())
        reader.wait_for(lambda seen: {one.slots[301] for one in seen[dimmed:]} >= {20, 60}, "most of the piece")
        shown = [one.slots[300:304] for one in reader.seen()[dimmed:] if one.universe == 1]
        assert {one[0] for one in shown} == {one[2] for one in shown} == {100}
        gloaming(evening, "pause", "10")
        reader.wait_for(lambda seen: lamp(seen) == (0, 0, 0, 0), "the pause")
        gloaming(evening, "rig-check", "universe", "1")
        reader.wait_for(lambda seen: lamp(seen)[0] > 0, "the rig check")
        assert lamp(reader.seen()) == (38, 0, 38, 0)  # 0.3, dimmed to half
    lamps = [one.slots[300:304] for one in reader.seen() if one.universe == 1]
    assert {(one[1], one[3]) for one in lamps} == {(n, n) for n in range(FRAMES + 1)}
    assert not any(one[1] for one in lamps if not one[0])


def test_a_pixel_that_was_cut_out_is_skipped(evening: Evening) -> None:
    """Frames keep 100 pixels. Pixel 37 was cut out, so pixel 38 of the frame lights the one that hangs 37th."""
    (evening.folder / "rig.toml").write_text(RIG + "missing = [37]\n", encoding="utf-8")
    frames = np.zeros((FRAMES, 812), np.uint8)
    frames[:, 0] = np.arange(1, FRAMES + 1)
    frames[:, 512:] = np.arange(1, 101, dtype=np.uint8).repeat(3)
    write(evening, {1: 512, 2: 300}, frames)

    def ridge(seen: list[Seen]) -> list[int]:
        (*_, newest) = (one.slots[:300] for one in seen if one.universe == 2)
        return list(newest[::3])

    with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
        reader.wait_for(lambda seen: any(one.universe == 2 and not one.black for one in seen), "light")
        assert ridge(reader.seen()) == [*range(1, 37), *range(38, 101), 0]
        with pytest.raises(subprocess.CalledProcessError) as refused:
            gloaming(evening, "rig-check", "pixel", "37", "--string", "ridge")
        assert refused.value.returncode == 2
        assert re.fullmatch(r"request: string: pixel 37 of ridge was cut out; .*\n", refused.value.stderr)
        gloaming(evening, "rig-check", "pixel", "38", "--string", "ridge", "--level", "1")
        reader.wait_for(lambda seen: ridge(seen) == [0] * 36 + [255] + [0] * 63, "the pixel that hangs 37th")
