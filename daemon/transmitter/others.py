"""Other sources on our universes, found from the packets they send. No sockets; the time is an argument.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from gloaming.shows.protocols.e131 import DATA_LOSS_NS, DISCOVERY_NS, PREVIEW, TERMINATED
from gloaming.shows.protocols.e131.parse import DataHead, Discovery, read_data, read_discovery, source_name
from gloaming.shows.time_units import SECOND_NS

DISCOVERY_LOST_NS = DISCOVERY_NS + 2 * SECOND_NS
"""The loss time of a source known by discovery alone: a little more than the discovery interval."""
SOURCES_MAX = 64
APART_MAX = 3
"""Up to this many other sources are one trouble each. More are one trouble together."""
LISTED_MAX = 16
"""The most sources, and universes of each, in one telemetry message."""


@dataclass
class _Source:
    name: str
    address: str
    since_ns: int
    priority: int | None = None
    data_ns: dict[int, int] = field(default_factory=dict)
    pages: dict[int, tuple[tuple[int, ...], int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class OtherSource:
    """Another source on our `universes`. `priority` is None if only its discovery packets arrive."""

    cid: str
    name: str
    address: str
    priority: int | None
    universes: tuple[int, ...]
    since_ns: int

    @property
    def text(self) -> str:
        numbers = ", ".join(str(number) for number in self.universes[:8]) + (" ..." if self.universes[8:] else "")
        priority = "an unknown priority" if self.priority is None else f"priority {self.priority}"
        plural = "s" if self.universes[1:] else ""
        return f'another source, "{self.name}" at {self.address}, sends on universe{plural} {numbers} with {priority}'

    def as_json(self) -> dict[str, Any]:
        return {
            "cid": self.cid,
            "name": self.name,
            "address": self.address,
            "priority": self.priority,
            "universes": list(self.universes[:LISTED_MAX]),
            "universe_count": len(self.universes),
        }


def as_troubles(others: Sequence[OtherSource], subject: str) -> Iterator[tuple[str, str, Mapping[str, Any], int]]:
    """Troubles as `(subject, text, further fields, since_ns)`: one for each address, or one of `subject` for many.

    A subject never has a source's name, since any sender chooses its own.
    """
    if len(others) <= APART_MAX:
        for other in others:
            yield other.address, other.text, other.as_json(), other.since_ns
        return
    numbers = {number for other in others for number in other.universes}
    text = f"{len(others)} other sources send on {len(numbers)} of our universes; the first: {others[0].text}"
    yield subject, text, {}, min(other.since_ns for other in others)


class OtherSources:
    """Takes datagrams and finds the sources on our universes. `boards` has the CIDs of the site's other boards, which
    are found however many strangers send."""

    def __init__(self, universes: set[int], cid: bytes, boards: frozenset[str] = frozenset()) -> None:
        self.universes, self.cid, self.boards = universes, cid, boards
        self._sources: dict[bytes, _Source] = {}

    def heard(self, at_ns: int, address: str, data: bytes) -> None:
        """Take a datagram from an address. Ignore our own, and all that is not E1.31."""
        found = read_data(data) or read_discovery(data)
        if found is None or found.cid == self.cid:
            return
        if isinstance(found, DataHead):
            self._data(at_ns, address, found)
        else:
            self._discovery(at_ns, address, found)

    def _source(self, at_ns: int, address: str, cid: bytes, name: bytes) -> _Source | None:
        if cid not in self._sources and len(self._sources) >= SOURCES_MAX and cid.hex() not in self.boards:
            return None
        source = self._sources.setdefault(cid, _Source("", address, at_ns))
        text = source_name(name)
        source.name = "".join(one if one.isprintable() else "?" for one in text) or "(without a name)"
        source.address = address
        return source

    def _data(self, at_ns: int, address: str, head: DataHead) -> None:
        if head.universe not in self.universes or head.options & PREVIEW:
            return
        if source := self._source(at_ns, address, head.cid, head.name):
            source.priority = head.priority
            if head.options & TERMINATED:  # 6.2.6
                source.data_ns.pop(head.universe, None)
                source.pages.clear()
            else:
                source.data_ns[head.universe] = at_ns

    def _discovery(self, at_ns: int, address: str, page: Discovery) -> None:
        mine = tuple(number for number in page.universes if number in self.universes)
        source = self._source(at_ns, address, page.cid, page.name) if mine or page.cid in self._sources else None
        if source:
            source.pages[page.page] = (mine, at_ns)

    def standing(self, at_ns: int) -> list[OtherSource]:
        """The sources on our universes at an instant. Forgets those that are gone."""
        found = []
        for cid, source in list(self._sources.items()):
            source.data_ns = {key: last for key, last in source.data_ns.items() if at_ns - last < DATA_LOSS_NS}
            source.pages = {key: page for key, page in source.pages.items() if at_ns - page[1] < DISCOVERY_LOST_NS}
            numbers = set(source.data_ns)
            if source.priority is None:  # no data arrived here: it may send by unicast to the controllers
                numbers |= {number for page, _ in source.pages.values() for number in page}
            if numbers:
                universes = tuple(sorted(numbers))
                name, address, priority, since_ns = source.name, source.address, source.priority, source.since_ns
                found.append(OtherSource(cid.hex(), name, address, priority, universes, since_ns))
            elif not source.pages or source.priority is not None:
                del self._sources[cid]
        return found
