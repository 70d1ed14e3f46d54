"""The sockets of the watch: for the multicast groups of E1.31, and for the broadcast of Art-Net."""

from __future__ import annotations

import fcntl
import resource
import socket
import struct
from collections.abc import Callable, Collection, Iterator
from functools import partial
from ipaddress import IPv4Address, IPv4Interface, IPv6Address, ip_address

from gloaming.daemon.service import packet_filter
from gloaming.shows.interfaces import BROADCAST_ANY, addresses, broadcast_of
from gloaming.shows.protocols import artnet
from gloaming.shows.protocols.artnet import BROADCAST, OP_AT, OP_DMX
from gloaming.shows.protocols.artnet.parse import LOW_AT, NET_AT
from gloaming.shows.protocols.e131 import CID_AT, DISCOVERY_UNIVERSE, PORT, group

SPARE_FILES = 512
"""The sockets have file numbers above this. Lower ones stay free for select(2), which takes none above 1023."""
BUFFER_BYTES = 4096
LARGE_BUFFER_BYTES = 256 << 10
"""For discovery, and for Art-Net, where one socket hears all universes."""
ART_DMX = OP_DMX.to_bytes(2, "little")


def files_max() -> int:
    """The most files that this process may open, after raising its limit."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    except (OSError, ValueError):
        return max(SPARE_FILES, soft)
    return max(SPARE_FILES, hard)


def join(universe: int, interface_index: int, cid: bytes) -> socket.socket:
    """A socket for the group of a universe, without the packets of a CID. OSError without a route or more sockets.

    It is bound to the group, so it takes no unicast packets, and has one membership (a socket may have 20).
    """
    to, buffer_bytes = group(universe), LARGE_BUFFER_BYTES if universe == DISCOVERY_UNIVERSE else BUFFER_BYTES
    sock = _socket(buffer_bytes, partial(packet_filter.drop, at=CID_AT, value=cid))
    try:
        sock.bind((socket.inet_ntoa(to), PORT))
        request = struct.pack("=4s4si", to, bytes(4), interface_index)
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, request)
    except OSError:
        sock.close()
        raise
    return sock


def broadcast_addresses(
    here: Collection[tuple[int, IPv4Interface]], hosts: Collection[IPv4Address | IPv6Address], indices: set[int]
) -> set[tuple[int, IPv4Address]]:
    """The broadcast addresses of some interfaces, and of those whose networks have the hosts; each with its index."""
    indices = indices | {index for index, one in here if any(host in one.network for host in hosts)}
    directed = {
        (index, IPv4Address(address))
        for index, one in here
        if index in indices and (address := broadcast_of(one.network))
    }
    return directed | {(index, IPv4Address(BROADCAST_ANY)) for index in indices}


class BroadcastSockets:
    """The sockets that hear ArtDmx by broadcast, on the interfaces whose networks have the hosts.

    Each is bound to a broadcast address, so it takes no unicast packets: the replies of nodes reach the socket that has
    asked for them. The interface of the host `BROADCAST` is the one with `interface_index` (0: all of them).
    """

    def __init__(self, hosts: Collection[str], port_addresses: Collection[int], interface_index: int) -> None:
        self._hosts = {ip_address(host) for host in hosts if host != BROADCAST}
        self._indices = {interface_index} if BROADCAST in hosts else set()
        self._port_addresses = port_addresses
        self._own: set[IPv4Address] = set()
        self._open: dict[tuple[int, IPv4Address], socket.socket] = {}

    def __iter__(self) -> Iterator[socket.socket]:
        return iter(self._open.values())

    def follow(self) -> None:
        """Open and close sockets as this machine's addresses are now. One that cannot be opened is left out."""
        here = [(index, one) for index, one in addresses() if isinstance(one, IPv4Interface)]
        own = {one.ip for _, one in here}
        if own != self._own:  # the filters have the addresses
            self.close()
            self._own = own
        wanted = broadcast_addresses(here, self._hosts, self._indices)
        for key in self._open.keys() - wanted:
            self._open.pop(key).close()
        for index, address in wanted - self._open.keys():
            try:
                self._open[index, address] = self._listen(index, address)
            except OSError:  # the port or the interface may be free later
                continue

    def _listen(self, index: int, address: IPv4Address) -> socket.socket:
        sock = _socket(LARGE_BUFFER_BYTES, self._filter)
        try:
            if index:
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, socket.if_indextoname(index).encode())
            sock.bind((str(address), artnet.PORT))
        except OSError:
            sock.close()
            raise
        return sock

    def _filter(self, sock: socket.socket) -> None:
        """Let the kernel drop our own packets, and all that is no ArtDmx on our port-addresses."""
        packet_filter.take_numbers(sock, OP_AT, ART_DMX, (NET_AT, LOW_AT), self._port_addresses, self._own)

    def close(self) -> None:
        for sock in self:
            sock.close()
        self._open.clear()


def _socket(buffer_bytes: int, attach_filter: Callable[[socket.socket], None]) -> socket.socket:
    """A socket that never waits, with a filter. It is not bound yet."""
    low = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    with low:
        sock = socket.socket(fileno=fcntl.fcntl(low.fileno(), fcntl.F_DUPFD_CLOEXEC, SPARE_FILES))
    try:
        sock.setblocking(False)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, buffer_bytes)
        attach_filter(sock)
    except OSError:
        sock.close()
        raise
    return sock
