"""What goes from a rig to the wire: how many slots of each universe are sent."""

from __future__ import annotations

from collections.abc import Iterable

from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.rig.model import Rig


def sent_slots(rig: Rig, files: Iterable[FrameFileInfo]) -> dict[int, int]:
    """How many slots of each universe of the rig are sent, by number.

    As many as strings and fixtures need, or as one of the frame files has there if that is more. Of a universe with
    neither all slots are sent: a rig check then reaches every lamp.
    """
    sent = dict(rig.slots)
    for universe in (one for info in files for one in info.universes):
        sent[universe.number] = max(sent.get(universe.number, 0), universe.slots)
    return {number: sent.get(number, SLOTS_MAX) for number in sorted(rig.controller_of)}
