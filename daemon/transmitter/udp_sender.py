"""The sockets of a setup: their options, the best way of sending, and refusals by ICMP."""

from __future__ import annotations

import errno
import ipaddress
import select
import socket
import struct
from pathlib import Path

from gloaming.daemon.transmitter.bulk import UDP_SEGMENT, Bulk, OneByOne, SendBatch, is_ipv6, sendmmsg_works
from gloaming.shows.interfaces import BROADCAST_ANY, addresses, broadcast_of, index_of

SEND_BUFFER_BYTES = 8 << 20
ERROR_BUFFER_BYTES = 128 << 10
REFUSALS_MAX = 500
OWN_ERRORS = {errno.ENOBUFS, errno.EPERM}
"""Errors that always belong to the packet being sent."""
TRIES, TRIES_EACH = 400, 100
"""The most retries in one frame, and for one packet.

Other errors may belong to a packet of an earlier frame: the kernel returns them at the next call, whatever its host.
When a controller is off, a hundred of them follow each other.
"""
ROOM_MS = 4
"""The longest wait of a frame for room in a socket, when the network is slower than the burst."""
SO_SNDBUFFORCE, SO_RCVBUFFORCE = 32, 33
IP_RECVERR, IPV6_RECVERR, MSG_ERRQUEUE = 11, 25, 0x2000
IP_MTU_DISCOVER, IP_PMTUDISC_PROBE = 10, 3
"""ip(7): packets are never fragmented, so the kernel need not number them."""
IP_UNICAST_IF = 50
"""ip(7): the interface of packets that are neither multicast nor bound to an interface (Linux 3.4)."""
DISCARD_PORT = 9
"""RFC 863. Only used to look up a route; nothing is sent."""
WAYS = ("offload", "sendmmsg", "plain")


def interface_index(interface: str | None, host: str | None = None) -> int:
    """The index of an interface, given by its name or address.

    Without an interface, the index of the one that leads to `host`; 0 if there is none. OSError if no interface has
    that name or address.
    """
    if interface is None:
        interface = source_address(host) if host else None
        if interface is None:
            return 0
    try:
        address = ipaddress.ip_address(interface)
    except ValueError:
        return socket.if_nametoindex(interface)
    index = index_of(address)
    if index is None:
        raise OSError(f"no interface has the address {interface}")
    return index


def source_address(host: str) -> str | None:
    """The source address of packets to a host, by the routing table; None without a route."""
    family = socket.AF_INET6 if is_ipv6(host) else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((host, DISCARD_PORT))
        except OSError:
            return None
        return str(probe.getsockname()[0])


