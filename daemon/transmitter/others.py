"""Other sources on our universes, found from the packets they send. No sockets; the time is an argument.

Section numbers are those of ANSI E1.31-2018. Facts of the Art-Net 4 specification come from memory.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import SOURCE_LOSS_NS, as_written
from gloaming.shows.protocols.artnet.parse import read_dmx
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
    """Another source of E1.31 on our `universes`. `priority` is None if only its discovery packets arrive."""

    cid: str
    name: str
    address: str
    priority: int | None
    universes: tuple[int, ...]
    since_ns: int

    @property
    def subject(self) -> str:
        """The subject of its trouble. It never has the source's name, since any sender chooses its own."""
        return self.address

    @property
    def text(self) -> str:
        priority = "an unknown priority" if self.priority is None else f"priority {self.priority}"
        on = _listed("universe", "s", self.universes)
        return f'another source, "{self.name}" at {self.address}, sends on {on} with {priority}'

    def as_json(self) -> dict[str, Any]:
        about = {"protocol": ProtocolName.E131, "cid": self.cid, "name": self.name, "priority": self.priority}
        return {**about, "address": self.address, **_universes(self.universes)}


@dataclass(frozen=True, slots=True)
class ArtNetSource:
    """Another source of Art-Net on our `universes`. Its address is all that is known of it."""

    address: str
    port_addresses: tuple[int, ...]
    universes: tuple[int, ...]
    since_ns: int

    @property
    def subject(self) -> str:
        """The subject of its trouble. The same address may also send E1.31."""
        return f"{self.address} by Art-Net"

    @property
    def text(self) -> str:
        on = _listed("universe", "s", self.universes)
        there = _listed("port-address", "es", [as_written(number) for number in self.port_addresses])
        return f"another source, at {self.address}, sends Art-Net on {on} ({there})"

    def as_json(self) -> dict[str, Any]:
        about = {"protocol": ProtocolName.ARTNET, "cid": None, "name": "", "priority": None}
        return {**about, "address": self.address, **_universes(self.universes)}


def _listed(what: str, plural: str, values: Sequence[object]) -> str:
    """The first eight of some values, after the word for them."""
    return f"{what}{plural if values[1:] else ''} {', '.join(map(str, values[:8]))}{' ...' if values[8:] else ''}"


def _universes(numbers: Sequence[int]) -> dict[str, Any]:
    return {"universes": list(numbers[:LISTED_MAX]), "universe_count": len(numbers)}


def as_troubles(
    others: Sequence[OtherSource | ArtNetSource], subject: str
) -> Iterator[tuple[str, str, Mapping[str, Any], int]]:
    """Troubles as `(subject, text, further fields, since_ns)`: one for each source, or one of `subject` for many."""
    if len(others) <= APART_MAX:
        for other in others:
            yield other.subject, other.text, other.as_json(), other.since_ns
        return
    numbers = {number for other in others for number in other.universes}
    text = f"{len(others)} other sources send on {len(numbers)} of our universes; the first: {others[0].text}"
    yield subject, text, {}, min(other.since_ns for other in others)


class OtherSources:
    """Takes datagrams and finds the sources of E1.31 on our universes.

    `boards` has the CIDs of the site's other boards, which are found however many strangers send.
    """

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


class ArtNetSources:
    """Takes datagrams of others, and finds the sources of Art-Net on our port-addresses, by their IP addresses.

    `universes_of` has the universes of each port-address. Only data count: ArtPoll, replies and all else are ignored.
    """

    def __init__(self, universes_of: Mapping[int, Collection[int]]) -> None:
        self.universes_of = universes_of
        self._since_ns: dict[str, int] = {}
        self._data_ns: dict[str, dict[int, int]] = {}

    def heard(self, at_ns: int, address: str, data: bytes) -> None:
        """Take a datagram from an address."""
        head = read_dmx(data)
        if head is None or head.port_address not in self.universes_of:
            return
        if address in self._data_ns or len(self._data_ns) < SOURCES_MAX:
            self._since_ns.setdefault(address, at_ns)
            self._data_ns.setdefault(address, {})[head.port_address] = at_ns

    def standing(self, at_ns: int) -> list[ArtNetSource]:
        """The sources on our port-addresses at an instant. Forgets those that are gone."""
        found = []
        for address, data_ns in list(self._data_ns.items()):
            for number in [number for number, last_ns in data_ns.items() if at_ns - last_ns >= SOURCE_LOSS_NS]:
                del data_ns[number]
            if data_ns:
                universes = sorted({universe for number in data_ns for universe in self.universes_of[number]})
                since_ns = self._since_ns[address]
                found.append(ArtNetSource(address, tuple(sorted(data_ns)), tuple(universes), since_ns))
            else:
                del self._data_ns[address], self._since_ns[address]
        return found
