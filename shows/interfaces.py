"""The network interfaces of this machine and their addresses, as the kernel has them at the moment."""

from __future__ import annotations

import socket
from ipaddress import IPv4Address, IPv4Interface, IPv6Address, IPv6Interface, ip_interface

import ifaddr


def addresses() -> list[tuple[int, IPv4Interface | IPv6Interface]]:
    """All addresses with their networks, each with the index of its interface. OSError where the kernel tells none."""
    return [
        (adapter.index or 0, ip_interface((one.ip if isinstance(one.ip, str) else one.ip[0], one.network_prefix)))
        for adapter in ifaddr.get_adapters()
        for one in adapter.ips
    ]


def index_of(address: IPv4Address | IPv6Address) -> int | None:
    """The index of the interface that has an address; None where none has it. All of 127.0.0.0/8 is the loopback
    interface's (RFC 1122, 3.2.1.3), though one address of it is listed."""
    found = next((index for index, one in addresses() if one.ip == address), None)
    return socket.if_nametoindex("lo") if found is None and address.is_loopback else found
