"""The sockets of a setup: options, which way of sending the kernel has, refusals that come back (ICMP)."""

from __future__ import annotations

import errno
import ipaddress
import select
import socket
import struct
from pathlib import Path

from gloaming.daemon.transmitter.bulk import UDP_SEGMENT, Bulk, OneByOne, SendBatch, is_ipv6, sendmmsg_works
from gloaming.shows.interfaces import index_of

SEND_BUFFER_BYTES = 8 << 20
ERROR_BUFFER_BYTES = 128 << 10
REFUSALS_MAX = 500
OWN_ERRORS = {errno.ENOBUFS, errno.EPERM}
"""Errors that only a packet's own way can have."""
TRIES, TRIES_EACH = 400, 100
"""Any other may be the answer to a packet of an earlier frame, told at the next call to whomever; and when a controller
is off, a hundred come one after the other. So often it is tried again, in one frame and for one packet."""
ROOM_MS = 4
"""How long a frame waits for room in a socket, at the most: for a line that is slower than the burst."""
SO_SNDBUFFORCE, SO_RCVBUFFORCE = 32, 33
IP_RECVERR, IPV6_RECVERR, MSG_ERRQUEUE = 11, 25, 0x2000
IP_MTU_DISCOVER, IP_PMTUDISC_PROBE = 10, 3
"""ip(7): packets are never cut up on the way, so the kernel need not make an identification for each."""
DISCARD_PORT = 9
"""RFC 863. A route is looked up to it; nothing is sent."""
WAYS = ("offload", "sendmmsg", "plain")


