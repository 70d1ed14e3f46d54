"""The sources of E1.31 on the network, by their universe discovery. Section numbers are those of ANSI E1.31-2018."""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import Collection
from dataclasses import dataclass, field
from ipaddress import IPv4Address
from uuid import UUID

from gloaming.daemon.integrations.datagrams import reading
from gloaming.shows.protocols import printable
from gloaming.shows.protocols.e131 import DISCOVERY_UNIVERSE, PORT, UNIVERSE_MAX, group
from gloaming.shows.protocols.e131.parse import Discovery, read_discovery, source_name

PAGES_MAX = 256
"""The most pages of all sources that are held. A page has 512 universes (8.5), more than most sources send."""


@dataclass(frozen=True, slots=True)
class E131Source:
    """A source and the universes that it sends, in order. `cid` is the text of a UUID."""

    address: str
    name: str
    cid: str
    universes: tuple[int, ...]


async def hear_sources(indices: Collection[int], seconds: float, notes: list[str]) -> Sources:
    """Listen for some seconds by the interfaces that have these indices."""
    sources = Sources()
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        try:
            _join(sock, indices)
        except OSError as error:
            notes.append(f"not all sources of E1.31 are heard: UDP port {PORT} and its group: {error.strerror}")
        with reading(sock, sources.take, notes):
            await asyncio.sleep(seconds)
    return sources


def _join(sock: socket.socket, indices: Collection[int]) -> None:
    """Listen to the group of universe discovery (appendix A), beside other sockets."""
    to = group(DISCOVERY_UNIVERSE)
    sock.setblocking(False)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    sock.bind((socket.inet_ntoa(to), PORT))
    for index in indices:
        request = struct.pack("=4s4si", to, bytes(4), index)
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, request)


@dataclass
class Sources:
    """The sources that were heard. `malformed` counts packets that are no universe discovery."""

    malformed: int = 0
    _pages: dict[tuple[bytes, int], tuple[str, Discovery]] = field(default_factory=dict)

    def take(self, data: bytes, address: str) -> None:
        """Hold a page. The last one of a source with its number counts."""
        page = read_discovery(data)
        if page is None:
            self.malformed += 1
        elif (page.cid, page.page) in self._pages or len(self._pages) < PAGES_MAX:
            self._pages[page.cid, page.page] = address, page

    def found(self) -> tuple[E131Source, ...]:
        """The sources in the order of their addresses."""
        universes: dict[tuple[str, bytes], set[int]] = {}
        names = {}
        for (cid, _), (address, page) in self._pages.items():
            universes.setdefault((address, cid), set()).update(
                one for one in page.universes if 1 <= one <= UNIVERSE_MAX
            )
            names[address, cid] = printable(source_name(page.name))
        return tuple(
            E131Source(address, names[address, cid], str(UUID(bytes=cid)), tuple(sorted(universes[address, cid])))
            for address, cid in sorted(universes, key=lambda one: (IPv4Address(one[0]), one[1]))
        )
