"""The sockets of a recording: addresses, and multicast groups of IPv4 and IPv6."""

from __future__ import annotations

import errno
import ipaddress
import socket
import struct
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.interfaces import addresses, index_of
from gloaming.shows.protocols.datagrams import PacketReader
from gloaming.shows.protocols.e131 import group, group_ipv6
from gloaming.shows.protocols.e131.parse import E131_READER

BUFFER_BYTES = 32 << 20
_SO_RCVBUFFORCE, _SO_RXQ_OVFL, _SO_TIMESTAMPNS = 33, 40, 35
_IP_MULTICAST_ALL, _IPV6_MULTICAST_ALL = 49, 29
_FULL = (errno.ENOBUFS, errno.ENOMEM)
_NOTES = 2


@dataclass
class _Family:
    """The groups of one IP version.

    A socket can join only a limited number of groups (IPv4: 20 by default), so sockets are opened as needed, until
    `closed`.
    """

    open: Callable[[], socket.socket]
    join: Callable[[socket.socket, int], None]
    sockets: list[socket.socket]
    at: int = 0
    closed: bool = False

    def add(self, universe: int) -> OSError | None:
        """Join the group of a universe. Returns the error, or None."""
        fresh = False
        while True:
            try:
                self.join(self.sockets[self.at], universe)
            except OSError as error:
                self.closed |= fresh and error.errno in _FULL  # the system is full, not the socket
                if error.errno not in _FULL or (self.closed and self.at + 1 == len(self.sockets)):
                    return error
                self.at += 1
                fresh = True
                if self.at == len(self.sockets):
                    self.sockets.append(self.open())
            else:
                return None


class Sockets:
    """Sockets that receive unicast, broadcast, and multicast for joined universes. With `address`: only unicast to it.

    `notes` are lines about universes that cannot be received. `all` is complete after the start: `spare` more sockets
    are opened for later groups. InputError if the address is not ours, the port is in use, or the interface is unknown.
    """

    def __init__(
        self,
        universes: Iterable[int],
        address: str | None,
        interface: str | None,
        spare: int = 0,
        reader: PacketReader = E131_READER,
    ) -> None:
        self.notes: list[str] = []
        self._unheard = 0
        self._families: list[_Family] = []
        if address is not None:
            if not address or _is_group(address):
                hint = "leave it out: the groups of the universes are joined anyway" if address else None
                raise input_error("--address", f"{address!r} is not an address of this machine", hint)
            self.all = [_socket(address, reader.port)]
            return
        ipv4, index = _find(interface) if interface else ("0.0.0.0", 0)
        if not reader.multicast:
            self.all = [_socket("", reader.port, index)]
            return
        to, scope = socket.inet_aton(ipv4 or "0.0.0.0"), struct.pack("=I", index)

        def join(sock: socket.socket, universe: int) -> None:
            sock.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, group(universe) + to)

        def join_ipv6(sock: socket.socket, universe: int) -> None:
            sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, group_ipv6(universe) + scope)

        if ipv4:
            self._families.append(_Family(lambda: _socket("", reader.port), join, [_socket("", reader.port)]))
        if index in (there := _ipv6_indices()) or (not interface and there):
            self._families.append(_Family(lambda: _socket("::", reader.port), join_ipv6, [_socket("::", reader.port)]))
        self.join(universes)
        for family in self._families:
            family.sockets += [family.open() for _ in range(spare)]
            family.closed = True
        self.all = [one for family in self._families for one in family.sockets]

    def join(self, universes: Iterable[int]) -> None:
        """Join more universes. One IP version is enough: few networks have both."""
        for universe in universes:
            errors = [family.add(universe) for family in self._families]
            if not errors or None in errors:
                continue
            self._unheard += 1
            why = errors[0].strerror if errors[0] else ""
            if self._unheard <= _NOTES:
                self.notes.append(
                    f"universe {universe} is received by unicast only: its multicast group cannot be joined ({why})"
                )
            elif self._unheard == _NOTES + 1:
                self.notes.append("and more universes; choose the interface for multicast with --interface")


def _is_group(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_multicast
    except ValueError:  # a name
        return False


def _find(interface: str) -> tuple[str | None, int]:
    """The IPv4 address (or None) and the index of an interface, by its name or by an address."""
    indices = {name: index for index, name in socket.if_nameindex()}
    try:
        address = ipaddress.ip_address(interface)
    except ValueError:
        if interface not in indices:
            hint = f"the interfaces are {', '.join(indices)}"
            raise input_error("--interface", f"there is no interface {interface!r}", hint) from None
        index = indices[interface]
    else:
        found = index_of(address)
        if found is None:
            raise input_error("--interface", f"no interface has the address {interface}")
        if address.version == 4:
            return interface, found
        index = found
    ipv4 = next((str(one.ip) for at, one in addresses() if at == index and one.version == 4), None)
    if ipv4 is None and index not in _ipv6_indices():
        raise input_error("--interface", f"the interface {interface!r} has no address")
    return ipv4, index


def _ipv6_indices() -> set[int]:
    """The interfaces that have an IPv6 address."""
    return {index for index, one in addresses() if one.version == 6}


def _socket(address: str, port: int, interface: int = 0) -> socket.socket:
    """A socket that listens at an address: "" is any of IPv4, "::" any of IPv6. `interface` 0 is any."""
    ipv6 = ":" in address
    sock = socket.socket(socket.AF_INET6 if ipv6 else socket.AF_INET, socket.SOCK_DGRAM)
    sock.setblocking(False)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    sock.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
    sock.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
    if ipv6:
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        sock.setsockopt(socket.IPPROTO_IPV6, _IPV6_MULTICAST_ALL, 0)
    else:
        sock.setsockopt(socket.IPPROTO_IP, _IP_MULTICAST_ALL, 0)  # a socket receives only its own groups
    try:
        sock.setsockopt(socket.SOL_SOCKET, _SO_RCVBUFFORCE, BUFFER_BYTES)
    except PermissionError:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)  # as much as the system allows
    if interface:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, socket.if_indextoname(interface).encode())
    try:
        sock.bind((address, port))
    except OSError as error:
        sock.close()
        problem = f"it is not possible to listen at {address or 'any address'}, port {port} ({error.strerror})"
        raise input_error("--address", problem) from None
    return sock
