"""Other sources on our universes: who they are, by what is heard of them. No sockets; told the time, reads no clock.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from gloaming.shows.time_units import SECOND_NS

DATA_LOST_NS = 2_500_000_000
"""6.7.1: E131_NETWORK_DATA_LOSS_TIMEOUT."""
DISCOVERY_LOST_NS = 12 * SECOND_NS
"""A little more than E131_UNIVERSE_DISCOVERY_INTERVAL, 10 s: one that is known by discovery alone."""
SOURCES_MAX = 64
APART_MAX = 3
"""So many other sources are a trouble each; more are one."""
TOLD_MAX = 16
"""So many sources, and universes of each, are told in telemetry, whoever sends whatever."""
_ROOT = b"\x00\x10\x00\x00ASC-E1.17\x00\x00\x00"
_PREVIEW_DATA, _STREAM_TERMINATED = 0x80, 0x40


@dataclass
class _Source:
    name: str
    address: str
    since_ns: int
    priority: int | None = None
    data_ns: dict[int, int] = field(default_factory=dict)
    pages: dict[int, tuple[tuple[int, ...], int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Other:
    """Another source on `universes` of ours; `priority` is None where only its discovery packets are heard."""

    cid: str
    name: str
    address: str
    priority: int | None
    universes: tuple[int, ...]
    since_ns: int

    @property
    def text(self) -> str:
        numbers = ", ".join(str(number) for number in self.universes[:8]) + (" ..." if self.universes[8:] else "")
        priority = "a priority not heard yet" if self.priority is None else f"priority {self.priority}"
        plural = "s" if self.universes[1:] else ""
        return f'another source, "{self.name}" at {self.address}, sends on universe{plural} {numbers} with {priority}'

    def as_json(self) -> dict[str, Any]:
        return {
            "cid": self.cid,
            "name": self.name,
            "address": self.address,
            "priority": self.priority,
            "universes": list(self.universes[:TOLD_MAX]),
            "universe_count": len(self.universes),
        }


def as_troubles(others: Sequence[Other], subject: str) -> Iterator[tuple[str, str, Mapping[str, Any], int]]:
    """Subject, text, what else is told, and since when: each source by its address, or many as one trouble of a
    `subject`. Names are the senders' choice, so no subject has one."""
    if len(others) <= APART_MAX:
        for other in others:
            yield other.address, other.text, other.as_json(), other.since_ns
        return
    numbers = {number for other in others for number in other.universes}
    text = f"{len(others)} other sources send on {len(numbers)} of our universes; the first: {others[0].text}"
    yield subject, text, {}, min(other.since_ns for other in others)


class Others:
    """Takes datagrams, and says who stands on our universes."""

    def __init__(self, universes: set[int], cid: bytes) -> None:
        self.universes, self.cid = universes, cid
        self._sources: dict[bytes, _Source] = {}

    def heard(self, at_ns: int, address: str, data: bytes) -> None:
        """A datagram from an address; what is no E1.31, or our own, is passed over."""
        if len(data) < 120 or data[:16] != _ROOT or data[22:38] == self.cid:
            return
        root, framing = data[18:22], data[40:44]
        if root == b"\0\0\0\4" and framing == b"\0\0\0\2" and len(data) >= 126:
            self._data(at_ns, address, data)
        elif root == b"\0\0\0\x08" and framing == b"\0\0\0\2" and data[114:118] == b"\0\0\0\1":
            self._discovery(at_ns, address, data)

    def _source(self, at_ns: int, address: str, data: bytes) -> _Source | None:
        cid = data[22:38]
        if cid not in self._sources and len(self._sources) >= SOURCES_MAX:
            return None
        source = self._sources.setdefault(cid, _Source("", address, at_ns))
        text = data[44:108].split(b"\0")[0].decode("utf-8", "replace")
        source.name = "".join(one if one.isprintable() else "?" for one in text) or "(without a name)"
        source.address = address
        return source

    def _data(self, at_ns: int, address: str, data: bytes) -> None:
        universe, options = struct.unpack_from(">H", data, 113)[0], data[112]
        if universe not in self.universes or options & _PREVIEW_DATA:
            return
        if source := self._source(at_ns, address, data):
            source.priority = data[108]
            if options & _STREAM_TERMINATED:  # 6.2.6
                source.data_ns.pop(universe, None)
                source.pages.clear()
            else:
                source.data_ns[universe] = at_ns

    def _discovery(self, at_ns: int, address: str, data: bytes) -> None:
        count = (len(data) - 120) // 2
        numbers = struct.unpack_from(f">{count}H", data, 120)
        mine = tuple(number for number in numbers if number in self.universes)
        source = self._source(at_ns, address, data) if mine or data[22:38] in self._sources else None
        if source:
            source.pages[data[118]] = (mine, at_ns)

    def standing(self, at_ns: int) -> list[Other]:
        """Who stands on our universes at an instant; who is gone is forgotten."""
        found = []
        for cid, source in list(self._sources.items()):
            source.data_ns = {key: last for key, last in source.data_ns.items() if at_ns - last < DATA_LOST_NS}
            source.pages = {key: page for key, page in source.pages.items() if at_ns - page[1] < DISCOVERY_LOST_NS}
            numbers = set(source.data_ns)
            if source.priority is None:  # its data were never heard: it may send to the controllers alone
                numbers |= {number for page, _ in source.pages.values() for number in page}
            if numbers:
                universes = tuple(sorted(numbers))
                name, address, priority, since_ns = source.name, source.address, source.priority, source.since_ns
                found.append(Other(cid.hex(), name, address, priority, universes, since_ns))
            elif not source.pages or source.priority is not None:
                del self._sources[cid]
        return found
