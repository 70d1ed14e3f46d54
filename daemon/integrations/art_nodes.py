"""Asks Art-Net nodes who they are: by broadcast, and one by one.

Facts of the Art-Net 4 specification come from memory. A process polls no more often than every 2.5 s.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import AsyncIterator, Collection, Iterable, Iterator
from contextlib import ExitStack, asynccontextmanager, suppress
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv4Interface, IPv4Network, ip_address

from gloaming.daemon.integrations.datagrams import reading
from gloaming.daemon.service import packet_filter
from gloaming.daemon.transmitter.udp_sender import source_address
from gloaming.shows.interfaces import BROADCAST_ANY, broadcast_of
from gloaming.shows.protocols.artnet import OP_AT, OP_POLL_REPLY, PORT
from gloaming.shows.protocols.artnet.poll import (
    POLL_S,
    REPLY_S,
    ArtNode,
    PollReply,
    build_poll,
    node_of,
    read_poll_reply,
)

REPLIES_MAX, REPLIES_EACH_MAX = 2000, 255
"""The most replies that are held, and of one address. A bind index has 8 bits."""
IP_PKTINFO = 8
Own = tuple[int, IPv4Interface]
"""An address of this machine with its network, and the index of its interface."""
_last_poll_s = float("-inf")


async def ask_nodes(
    asked: Collection[str], own: Collection[Own], near: Collection[Own], seconds: float, notes: list[str]
) -> Replies:
    """Poll the nodes of the `near` networks by broadcast and those at the `asked` addresses, and collect the replies.

    Those of `asked` that do not answer are polled once more, by unicast. `own` are all addresses of this machine. It
    takes so many seconds, or less: the port is used for a short time.
    """
    replies = Replies(frozenset(asked))
    with ExitStack() as closing:
        sockets = _open_all(closing, own, notes)
        replies.unheard = any(sock.getsockname()[1] != PORT for sock in sockets.values())
        for sock in sockets.values():
            closing.enter_context(reading(sock, replies.take, notes))
        async with _turn():
            reached = _broadcast(near, sockets, notes)
            _poll([one for one in asked if not any(ip_address(one) in network for network in reached)], sockets, notes)
        await asyncio.sleep(min(seconds, POLL_S))
        if seconds >= POLL_S + REPLY_S and (silent := replies.asked - replies.answered):
            async with _turn():
                _poll(silent, sockets, notes)
            await asyncio.sleep(min(seconds - POLL_S, POLL_S))
    return replies


@asynccontextmanager
async def _turn() -> AsyncIterator[None]:
    """Polls are sent within, when the last one of this process was long enough ago."""
    global _last_poll_s
    loop = asyncio.get_running_loop()
    await asyncio.sleep(_last_poll_s + POLL_S - loop.time())
    yield
    _last_poll_s = loop.time()


def _broadcast(near: Collection[Own], sockets: dict[str, socket.socket], notes: list[str]) -> set[IPv4Network]:
    """Poll each network once, by its interface. The networks that were polled."""
    reached: set[IPv4Network] = set()
    for index, one in near:
        sock, address = sockets.get(str(one.ip)), broadcast_of(one.network)
        if sock and address and one.network not in reached:
            by = struct.pack("=i4s4s", index, one.ip.packed, bytes(4))  # ip(7), in_pktinfo
            if _send(sock, address, notes, (socket.IPPROTO_IP, IP_PKTINFO, by)):
                reached.add(one.network)
    return reached


def _poll(addresses: Iterable[str], sockets: dict[str, socket.socket], notes: list[str]) -> None:
    """Poll some nodes, from the addresses that the routing table chooses."""
    for address in sorted(addresses):
        source = source_address(address)
        if source is None:
            notes.append(f"{address} cannot be asked: no route leads there")
        elif ":" in address:
            notes.append(f"{address} cannot be asked: Art-Net has IPv4 addresses alone")
        elif source in sockets:
            _send(sockets[source], address, notes)


def _send(sock: socket.socket, address: str, notes: list[str], *control: tuple[int, int, bytes]) -> bool:
    """Send a poll. Whether that was possible."""
    try:
        sock.sendmsg([build_poll()], control, 0, (address, PORT))
    except OSError as error:
        notes.append(f"{address} cannot be asked ({error.strerror})")
        return False
    return True


def _open_all(closing: ExitStack, own: Collection[Own], notes: list[str]) -> dict[str, socket.socket]:
    """A socket at each IPv4 address of this machine, to poll from, and at each broadcast address: old nodes reply by
    broadcast. They take replies alone.

    No other program loses a packet. All sockets with a broadcast address get its packets, but only one gets those of an
    own address. So the port of an own address is left to a program that has it, also as one of all addresses.
    """
    own_addresses = dict.fromkeys(str(one.ip) for _, one in own)
    broadcasts = [one for one in (broadcast_of(one.network) for _, one in own) if one]
    found: dict[str, socket.socket] = {}
    for address in dict.fromkeys([*broadcasts, BROADCAST_ANY]):
        with suppress(OSError):  # a program has it alone: the note below says so
            found[address] = _open(closing, address, PORT, shared=True)
    taken = []
    for address in own_addresses:
        try:
            found[address] = _open(closing, address, PORT)
        except OSError as error:
            taken.append(f"{address} ({error.strerror})")
            with suppress(OSError):
                found[address] = _open(closing, address, 0)
    if taken:
        notes.append(
            f"UDP port {PORT} is not free at {', '.join(taken)}: of the Art-Net nodes, only those that reply by "
            "broadcast are heard there. If another program has the port, end it and look again."
        )
    return found


def _open(closing: ExitStack, address: str, port: int, shared: bool = False) -> socket.socket:
    """A socket that other programs may share: from the beginning, or after it was the only one."""
    sock = closing.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
    sock.setblocking(False)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, shared)
    packet_filter.take_only(sock, OP_AT, struct.pack("<H", OP_POLL_REPLY))
    sock.bind((address, port))
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    return sock


@dataclass
class Replies:
    """The replies of Art-Net nodes by their senders. There is always room for those at the `asked` addresses."""

    asked: frozenset[str] = frozenset()
    malformed: int = 0
    unheard: bool = False
    """Whether another program has the port of an own address, and so gets the replies by unicast."""
    _held: int = 0
    _left_out: int = 0
    _by_address: dict[str, dict[tuple[int, ...], PollReply]] = field(default_factory=dict)

    @property
    def answered(self) -> frozenset[str]:
        return frozenset(self._by_address)

    def take(self, data: bytes, address: str) -> None:
        """Hold a reply. The last one of a bind index with the same port-addresses counts."""
        reply = read_poll_reply(data)
        if reply is None:
            self.malformed += 1
            return
        of_node = self._by_address.get(address, {})
        key = (reply.bind_index, *(number for number, _ in reply.outputs))
        if key not in of_node:
            if len(of_node) == REPLIES_EACH_MAX or (self._held >= REPLIES_MAX and address not in self.asked):
                self._left_out += 1
                return
            self._held += 1
        self._by_address.setdefault(address, {})[key] = reply

    def nodes(self) -> tuple[ArtNode, ...]:
        """The nodes in the order of their addresses."""
        return tuple(node_of(one, self._by_address[one].values()) for one in sorted(self._by_address, key=IPv4Address))

    def notes(self) -> Iterator[str]:
        """What is odd about the replies."""
        for address, replies in self._by_address.items():
            if other := {reply.address for reply in replies.values()} - {address, "0.0.0.0"}:
                yield f"the Art-Net node at {address} says that its address is {min(other)}"
        if self._left_out:
            yield f"{self._left_out} replies of Art-Net nodes were left out: too many"
