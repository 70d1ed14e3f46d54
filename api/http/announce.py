"""Found without typing an address: the site announced on the network as `gloaming.local` (RFC 6762, RFC 6763).

What goes wrong here is reported once and stops nothing: the page is there by its address too.
"""

from __future__ import annotations

import asyncio
import ipaddress

from zeroconf import Error, InterfaceChoice, ServiceInfo, Zeroconf
from zeroconf.asyncio import AsyncZeroconf

from gloaming.api.http.addresses import ANNOUNCED, lan_addresses
from gloaming.daemon.service.log import LOG

KIND = "_http._tcp.local."
LOOK_S = 30.0
LET_GO_S = 1.0
"""How long an answer of somebody else is kept: this process asks nobody. zeroconf's own bound is 10,000 answers."""


def service(name: str, addresses: list[str], port: int) -> ServiceInfo:
    """What is announced: a page on `gloaming.local`, under the site's name."""
    label = name.replace(".", " ").encode()[:50].decode(errors="ignore").strip() or "site"
    return ServiceInfo(
        KIND,
        f"Gloaming at {label}.{KIND}",
        port=port,
        addresses=[ipaddress.ip_address(address).packed for address in addresses],
        properties={"path": "/"},
        server=f"{ANNOUNCED}.",
    )


async def announce(name: str, host: str, port: int, interfaces: list[str] | None = None) -> None:
    """Announce until cancelled, anew when the machine's addresses change; at the end it is taken back.

    `interfaces` are the addresses to announce on, in place of all.
    """
    while True:
        addresses = interfaces or lan_addresses(host)
        if addresses:
            try:
                await _announce_while(addresses, service(name, addresses, port), host, interfaces)
            except (OSError, Error) as error:
                LOG.complain(f"not announced as {ANNOUNCED}: {error or type(error).__name__}", kind="announce")
        await asyncio.sleep(LOOK_S)


async def _announce_while(addresses: list[str], info: ServiceInfo, host: str, interfaces: list[str] | None) -> None:
    """Announce for as long as the addresses stay as they are."""
    choice = interfaces or (InterfaceChoice.All if addresses != [host] else [host])
    zeroconf = AsyncZeroconf(interfaces=choice)
    letting_go = asyncio.create_task(_let_go(zeroconf.zeroconf), name="let answers go")
    try:
        await zeroconf.async_register_service(info, allow_name_change=True)
        while (interfaces or lan_addresses(host)) == addresses:
            await asyncio.sleep(LOOK_S)
    finally:
        letting_go.cancel()
        await zeroconf.async_unregister_all_services()
        await zeroconf.async_close()


async def _let_go(zeroconf: Zeroconf) -> None:
    while True:
        await asyncio.sleep(LET_GO_S)
        for name in zeroconf.cache.names():
            zeroconf.cache.async_remove_records(zeroconf.cache.entries_with_name(name))
