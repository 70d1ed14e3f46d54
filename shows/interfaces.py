"""The network interfaces of this machine and their addresses, as the kernel reports them now."""

from __future__ import annotations

import socket
from ipaddress import IPv4Address, IPv4Interface, IPv6Address, IPv6Interface, ip_interface

import ifaddr


def addresses() -> list[tuple[int, IPv4Interface | IPv6Interface]]:
    """All addresses with their networks, each with the index of its interface. OSError if the kernel lists none."""
    return [
        (adapter.index or 0, ip_interface((one.ip if isinstance(one.ip, str) else one.ip[0], one.network_prefix)))
        for adapter in ifaddr.get_adapters()
        for one in adapter.ips
    ]


def index_of(address: IPv4Address | IPv6Address) -> int | None:
    """The index of the interface that has an address, or None.

    All of 127.0.0.0/8 belongs to the loopback interface (RFC 1122, 3.2.1.3). The kernel lists one address of it.
    """
    found = next((index for index, one in addresses() if one.ip == address), None)
    return socket.if_nametoindex("lo") if found is None and address.is_loopback else found
