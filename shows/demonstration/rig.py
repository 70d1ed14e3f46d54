"""The wiring of the boathouse: strings on controllers, universes and supplies, as in rig.toml.

Common practice, no source: 170 RGB pixels to a universe; a fuse and a supply loaded to four fifths at most.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from itertools import groupby

import numpy as np
import numpy.typing as npt

from gloaming.shows.demonstration.boathouse import PIXELS_PER_UNIVERSE, String, strings
from gloaming.shows.framefile.reader import Universe

SLOTS = 3 * PIXELS_PER_UNIVERSE
MA_PER_CHANNEL = 8
FUSE_A = 5
VOLTS, AMPS = 12, 29
SUPPLY_LOAD = 0.8


@dataclass(frozen=True, eq=False)
class Wiring:
    """A string with its first universe and slot, and its supply. It continues in the following universes."""

    string: String
    universe: int
    slot: int
    supply: str

    @property
    def first(self) -> int:
        """The place of its first pixel among all pixels of all universes, from 0."""
        return (self.universe - 1) * PIXELS_PER_UNIVERSE + (self.slot - 1) // 3


def string_amps(pixels: int) -> float:
    """The current of so many pixels at full white, in amperes."""
    return pixels * 3 * MA_PER_CHANNEL / 1000


@cache
def wiring() -> tuple[Wiring, ...]:
    """The wiring of all strings. A controller's first string begins a universe. The others follow without a gap."""
    return tuple(_wired())


def _wired() -> Iterator[Wiring]:
    universe = 1
    for controller, group in groupby(strings(), key=lambda string: string.controller):
        pixels, supply, amps = 0, 1, 0.0
        for string in group:
            drawn = string_amps(len(string.points))
            if amps + drawn > SUPPLY_LOAD * AMPS:
                supply, amps = supply + 1, 0.0
            amps += drawn
            more, place = divmod(pixels, PIXELS_PER_UNIVERSE)
            yield Wiring(string, universe + more, 3 * place + 1, f"{controller}-{supply}")
            pixels += len(string.points)
        universe += -(-pixels // PIXELS_PER_UNIVERSE)


@cache
def universes() -> tuple[Universe, ...]:
    """The universes of the frame files, from 1, all with the same length."""
    last = wiring()[-1]
    count = -(-(last.first + len(last.string.points)) // PIXELS_PER_UNIVERSE)
    return tuple(Universe(number + 1, SLOTS, number * SLOTS) for number in range(count))


@cache
def places() -> npt.NDArray[np.intp]:
    """The place of every pixel, in the order of `strings()`, among all pixels of all universes."""
    return np.concatenate([wired.first + np.arange(len(wired.string.points)) for wired in wiring()])


def rig_toml(host: str) -> str:
    """The text of rig.toml, with every controller at `host`."""
    parts = ["# The rig of the demonstration season. It is invented. Every demonstration writes this file again.\n"]
    for controller, group in groupby(wiring(), key=lambda wired: wired.string.controller):
        wired = list(group)
        last = (wired[-1].first + len(wired[-1].string.points) - 1) // PIXELS_PER_UNIVERSE + 1
        parts.append(
            f'[[controller]]\nname = "{controller}"\nhost = "{host}"\nuniverses = "{wired[0].universe}-{last}"\n'
        )
    for supply in dict.fromkeys(wired.supply for wired in wiring()):
        parts.append(f'[[supply]]\nname = "{supply}"\nvolts = {VOLTS}\namps = {AMPS}\n')
    parts += [_string_toml(wired) for wired in wiring()]
    return "\n".join(parts)


def _string_toml(wired: Wiring) -> str:
    string = wired.string
    points = ", ".join(f"[{x:.2f}, {y:.2f}]" for x, y in string.points)
    return (
        f'[[string]]\nname = "{string.name}"\ncontroller = "{string.controller}"\n'
        f'universe = {wired.universe}\nslot = {wired.slot}\npixels = {len(string.points)}\norder = "RGB"\n'
        f"slots_per_universe = {SLOTS}\nma_per_channel = {MA_PER_CHANNEL}\nfuse_a = {FUSE_A}\n"
        f'supply = "{wired.supply}"\npoints = [{points}]\n'
    )