def interface_index(interface: str | None, host: str | None = None) -> int:
    """The index of an interface given by name or address; without one, of that by which a host is reached (0: unknown).

    OSError where there is no such interface, or none with that address.
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
    """The address from which packets to a host leave, by the routing table; None where there is no way to it."""
    family = socket.AF_INET6 if is_ipv6(host) else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((host, DISCARD_PORT))
        except OSError:
            return None
        return str(probe.getsockname()[0])


class UdpSender:
    """An IPv4 socket, and an IPv6 socket where one is needed: large buffers, no waiting, multicast by the interface.

    Not connected, so that a refusal from one controller never hinders another. OSError where there is no such
    interface.
    """

    def __init__(
        self,
        interface: str | None,
        host: str | None = None,
        ipv6: bool = False,
        ttl: int = 20,
        dscp: int = 0,
        loop: bool = False,
        way: str | None = None,
    ) -> None:
        self.interface, self.host = interface, host
        self.index = interface_index(interface, host)
        self.ipv4 = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.ipv6 = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM) if ipv6 else None
        self._room_ms = self._tries = 0
        for sock in self._socks():
            sock.setblocking(False)
            _buffer(sock, SO_SNDBUFFORCE, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
            _buffer(sock, SO_RCVBUFFORCE, socket.SO_RCVBUF, ERROR_BUFFER_BYTES)
        self.ipv4.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, ttl)
        self.ipv4.setsockopt(socket.IPPROTO_IP, socket.IP_TTL, max(ttl, 64))
        self.ipv4.setsockopt(socket.IPPROTO_IP, socket.IP_TOS, dscp << 2)
        self.ipv4.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, loop)
        self.ipv4.setsockopt(socket.IPPROTO_IP, IP_RECVERR, 1)
        self.ipv4.setsockopt(socket.IPPROTO_IP, IP_MTU_DISCOVER, IP_PMTUDISC_PROBE)
        if self.ipv6:
            self.ipv6.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_HOPS, ttl)
            self.ipv6.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_TCLASS, dscp << 2)
            self.ipv6.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_LOOP, loop)
            self.ipv6.setsockopt(socket.IPPROTO_IPV6, IPV6_RECVERR, 1)
        self._choose_interface()
        usual = "offload" if self._offload_works() else "sendmmsg" if sendmmsg_works() else "plain"
        self.way = way if way in WAYS else usual

    def _socks(self) -> list[socket.socket]:
        return [self.ipv4, *([self.ipv6] if self.ipv6 else [])]

    def close(self) -> None:
        for sock in self._socks():
            sock.close()

    def _choose_interface(self) -> None:
        """By index alone: the source address is then looked up for each packet, and may change.

        An emulated kernel may not know the option (qemu-user): then multicast goes by the routing table.
        """
        if not self.index:
            return
        try:
            self.ipv4.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, self._multicast_request())
            if self.ipv6:
                self.ipv6.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF, self.index)
        except OSError as error:
            if error.errno != errno.ENOPROTOOPT:
                raise

    def moved(self) -> bool:
        """Whether the interface has another index now (taken out, put in again): the sender is to be made anew."""
        try:
            return interface_index(self.interface, self.host) not in (0, self.index)
        except OSError:
            return False

    def has_source(self, group: str) -> bool:
        """Whether packets to a multicast group bear an address of this machine. An interface that has lost its address
        takes them all the same: they come from 0.0.0.0, and nobody receives them."""
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            try:
                probe.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, self._multicast_request())
                probe.connect((group, DISCARD_PORT))
            except OSError:  # then packets are refused, which is told by itself
                return True
            return bool(probe.getsockname()[0] != "0.0.0.0")  # asked for, not bound to

    def _multicast_request(self) -> bytes:
        return struct.pack("=4s4si", bytes(4), bytes(4), self.index)

    def _offload_works(self) -> bool:
        """Whether the kernel cuts one large datagram into packets (UDP_SEGMENT, Linux 4.18), found by trying."""
        try:
            for sock in self._socks():
                sock.setsockopt(socket.IPPROTO_UDP, UDP_SEGMENT, 600)
                sock.setsockopt(socket.IPPROTO_UDP, UDP_SEGMENT, 0)
        except OSError:
            return False
        return sendmmsg_works()

    def senders(self, batches: list[SendBatch]) -> list[Bulk | OneByOne]:
        """What sends batches, for each socket that they need."""
        make = OneByOne if self.way == "plain" else Bulk
        made: list[Bulk | OneByOne] = []
        for sock, ipv6 in ((self.ipv4, False), (self.ipv6, True)):
            mine = [batch for batch in batches if is_ipv6(batch.address) == ipv6]
            if mine and sock:
                made.append(make(sock, mine, self.index))
        return made

    def new_frame(self) -> None:
        """Another frame may wait for room in a socket anew, and try anew."""
        self._room_ms, self._tries = ROOM_MS, TRIES

    def again(self, number: int, tries: int) -> bool:
        """Whether to try once more after an error that came so often in a row."""
        if number == errno.EAGAIN:
            return self._room()
        if number in OWN_ERRORS:
            return False
        if number == errno.EINTR or tries == 1:
            return True
        self._tries -= 1
        return tries < TRIES_EACH and self._tries >= 0

    def _room(self) -> bool:
        """Wait for room in the sockets, within what is left of the frame's patience: whether to try again."""
        if self._room_ms <= 0:
            return False
        self._room_ms -= 1
        poll = select.poll()
        for sock in self._socks():
            poll.register(sock, select.POLLOUT)
        poll.poll(1)
        return True

    def refusals(self, hosts: frozenset[str] = frozenset()) -> dict[str, int]:
        """What has come back since the last call: the hosts that refused packets, with the error's number. Where nobody
        answers for an address the kernel refuses a hundred packets at once, of which only some find room here: then all
        such of `hosts` are looked up."""
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
        """One packet by itself, whose loss is no matter: whether the kernel took it."""
        sock = self.ipv6 if is_ipv6(address) else self.ipv4
        if sock is None:
            return False
        more = (0, self.index) if is_ipv6(address) else ()
        for _ in range(2):  # the first may be told of another packet's refusal
            try:
                sock.sendto(data, (address, port, *more))
            except OSError:
                continue
            return True
        return False


def _buffer(sock: socket.socket, force: int, usual: int, size: int) -> None:
    """A buffer as large as is wanted, or as large as is allowed."""
    try:
        sock.setsockopt(socket.SOL_SOCKET, force, size)
    except OSError:  # only with the right to administer the network
        sock.setsockopt(socket.SOL_SOCKET, usual, size)


def _unanswered() -> set[str]:
    """The IPv4 addresses in the neighbourhood for which nobody answers (arp(7): no flag of a complete entry)."""
    try:
        rows = [line.split() for line in Path("/proc/net/arp").read_text().splitlines()[1:]]
    except OSError:  # a kernel without the table
        return set()
    return {row[0] for row in rows if int(row[2], 16) == 0}
