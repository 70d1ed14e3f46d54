"""Sorts the packets of several interfaces by time: a capture has a while of one interface, then a while of another.

Each interface keeps its own order. Packets are not sorted across a clock that jumps back.
"""

from __future__ import annotations

import numpy as np

from gloaming.shows.protocols.datagrams import Integers
from gloaming.shows.protocols.e131 import PACKET_BYTES_MAX
from gloaming.shows.protocols.packets import Bytes
from gloaming.shows.time_units import SECOND_NS

DISORDER_NS = SECOND_NS
"""Several times as long as dumpcap waits for a buffer to fill (250 ms, from its source)."""

JUMPS_MAX = 16
"""If more packets wait, the times are no clock's, and sorting stops."""


class Order:
    """Sorts rows of (start, length, time, link, interface). It holds back the packets of the last second."""

    def __init__(self) -> None:
        self._held = np.zeros((0, 5), np.int64)
        self._bytes = np.zeros(0, np.uint8)

    def __len__(self) -> int:
        return len(self._held)

    def take(self, buffer: Bytes, rows: Integers) -> tuple[Bytes, Integers]:
        """Take rows of packets in a buffer. Returns the rows whose order is certain, and a buffer with them."""
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
        """The packets that are held back, in order."""
        return np.concatenate([self._bytes, np.zeros(PACKET_BYTES_MAX, np.uint8)]), self._held

    def _hold(self, buffer: Bytes, rows: Integers) -> None:
        parts = [buffer[start : start + length] for start, length in rows[:, :2].tolist()]
        self._bytes = np.concatenate([np.zeros(0, np.uint8), *parts])
        self._held = rows.copy()
        self._held[:, 0] = np.cumsum(rows[:, 1]) - rows[:, 1]


def _sorted(rows: Integers) -> tuple[Integers, Integers]:
    """The rows in order of their times, with the order of each interface unchanged; and the times used."""
    at_ns = rows[:, 2].copy()
    for interface in np.unique(rows[:, 4]).tolist():
        these = rows[:, 4] == interface
        at_ns[these] = np.maximum.accumulate(at_ns[these])
    places = np.argsort(at_ns, kind="stable")
    return rows[places], at_ns[places]
