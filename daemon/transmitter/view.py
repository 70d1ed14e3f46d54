"""Reads some slots of the last packets, for a drawing of the rig. Changes nothing."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from gloaming.daemon.transmitter.frame_mixer import FrameMixer
from gloaming.shows.protocols.packets import PacketBlock

PICKS_MAX = 16_384
Indices = npt.NDArray[np.intp]
Found = tuple[PacketBlock, Indices, Indices, Indices]
"""A block, the picks in it, and their rows and slots."""


class View:
    """Picked slots, each `universe * 512 + slot` (slots from 0); -1 is always 0."""

    def __init__(self) -> None:
        self.picks: npt.NDArray[np.int64] | None = None
        self._mixer: FrameMixer | None = None
        self._where: list[Found] = []

    def pick(self, picks: Sequence[int]) -> None:
        """Set the picked slots. ValueError for more than PICKS_MAX."""
        if len(picks) > PICKS_MAX:
            raise ValueError(f"a view has {PICKS_MAX} slots at most")
        self.picks = np.array(picks, np.int64)
        self._mixer = None

    def levels(self, mixer: FrameMixer, blocks: Iterable[PacketBlock]) -> str | None:
        """The last levels of the picked slots, base64, a byte each; None without picks.

        `mixer` and `blocks` are the output's.
        """
        if self.picks is None:
            return None
        if mixer is not self._mixer:
            self._mixer, self._where = mixer, [*_find(_places(self.picks, mixer), blocks)]
        levels = np.zeros(len(self.picks), np.uint8)
        for block, to, rows, slots in self._where:
            levels[to] = block.data[rows, slots]
        return b64encode(levels.tobytes()).decode()


def _places(picks: npt.NDArray[np.int64], mixer: FrameMixer) -> Indices:
    """The positions of the picks in a mixed frame; -1 for those outside it."""
    universes, slots = picks >> 9, picks & 511
    numbers = np.array([*mixer.offsets, 1 << 16])  # the last is no universe
    begins, counts = np.array([*mixer.offsets.values(), 0]), np.array([*mixer.slots.values(), 0])
    at = np.searchsorted(numbers, universes).clip(max=len(numbers) - 1)
    known = (numbers[at] == universes) & (slots < counts[at])
    return np.where(known, begins[at] + slots, -1)


def _find(places: Indices, blocks: Iterable[PacketBlock]) -> Iterable[Found]:
    for block in blocks:
        offsets = np.array([row.begin for row in block.rows])
        order = np.argsort(offsets)
        at = np.searchsorted(offsets[order], places, "right") - 1
        rows = order[at]
        slots = places - offsets[rows]
        to = np.flatnonzero((at >= 0) & (places >= 0) & (slots < block.slots))
        if len(to):
            yield block, to, rows[to], slots[to]
