"""The names that hosts announce on the network: multicast DNS (RFC 6762) and its service discovery (RFC 6763)."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import Collection
from contextlib import suppress
from dataclasses import dataclass, field
from ipaddress import IPv4Address

from zeroconf import DNSQuestionType, Error, IPVersion, ServiceStateChange, Zeroconf
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from gloaming.shows.protocols import printable

KINDS = "_services._dns-sd._udp.local."
"""Asking for it brings all kinds of services, RFC 6763 section 9."""
KINDS_MAX, SERVICES_MAX = 64, 256
"""The most kinds, and services, that a look asks about; and the most names that it has."""
ANSWER_MS = 3000


@dataclass(frozen=True, slots=True)
class MdnsName:
    """A name that a host announces, as "left.local", with one of its IPv4 addresses.

    `services` are the kinds of its services, as "_http._tcp".
    """

    name: str
    address: str
    services: tuple[str, ...]


async def find_names(addresses: Collection[str], seconds: float, notes: list[str]) -> tuple[MdnsName, ...]:
    """Ask for all names by the interfaces that have these IPv4 addresses, for some seconds."""
    if not addresses:
        return ()
    try:
        zeroconf = AsyncZeroconf(interfaces=list(addresses))
    except (OSError, Error) as error:
        notes.append(f"no names by mDNS: {error or type(error).__name__}")
        return ()
    search = Search(zeroconf.zeroconf)
    try:
        search.browse(KINDS)
        await asyncio.sleep(seconds)
        return search.names()
    finally:
        await search.close()
        await zeroconf.async_close()


@dataclass
class Search:
    """The kinds that were found, and a question for each service of a kind."""

    zeroconf: Zeroconf
    browsers: dict[str, AsyncServiceBrowser] = field(default_factory=dict)
    services: dict[str, AsyncServiceInfo] = field(default_factory=dict)
    _asking: list[asyncio.Task[bool]] = field(default_factory=list)

    def browse(self, kind: str) -> None:
        with suppress(Error):  # a kind that is none by RFC 6763 section 7
            # answers to the group reach us beside other programs of this machine with the port
            self.browsers[kind] = AsyncServiceBrowser(
                self.zeroconf, kind, handlers=[self.changed], question_type=DNSQuestionType.QM
            )

    def changed(self, zeroconf: Zeroconf, service_type: str, name: str, state_change: ServiceStateChange) -> None:
        if state_change is ServiceStateChange.Removed or name in self.browsers or name in self.services:
            return
        if service_type == KINDS:
            if len(self.browsers) < KINDS_MAX:
                self.browse(name)
        elif len(self.services) < SERVICES_MAX:
            with suppress(Error):
                self.services[name] = info = AsyncServiceInfo(service_type, name)
                asking = info.async_request(zeroconf, ANSWER_MS, DNSQuestionType.QM)
                self._asking.append(asyncio.create_task(asking, name="ask for a service"))

    def names(self) -> tuple[MdnsName, ...]:
        """The names that have an IPv4 address, in order."""
        kinds = defaultdict(set)
        for info in self.services.values():
            for address in info.parsed_addresses(IPVersion.V4Only):
                name = printable(info.server or "").removesuffix(".")
                kinds[name, IPv4Address(address)].add(printable(info.type).removesuffix(".local."))
        found = sorted(kinds.items())[:SERVICES_MAX]
        return tuple(MdnsName(name, str(address), tuple(sorted(services))) for (name, address), services in found)

    async def close(self) -> None:
        for task in self._asking:
            task.cancel()
        await asyncio.gather(*self._asking, return_exceptions=True)
        for browser in self.browsers.values():
            await browser.async_cancel()