class UdpSender:
    """An IPv4 socket and, if needed, one for IPv6 and one for broadcast, with large buffers. They never wait.

    The sockets are not connected, so that a refusal from one controller never affects another. Only packets for
    `broadcast`, the broadcast address of the interface, are broadcast, and only there. OSError if there is no such
    interface.
    """

    def __init__(
        self,
        interface: str | None,
        host: str | None = None,
        ipv6: bool = False,
        broadcasts: bool = False,
        ttl: int = 20,
        dscp: int = 0,
        loop: bool = False,
        way: str | None = None,
    ) -> None:
        self.interface, self.host = interface, host
        self.index = interface_index(interface, host)
        self.ipv4 = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.ipv6 = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) if ipv6 else None
        self.broadcaster = socket.socket(socket.AF_INET, socket.SOCK_DGRAM) if broadcasts else None
        self.broadcast = self._broadcast()
        self._room_ms = self._tries = 0
        for sock in self._socks():
            sock.setblocking(False)
            _buffer(sock, SO_SNDBUFFORCE, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
            _buffer(sock, SO_RCVBUFFORCE, socket.SO_RCVBUF, ERROR_BUFFER_BYTES)
            if sock.family == socket.AF_INET:
                sock.setsockopt(socket.IPPROTO_IP, socket.IP_TTL, max(ttl, 64))
                sock.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, dscp << 2)
                sock.setsockopt(socket.IPPROTO_IP, IP_RECVERR, 1)
                sock.setsockopt(socket.IPPROTO_IP, IP_MTU_DISCOVER, IP_PMTUDISC_PROBE)
        self.ipv4.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, ttl)
        self.ipv4.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, loop)
        if self.broadcaster:
            self.broadcaster.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        if self.ipv6:
            self.ipv6.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS, ttl)
            self.ipv6.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_TCLASS, dscp << 2)
            self.ipv6.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_LOOP, loop)
            self.ipv6.setsockopt(socket.IPPROTO_IPV6, IPV6_RECVERR, 1)
        self._choose_interface()
        usual = "offload" if self._offload_works() else "sendmmsg" if sendmmsg_works() else "plain"
        self.way = way if way in WAYS else usual

    def _socks(self) -> list[socket.socket]:
        return [sock for sock in (self.ipv4, self.ipv6, self.broadcaster) if sock]

    def close(self) -> None:
        for sock in self._socks():
            sock.close()

    def _choose_interface(self) -> None:
        """Set the interface of multicast and broadcast by its index, so that its address may change.

        An emulated kernel (qemu-user) may lack an option. Packets then follow the routing table.
        """
        if not self.index:
            return
        try:
            self.ipv4.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, self._multicast_request())
            if self.ipv6:
                self.ipv6.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF, self.index)
            if self.broadcaster:
                self.broadcaster.setsockopt(socket.IPPROTO_IP, IP_UNICAST_IF, struct.pack(">I", self.index))
        except OSError as error:
            if error.errno != errno.ENOPROTOOPT:
                raise

    def _broadcast(self) -> str:
        """The broadcast address of the interface: of the network that has our address, else of its first network."""
        own = self.interface or (source_address(self.host) if self.host else None)
        here = [one for index, one in addresses() if index == self.index and isinstance(one, ipaddress.IPv4Interface)]
        here.sort(key=lambda one: str(one.ip) != own)
        return next(filter(None, (broadcast_of(one.network) for one in here)), BROADCAST_ANY)

    def moved(self) -> bool:
        """Whether the interface has another index now (unplugged and plugged in again), or another broadcast address.

        Then make a new sender.
        """
        try:
            if interface_index(self.interface, self.host) not in (0, self.index):
                return True
            return self.broadcaster is not None and self._broadcast() != self.broadcast
        except OSError:
            return False

    def has_source(self, group: str) -> bool:
        """Whether packets to a multicast group have a source address.

        An interface without an address still takes packets. They leave from 0.0.0.0, and no controller receives them.
        """
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, self._multicast_request())
                probe.connect((group, DISCARD_PORT))
            except OSError:  # then packets are refused, which is a trouble of its own
                return True
            return bool(probe.getsockname()[0] != "0.0.0.0")  # the address of a look-up, not of a bind

    def _multicast_request(self) -> bytes:
        return struct.pack("=4s4si", bytes(4), bytes(4), self.index)

    def _offload_works(self) -> bool:
        """Whether the kernel can cut a large datagram into packets (UDP_SEGMENT, Linux 4.18), found by a trial."""
        try:
            for sock in self._socks():
                sock.setsockopt(socket.IPPROTO_UDP, UDP_SEGMENT, 600)
                sock.setsockopt(socket.IPPROTO_UDP, UDP_SEGMENT, 0)
        except OSError:
            return False
        return sendmmsg_works()

    def senders(self, batches: list[SendBatch]) -> list[Bulk | OneByOne]:
        """A sender of the batches for each socket that they need."""
        make = OneByOne if self.way == "plain" else Bulk
        made: list[Bulk | OneByOne] = []
        for sock in self._socks():
            if mine := [batch for batch in batches if self._sock(batch.address) is sock]:
                made.append(make(sock, mine, self.index))
        return made

    def _sock(self, address: str) -> socket.socket | None:
        """The socket for an address."""
        if is_ipv6(address):
            return self.ipv6
        return self.broadcaster if self.broadcaster and address == self.broadcast else self.ipv4

    def new_frame(self) -> None:
        """Reset the wait and the retries for another frame."""
        self._room_ms, self._tries = ROOM_MS, TRIES

    def retry(self, sock: socket.socket, number: int, tries: int) -> bool:
        """Whether to try again after an error of a socket that came `tries` times in a row."""
        if number == errno.EAGAIN:
            return self._room(sock)
        if number in OWN_ERRORS or (number == errno.EACCES and sock.family == socket.AF_INET):  # ICMP has no EACCES
            return False
        if number == errno.EINTR or tries == 1:
            return True
        self._tries -= 1
        return tries < TRIES_EACH and self._tries >= 0

    def _room(self, sock: socket.socket) -> bool:
        """Wait for room in a socket while the frame has time left. Whether to try again."""
        if self._room_ms <= 0:
            return False
        self._room_ms -= 1
        poll = select.poll()
        poll.register(sock, select.POLLOUT)
        poll.poll(1)
        return True

    def refusals(self, hosts: frozenset[str] = frozenset()) -> dict[str, int]:
        """The hosts that refused packets since the last call, with the error's number.

        For an address without an answer the kernel refuses a hundred packets at once, and some refusals are lost. This
        then also looks up all such addresses among `hosts`.
        """
        found: dict[str, int] = {}
        for sock in self._socks():
            for _ in range(REFUSALS_MAX):
                try:
                    _, control, _, to = sock.recvmsg(1, 512, MSG_ERRQUEUE | socket.MSG_DONTWAIT)
                except OSError:  # nothing waits
                    break
                for level, kind, data in control:
                    if (level, kind) in ((socket.IPPROTO_IP, IP_RECVERR), (socket.IPPROTO_IPV6, IPV6_RECVERR)):
                        number, origin = struct.unpack_from("=IB", data)
                        if origin in (2, 3):  # ICMP, ICMPv6
                            found[to[0]] = number
        if errno.EHOSTUNREACH in found.values():
            found = {**dict.fromkeys(_unanswered() & hosts, errno.EHOSTUNREACH), **found}
        return found

    def send_now(self, data: bytes, address: str, port: int) -> bool:
        """Send one packet that may get lost. Whether the kernel took it."""
        if (sock := self._sock(address)) is None:
            return False
        more = (0, self.index) if is_ipv6(address) else ()
        for _ in range(2):  # the first may get the error of another packet
            try:
                sock.sendto(data, (address, port, *more))
            except OSError:
                continue
            return True
        return False


def _buffer(sock: socket.socket, force: int, usual: int, size: int) -> None:
    """Set a buffer's size, or the largest that is allowed."""
    try:
        sock.setsockopt(socket.SOL_SOCKET, force, size)
    except OSError:  # the first needs the right to administer the network
        sock.setsockopt(socket.SOL_SOCKET, usual, size)


def _unanswered() -> set[str]:
    """The IPv4 addresses of the local network without an answer (arp(7): entries without the flag for complete)."""
    try:
        rows = [line.split() for line in Path("/proc/net/arp").read_text().splitlines()[1:]]
    except OSError:  # a kernel without the table
        return set()
    return {row[0] for row in rows if int(row[2], 16) == 0}
