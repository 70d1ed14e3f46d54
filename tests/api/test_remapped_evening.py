"""Last year's piece on this year's rig: recorded, remapped, played, and read by an independent receiver."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

import numpy as np

from tests.api.evening import Seen, changes, check_cycle, evening_apart, gloaming
from tests.places import MOVING_PICTURE, REFERENCE
from tests.tools import needs

pytestmark = needs("ip")

CAPTURE = REFERENCE / "moving-picture-13-universes-25fps.pcapng"
"""132 frames of an open film, sent by an independent source: Big Buck Bunny, (c) 2008 Blender Foundation, CC BY 3.0."""


@dataclass(frozen=True)
class StringPlace:
    """Where a string hangs in one year."""

    controller: str
    universe: int
    slot: int
    pixels: int
    order: str = "RGB"
    missing: tuple[int, ...] = ()

    def places(self) -> Iterator[tuple[int, int, int]]:
        """Pixel (from 0), universe and first slot of each pixel on the wire, one step at a time."""
        universe, slot = self.universe, self.slot
        for pixel in range(self.pixels):
            if pixel + 1 in self.missing:
                continue
            if slot > 510:
                universe, slot = universe + 1, slot - 510
            yield pixel, universe, slot
            slot += 3


BEFORE = {
    "ridge": StringPlace("left", 1, 1, 400),
    "eaves": StringPlace("left", 4, 31, 180),
    "oak": StringPlace("right", 6, 1, 100),
    "mast": StringPlace("right", 8, 1, 170),
    "rail": StringPlace("right", 10, 1, 200),
}
NOW = {
    "ridge": StringPlace("left", 8, 1, 400),
    "eaves": StringPlace("right", 1, 1, 180),
    "mast": StringPlace("right", 3, 61, 140, "GRB"),
    "rail": StringPlace("right", 5, 1, 200, missing=(37,)),
    "arch": StringPlace("left", 12, 1, 20),
}
"""The controllers have swapped their universes. Eaves has moved to the other one. Mast has another order, and fewer
pixels. A pixel of rail was cut out."""
LAMP = {"before": (13, 1), "now": (12, 100)}


def rig(left: str, right: str, strings: dict[str, StringPlace], lamp: tuple[int, int], lamp_on: str) -> str:
    text = "".join(
        f'[[controller]]\nname = "{name}"\nhost = "127.0.0.1"\nuniverses = "{universes}"\n'
        for name, universes in (("left", left), ("right", right))
    )
    for name, one in strings.items():
        text += f'[[string]]\nname = "{name}"\ncontroller = "{one.controller}"\nuniverse = {one.universe}\n'
        text += f'slot = {one.slot}\npixels = {one.pixels}\norder = "{one.order}"\nmissing = {[*one.missing]}\n'
    text += f'[[fixture]]\nname = "lamp"\ncontroller = "{lamp_on}"\nuniverse = {lamp[0]}\nslot = {lamp[1]}\n'
    return text + 'channels = ["dimmer", "red", "other"]\n'


def received(seen: list[Seen], universe: int, slots: list[int]) -> list[bytes]:
    """The changes of some slots of a universe, from 1."""
    rows = [bytes(one.slots[slot - 1] for slot in slots) for one in seen if one.universe == universe and not one.black]
    return changes(rows)


def pixels_before(name: str, pictures: np.ndarray, pixels: list[int]) -> list[bytes]:
    """The colours of some pixels of a string in the original, frame by frame: R, G, B of each."""
    places = {pixel: (universe - 1) * 510 + slot - 1 for pixel, universe, slot in BEFORE[name].places()}
    return [b"".join(row[places[pixel] : places[pixel] + 3].tobytes() for pixel in pixels) for row in pictures]


def test_each_string_shows_the_pixels_of_last_year_where_it_hangs_now(tmp_path: Path) -> None:
    pictures = np.load(MOVING_PICTURE)
    with evening_apart(tmp_path / "site", "127.0.0.1", "1-13") as evening:
        evening.write(pictures[:1])
        folder = evening.folder
        old = rig("1-5", "6-13", BEFORE, LAMP["before"], "right")
        (folder / "rig-2025.toml").write_text(old, encoding="utf-8")
        (folder / "rig.toml").write_text(rig("8-13", "1-7", NOW, LAMP["now"], "left"), encoding="utf-8")
        recorded, piece = folder / "tide.frames", folder / "pieces" / "numbers.frames"
        done = gloaming("record", recorded, "--capture", CAPTURE, "--slots", "sent", "--rig", folder / "rig-2025.toml")
        assert done.returncode == 0, done.stderr
        done = gloaming("frames", "remap", recorded, piece, "--to", folder / "rig.toml")
        assert done.returncode == 0, done.stderr
        assert "no place: string oak" in done.stdout and "stays dark: string arch" in done.stdout
        assert "no place: pixels 141-170 of string mast" in done.stdout
        with evening.reader("0.0.0.0") as reader, evening.running():
            last = NOW["ridge"]
            end = pictures[-1, :510].tobytes()  # ridge's first pixels, in the universe where it begins
            seen = reader.wait_for(
                lambda seen: sum(one.universe == last.universe and one.slots[:510] == end for one in seen) >= 2,
                "the film's end, twice",
                60,
            )
    for name, place_now in NOW.items():
        if name not in BEFORE:
            continue
        for universe, group in groupby(place_now.places(), key=lambda place: place[1]):
            places = list(group)
            slots = [slot + place_now.order.index(colour) for _, _, slot in places for colour in "RGB"]
            check_cycle(
                received(seen, universe, slots), pixels_before(name, pictures, [pixel for pixel, _, _ in places])
            )
    assert not any(any(one.slots[87:90]) for one in seen if one.universe == 6), "rail ends a pixel earlier"
    assert not any(any(one.slots[:60]) for one in seen if one.universe == 12), "arch is new, and dark"
