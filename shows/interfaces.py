"""The network interfaces of this machine and their addresses, as the kernel reports them now."""

from __future__ import annotations

import fcntl
import socket
import struct
from ipaddress import IPv4Address, IPv4Interface, IPv4Network, IPv6Address, IPv6Interface, ip_interface

import ifaddr

SIOCGIFFLAGS, IFF_RUNNING = 0x8913, 0x40
BROADCAST_ANY = "255.255.255.255"
"""The broadcast address of whatever network a packet is sent to (RFC 919, 7)."""


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


def broadcast_of(network: IPv4Network) -> str | None:
    """The broadcast address of a network; None if it is too small to have one (RFC 3021)."""
    return str(network.broadcast_address) if network.prefixlen < 31 else None


def has_carrier(index: int) -> bool:
    """Whether an interface can send: it is up, and its cable is plugged in at both ends (netdevice(7), IFF_RUNNING)."""
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            request = struct.pack("16s24x", socket.if_indextoname(index).encode())
            (flags,) = struct.unpack_from("h", fcntl.ioctl(probe, SIOCGIFFLAGS, request), 16)
    except OSError:  # it is gone
        return False
    return bool(flags & IFF_RUNNING)
