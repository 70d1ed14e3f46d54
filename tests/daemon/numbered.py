"""A show whose every frame says which it is, and what must hold of its packets. For tests that break things."""

from __future__ import annotations

import json
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np

from gloaming.daemon.direction.decide import decide
from gloaming.daemon.direction.overrides import Override
from gloaming.daemon.site.site import Site
from gloaming.shows.framefile.reader import Universe
from gloaming.shows.framefile.writer import FrameWriter
from tests.boot.street import Packet

FPS = 40
PIECES = {"tide": 1600, "lanterns": 1000}
"""The pieces of the show, and their frames."""
SLOTS = 12
LATE_FRAMES = 40
"""How far behind `decide` a packet may be seen on a busy machine: a second. A wrong place is off by much more."""
SECOND_NS = 1_000_000_000


def write_site(
    folder: Path,
    host: str,
    performance: str,
    more: str = "",
    rig: str = "",
    universes: int = 1,
    site: str = "",
    dark: bool = True,
) -> None:
    """A site of two pieces, with one controller; `performance` is its table's `from`, `to` and dates."""
    (folder / "pieces").mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(1)  # so that chunks are as large on the disk as those of a real picture
    numbers = [Universe(number + 1, SLOTS, number * SLOTS) for number in range(universes)]
    for index, (name, frames) in enumerate(PIECES.items()):
        array = noise.integers(0, 256, (frames, universes * SLOTS), np.uint8)
        array[:, 2] = 100 + index
        array[:, :2] = np.arange(1, frames + 1, dtype=">u2").view(np.uint8).reshape(frames, 2)
        with FrameWriter(folder / "pieces" / f"{name}.frames", Fraction(FPS), numbers) as writer:
            writer.write(array)
    (folder / "rig.toml").write_text(
        rig
        or f'[[controller]]\nname = "left"\nhost = "{host}"\nuniverses = "1-{universes}"\n\n'
        f'[[string]]\nname = "ridge"\ncontroller = "left"\nuniverse = 1\npixels = {SLOTS // 3}\n'
    )
    pieces = "".join(f'[[piece]]\nname = "{name}"\nframes = "pieces/{name}.frames"\n\n' for name in PIECES)
    (folder / "site.toml").write_text(
        '[site]\nname = "Pier Road boathouse"\nlatitude = 54.486\nlongitude = -0.613\ntimezone = "Europe/London"\n\n'
        + ('[neighbours]\ndark = [{ days = "daily", from = "06:30", to = "07:00" }]\n\n' if dark else "")
        + f'[output]\nbrightness = 1.0\nfade = "0 s"\n\n{site}'
        f'{pieces}[[show]]\nname = "evening"\norder = {json.dumps(list(PIECES))}\n\n'
        f'[[performance]]\nshow = "evening"\n{performance}\n\n{more}'
    )


def name_of(packet: Packet) -> str:
    """The piece that a packet shows."""
    return list(PIECES)[packet.slots[2] - 100]


def is_right(packet: Packet, at_ns: int, site: Site, overrides: Sequence[Override]) -> bool:
    """Whether a packet shows what `decide` has for the instant at which it came, or for one shortly before.

    The first frame after an override may have begun before it, and come when it is over: it is one behind both.
    """
    for late in range(-1, LATE_FRAMES):
        one = decide(at_ns - late * SECOND_NS // FPS, site, overrides)
        if one.piece is None or not one.brightness:
            right = packet.black
        else:
            right = not packet.black and one.piece == name_of(packet) and one.frame - (packet.frame - 1) in (0, 1)
        if right:
            return True
    return False


def assert_right(packets: Sequence[Packet], site: Site, overrides: Sequence[Override], offset_ns: int = 0) -> None:
    """Every packet shows what `decide` has; `offset_ns` is the show's clock less the wall clock."""
    assert packets
    wrong = [packet for packet in packets if not is_right(packet, packet.at_ns + offset_ns, site, overrides)]
    first = wrong[0] if wrong else None
    told = first and (first.black, first.frame, decide(first.at_ns + offset_ns, site, overrides))
    assert not wrong, f"{len(wrong)} of {len(packets)} packets, the first of them {told}"


def missed(packets: Sequence[Packet]) -> int:
    """How many frames are missing between lit packets of one universe that follow each other; one may come twice."""
    count, turn = 0, sum(PIECES.values())
    for before, after in pairwise(packets):
        place = before.frame + (PIECES["tide"] if name_of(before) == "lanterns" else 0)
        later = after.frame + (PIECES["tide"] if name_of(after) == "lanterns" else 0)
        onward = (later - place) % turn
        count += onward - 1 if 1 <= onward < turn // 2 else 0
    return count


def assert_none_missed(packets: Sequence[Packet]) -> None:
    """Each packet follows the one before: its sequence (E1.31 6.7.2), its frame, and the piece that comes next.

    A machine that is busy with other things and grants no real time may keep the transmitter from its turn at times:
    frames that are left out so are counted and printed. A second of them in a row is a break, and fails.
    """
    assert len(packets) > FPS
    broken = [
        f"sequence {before.sequence} to {after.sequence}, frame {before.frame} to {after.frame}, "
        f"black {before.black} to {after.black}, {(after.at_ns - before.at_ns) / 1e6:.0f} ms"
        for before, after in pairwise(packets)
        if after.sequence != (before.sequence + 1) % 256 or after.black or missed((before, after)) > LATE_FRAMES
    ]
    assert not broken, broken
    if late := missed(packets):
        print(f"{late} of {len(packets)} frames were left out: the machine was busy")
