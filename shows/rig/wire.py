"""What goes from a rig to the wire: how many slots are sent, which are never scaled, and where each pixel comes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby

import numpy as np
import numpy.typing as npt

from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.rig.model import LIGHT_CHANNELS, PixelString, Rig


def sent_slots(rig: Rig, files: Iterable[FrameFileInfo]) -> dict[int, int]:
    """How many slots of each universe of the rig are sent, by number.

    As many as strings and fixtures need, or as one of the frame files has there if that is more. Of a universe with
    neither all slots are sent: a rig check then reaches every lamp.
    """
    sent = dict(rig.slots)
    for universe in (one for info in files for one in info.universes):
        sent[universe.number] = max(sent.get(universe.number, 0), universe.slots)
    return {number: sent.get(number, SLOTS_MAX) for number in sorted(rig.controller_of)}


def unscaled(rig: Rig) -> Iterator[tuple[int, int, int]]:
    """The slots of fixtures that are no light (strobe, fog, other), as `(universe, first slot, last slot)`.

    Brightness and fades do not scale them, and no rig check lights them.
    """
    for fixture in rig.fixture:
        channels = enumerate(fixture.channels, fixture.slot)
        for light, run in groupby(channels, key=lambda one: one[1] in LIGHT_CHANNELS):
            if not light:
                slots = [slot for slot, _ in run]
                yield fixture.universe, slots[0], slots[-1]


def places_on_wire(string: PixelString) -> npt.NDArray[np.intp]:
    """For each pixel of a frame its place among those that hang, from 0: `(pixels,) intp`. -1: it is missing."""
    hangs = np.ones(string.pixels, np.bool_)
    hangs[np.array(string.missing, np.intp) - 1] = False
    return np.where(hangs, np.cumsum(hangs) - 1, -1)
