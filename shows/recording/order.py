"""Packets of several interfaces in the order of their times: who captures at more than one writes down a while of the
one, then a while of the other.

Each interface keeps its own order; a clock that jumps back ends what may be put in order.
"""

from __future__ import annotations

import numpy as np

from gloaming.shows.protocols.e131 import PACKET_BYTES_MAX
from gloaming.shows.protocols.e131.parse import Bytes, Integers
from gloaming.shows.time_units import SECOND_NS

DISORDER_NS = SECOND_NS
"""Several times what dumpcap waits for a buffer to fill (250 ms, from its source)."""

JUMPS_MAX = 16
"""More at a time are no clock's; then it is not worth the while."""


class Order:
    """Puts rows of (start, length, time, link, interface) in order; holds back the packets of the last second."""

    def __init__(self) -> None:
        self._held = np.zeros((0, 5), np.int64)
        self._bytes = np.zeros(0, np.uint8)

    def __len__(self) -> int:
        return len(self._held)

    def take(self, buffer: Bytes, rows: Integers) -> tuple[Bytes, Integers]:
        """Rows of packets in a buffer; those that are certain by now, in order, and a buffer with them."""
        rows = rows + np.array([len(self._bytes), 0, 0, 0, 0])
        rows = np.concatenate([self._held, rows])
        buffer = np.concatenate([self._bytes, buffer])
        ready: list[Integers] = []
        while (back := rows[:, 2] < np.maximum.accumulate(rows[:, 2]) - DISORDER_NS).any():
            first = int(back.argmax()) if len(ready) < JUMPS_MAX else len(rows)
            ready.append(_sorted(rows[:first])[0])
            rows = rows[first:]
        rows, at_ns = _sorted(rows)
        count = int(np.searchsorted(at_ns, at_ns[-1] - DISORDER_NS, "right")) if len(rows) else 0
        self._hold(buffer, rows[count:])
        return buffer, np.concatenate([*ready, rows[:count]])

    def rest(self) -> tuple[Bytes, Integers]:
        """The packets that are held back."""
        return np.concatenate([self._bytes, np.zeros(PACKET_BYTES_MAX, np.uint8)]), self._held

    def _hold(self, buffer: Bytes, rows: Integers) -> None:
        parts = [buffer[start : start + length] for start, length in rows[:, :2].tolist()]
        self._bytes = np.concatenate([np.zeros(0, np.uint8), *parts])
        self._held = rows.copy()
        self._held[:, 0] = np.cumsum(rows[:, 1]) - rows[:, 1]


def _sorted(rows: Integers) -> tuple[Integers, Integers]:
    """In the order of their times, each interface's own order kept; and the times by which they are."""
    at_ns = rows[:, 2].copy()
    for interface in np.unique(rows[:, 4]).tolist():
        these = rows[:, 4] == interface
        at_ns[these] = np.maximum.accumulate(at_ns[these])
    places = np.argsort(at_ns, kind="stable")
    return rows[places], at_ns[places]
