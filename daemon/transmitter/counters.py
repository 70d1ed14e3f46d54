"""Counts of sent packets by controller and by universe, worked out from how often each part of a frame left."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

from gloaming.daemon.transmitter.bulk import SendBatch

LISTED_MAX = 500
"""The most controllers (those with errors first) and ranges of universes in one telemetry message."""


@dataclass
class Totals:
    """Counts since the process began. The first two count data packets only."""

    packets_sent: int = 0
    bytes_sent: int = 0
    send_errors: int = 0
    synchronization_packets: int = 0
    discovery_packets: int = 0
    messages_unread: int = 0
    packets_left_out: int = 0
    """Data packets not sent, because their frame followed too soon for the universe (E1.31 6.6.1)."""


@dataclass(eq=False)
class Part:
    """Batches that leave together, `offset_ns` after the start of their frame. Counts rounds and refusals."""

    offset_ns: int
    batches: list[SendBatch]
    rounds: int = 0
    refused: Counter[SendBatch] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        data = [batch for batch in self.batches if batch.universes]
        self.packets = sum(batch.packets for batch in data)
        self.bytes = sum(batch.packets * batch.size for batch in data)
        self.others = len(self.batches) - len(data)


class Counters:
    """The data packets and bytes of all parts. `errors` has the number of the last error of each host."""

    def __init__(self) -> None:
        self.parts: list[Part] = []
        self.errors: dict[str, int] = {}
        self._ranges: list[tuple[int, int, list[tuple[Part, SendBatch]]]] = []
        self._known = 0

    def figures(self) -> dict[str, Any]:
        """Counts by controller, and by ranges of universes with equal counts: `[first, last, packets, bytes]`.

        `controller_count` and `range_count` count all of them, listed or not.
        """
        if self._known != len(self.parts):
            self._find_ranges()
        hosts: dict[str, dict[str, Any]] = {}
        for part in self.parts:
            for batch in part.batches:
                if batch.universes:
                    there = hosts.setdefault(batch.host, {"host": batch.host, "packets": 0, "bytes": 0, "errors": 0})
                    sent = (part.rounds - part.refused[batch]) * batch.packets
                    there["packets"] += sent
                    there["bytes"] += sent * batch.size
                    there["errors"] += part.refused[batch]
        ranges: list[list[int]] = []
        for first, last, members in self._ranges:
            sent_by = [(part.rounds - part.refused[batch], batch.size) for part, batch in members]
            sums = [sum(sent for sent, _ in sent_by), sum(sent * size for sent, size in sent_by)]
            if ranges and ranges[-1][1] == first - 1 and ranges[-1][2:] == sums:
                ranges[-1][1] = last
            else:
                ranges.append([first, last, *sums])
        controllers = sorted(hosts.values(), key=lambda one: -one["errors"])[:LISTED_MAX]
        return {
            "controller_count": len(hosts),
            "controllers": controllers,
            "range_count": len(ranges),
            "universe_packets": ranges[:LISTED_MAX],
        }

    def _find_ranges(self) -> None:
        """Find the ranges of consecutive universes that the same batches carry."""
        members: dict[int, list[tuple[Part, SendBatch]]] = {}
        for part in self.parts:
            for batch in part.batches:
                for number in batch.universes:
                    members.setdefault(number, []).append((part, batch))
        self._ranges = []
        for number in sorted(members):
            last = self._ranges[-1] if self._ranges else None
            if last and last[1] == number - 1 and last[2] == members[number]:
                self._ranges[-1] = (last[0], number, last[2])
            else:
                self._ranges.append((number, number, members[number]))
        self._known = len(self.parts)
