"""Announces the page on the network as `gloaming.local` (RFC 6762, RFC 6763), so that nobody types an address.

A failure is reported once and stops nothing: the page has its address, too.
"""

from __future__ import annotations

import asyncio
import ipaddress
import logging

from zeroconf import Error, InterfaceChoice, ServiceInfo, Zeroconf
from zeroconf.asyncio import AsyncZeroconf

from gloaming.api.http.addresses import ANNOUNCED, lan_addresses
from gloaming.daemon.service.log import LOG

KIND = "_http._tcp.local."
LOOK_S = 30.0
FORGET_S = 1.0
"""How long zeroconf may remember answers of other machines. Nothing here needs them; zeroconf stores up to 10,000."""


def service(name: str, addresses: list[str], port: int) -> ServiceInfo:
    """The announcement: a page on `gloaming.local`, under the site's name."""
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
    """Announce until cancelled, and again when the machine's addresses change. The end withdraws the announcement.

    `interfaces` has the addresses to announce on; without it, all.
    """
    logging.getLogger("zeroconf").setLevel(logging.ERROR)  # it warns, with a traceback, of an address that has gone
    while True:
        addresses = interfaces or lan_addresses(host)
        if addresses:
            try:
                await _announce_while(addresses, service(name, addresses, port), host, interfaces)
            except (OSError, Error) as error:
                LOG.complain(f"not announced as {ANNOUNCED}: {error or type(error).__name__}", kind="announce")
        await asyncio.sleep(LOOK_S)


async def _announce_while(addresses: list[str], info: ServiceInfo, host: str, interfaces: list[str] | None) -> None:
    """Announce until the addresses change."""
    choice = interfaces or (InterfaceChoice.All if addresses != [host] else [host])
    zeroconf = AsyncZeroconf(interfaces=choice)
    forgetting = asyncio.create_task(_forget_answers(zeroconf.zeroconf), name="forget answers")
    try:
        await zeroconf.async_register_service(info, allow_name_change=True)
        while (interfaces or lan_addresses(host)) == addresses:
            await asyncio.sleep(LOOK_S)
    finally:
        forgetting.cancel()
        await zeroconf.async_unregister_all_services()
        await zeroconf.async_close()


async def _forget_answers(zeroconf: Zeroconf) -> None:
    while True:
        await asyncio.sleep(FORGET_S)
        for name in zeroconf.cache.names():
            zeroconf.cache.async_remove_records(zeroconf.cache.entries_with_name(name))
