"""A look at what has been sent: some slots of the packets, for whoever draws the rig. It changes nothing."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt

from gloaming.daemon.transmitter.packets import Block

PICKS_MAX = 16_384
Indices = npt.NDArray[np.intp]
Found = tuple[Block, Indices, Indices, Indices]
"""A block, which picks it has, and their rows and slots in it."""


class View:
    """Slots picked by `universe * 512 + slot` (slots from 0); -1 is a slot that is always 0."""

    def __init__(self) -> None:
        self.picks: npt.NDArray[np.int64] | None = None
        self._output: object = None
        self._where: list[Found] = []

    def pick(self, picks: Sequence[int]) -> None:
        """Which slots are looked at from now on. ValueError for more than may be."""
        if len(picks) > PICKS_MAX:
            raise ValueError(f"a view has {PICKS_MAX} slots at most")
        self.picks = np.array(picks, np.int64)
        self._output = None

    def levels(self, output: object, blocks: Iterable[Block]) -> str | None:
        """The slots as they were last sent by an output, base64, a byte each; None where none are picked."""
        if self.picks is None:
            return None
        if output is not self._output:
            self._output, self._where = output, [*self._find(self.picks, blocks)]
        levels = np.zeros(len(self.picks), np.uint8)
        for block, to, rows, slots in self._where:
            levels[to] = block.data[rows, slots]
        return b64encode(levels.tobytes()).decode()

    @staticmethod
    def _find(picks: npt.NDArray[np.int64], blocks: Iterable[Block]) -> Iterable[Found]:
        universes, slots = picks >> 9, picks & 511
        for block in blocks:
            order = np.argsort(block.universes)
            sorted_universes = np.array(block.universes)[order]
            at = np.searchsorted(sorted_universes, universes).clip(max=len(order) - 1)
            to = np.flatnonzero((picks >= 0) & (sorted_universes[at] == universes) & (slots < block.slots))
            if len(to):
                yield block, to, order[at[to]], slots[to].astype(np.intp)
