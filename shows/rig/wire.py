"""What goes from a rig to the wire: how many slots are sent, which are never scaled, and where each pixel comes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import chain, groupby

import numpy as np
import numpy.typing as npt

from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.rig.model import LIGHT_CHANNELS, Controller, Fixture, PixelString, Rig
from gloaming.shows.rig.zones import Span, joined


def sent_slots(rig: Rig, files: Iterable[FrameFileInfo]) -> dict[int, int]:
    """How many slots of each universe of the rig are sent, by number.

    As many as strings and fixtures need, or as one of the frame files has there if that is more. Of a universe with
    neither all slots are sent: a rig check then reaches every lamp. A DDP controller with strings or fixtures gets
    their universes and slots alone.
    """
    sent = dict(rig.slots)
    for universe in (one for info in files for one in info.universes):
        sent[universe.number] = max(sent.get(universe.number, 0), universe.slots)
    for controller in rig.controller:
        if stream_begins(rig, controller):
            sent |= {number: rig.slots.get(number, 0) for number in controller.universes}
    found = {number: sent.get(number, SLOTS_MAX) for number in sorted(rig.controller_of)}
    return {number: slots for number, slots in found.items() if slots}


def stream_begins(rig: Rig, controller: Controller) -> dict[int, int]:
    """Where each universe begins in the stream of a DDP controller, in slots from 0, by number.

    The stream has the universes side by side, each up to the last slot of its strings and fixtures. Universes without
    either are not in it. It is empty if nothing hangs on the controller, and for other protocols.
    """
    begins, at = {}, 0
    for number in sorted(controller.universes if controller.protocol is ProtocolName.DDP else ()):
        if slots := rig.slots.get(number):
            begins[number] = at
            at += slots
    return begins


def stream_gaps(rig: Rig, controller: Controller) -> Iterator[Span]:
    """The slots of a DDP controller's stream that no string or fixture uses. They are sent as 0."""
    ends = dict.fromkeys(stream_begins(rig, controller), 0)
    strings, fixtures = rig.strings_of[controller.name], _fixtures(rig, controller)
    hung = chain.from_iterable(one.spans() for kind in (strings, fixtures) for one in kind) if ends else ()
    for number, first, last in joined(hung):
        if first > ends[number] + 1:
            yield number, ends[number] + 1, first - 1
        ends[number] = last


def slots_per_pixel(rig: Rig, controller: Controller) -> int | None:
    """How many slots each pixel of a controller has. None if they differ, or if it feeds fixtures."""
    found = {len(string.order) for string in rig.strings_of[controller.name]}
    return found.pop() if len(found) == 1 and not _fixtures(rig, controller) else None


def _fixtures(rig: Rig, controller: Controller) -> list[Fixture]:
    return [one for one in rig.fixture if one.controller == controller.name]


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
