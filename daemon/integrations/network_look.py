"""What answers on the network here and now: Art-Net nodes.

A look lasts some seconds. What goes wrong with one of its questions is a note. One process asks once at a time, and
Art-Net nodes not more often than every 2.5 s. Everything that strangers can send is bounded.
"""

from __future__ import annotations

import asyncio
import socket
import struct
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from ipaddress import IPv4Address, IPv4Interface

from gloaming.daemon.service import packet_filter
from gloaming.daemon.transmitter.udp_sender import interface_index, source_address
from gloaming.shows.interfaces import addresses as own_addresses
from gloaming.shows.protocols.artnet import OP_AT, OP_POLL_REPLY, PORT
from gloaming.shows.protocols.artnet.poll import (
    POLL_S,
    REPLY_BYTES_MAX,
    REPLY_S,
    ArtNode,
    PollReply,
    build_poll,
    node_of,
    read_poll_reply,
)

LOOK_S = POLL_S + REPLY_S + 0.5
"""Long enough to ask twice those controllers that did not answer at first."""
LIMITED_BROADCAST = "255.255.255.255"
READ_MAX = 20_000
"""The most packets that a look reads at one address."""
REPLIES_MAX, REPLIES_EACH_MAX = 2000, 255
"""The most replies that a look holds, and of one address. A bind index has 8 bits."""
NOTES_MAX = 20


@dataclass(frozen=True, slots=True)
class E131Source:
    """A source of E1.31 by its universe discovery (ANSI E1.31-2018, section 8). `cid` is the text of a UUID."""

    address: str
    name: str
    cid: str
    universes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class MdnsName:
    """A name that a host announces, as "left.local", with one of its IPv4 addresses.

    `services` are the kinds of its services, as "_http._tcp".
    """

    name: str
    address: str
    services: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NetworkLook:
    """What answered. `notes` say what could not be asked. `malformed` counts packets that cannot be read."""

    at_ns: int
    nodes: tuple[ArtNode, ...]
    sources: tuple[E131Source, ...]
    names: tuple[MdnsName, ...]
    notes: tuple[str, ...]
    malformed: int


@dataclass(frozen=True, slots=True)
class _Asked:
    addresses: frozenset[str]
    interface: str | None
    art_poll: bool
    seconds: float


_running: dict[_Asked, asyncio.Task[NetworkLook]] = {}
_last_poll_s = float("-inf")


async def look(
    addresses: Collection[str], interface: str | None, *, art_poll: bool, seconds: float, at_ns: int
) -> NetworkLook:
    """Look for some seconds. `addresses` are those of the Art-Net controllers: each of them is asked.

    Others are asked by the broadcasts of `interface`, a name or an address; of all interfaces without it. Without
    `art_poll` no node is asked. A caller with the question of a look that runs gets its answer; another one waits.
    """
    question = _Asked(frozenset(addresses), interface, art_poll, seconds)
    while others := [task for asked, task in _running.items() if asked != question]:
        await asyncio.wait(others)
    if question not in _running:
        _running[question] = task = asyncio.create_task(_look(question, at_ns), name="look at the network")
        task.add_done_callback(lambda _: _running.pop(question))
    return await asyncio.shield(_running[question])


async def _look(question: _Asked, at_ns: int) -> NetworkLook:
    notes: list[str] = []
    networks = _networks(question.interface, notes)
    replies = _Replies(question.addresses)
    if question.art_poll:
        await _ask_nodes(question, networks, replies, notes)
    notes += replies.notes()
    if len(notes) > NOTES_MAX:
        notes = [*notes[: NOTES_MAX - 1], f"and {len(notes) - NOTES_MAX + 1} more notes"]
    return NetworkLook(at_ns, replies.nodes(), (), (), tuple(notes), replies.malformed)


def _networks(interface: str | None, notes: list[str]) -> list[IPv4Interface]:
    """The IPv4 addresses of an interface, or of all of them, with their networks."""
    try:
        index = interface_index(interface)
        found = [
            one for at, one in own_addresses() if isinstance(one, IPv4Interface) and (at == index or interface is None)
        ]
    except OSError as error:
        notes.append(f"the network interface {interface or 'list'} cannot be used ({error.strerror or error})")
        return []
    if not found:
        notes.append(f"{interface or 'this machine'} has no IPv4 address, so nothing is asked by broadcast")
    return found


async def _ask_nodes(
    question: _Asked, networks: Collection[IPv4Interface], replies: _Replies, notes: list[str]
) -> None:
    """Poll at once, and the controllers that have not answered again; collect the replies."""
    with ExitStack() as closing:
        sockets = _art_sockets(closing, notes)
        for sock in sockets.values():
            closing.enter_context(_reading(sock, REPLY_BYTES_MAX, replies.take, notes))
        await _poll_turn()
        end_s = asyncio.get_running_loop().time() + question.seconds
        reached = [one for one in networks if _broadcast(one, sockets.get(str(one.ip)), notes)]
        far = [one for one in question.addresses if not any(IPv4Address(one) in near.network for near in reached)]
        _poll(far, sockets, notes)
        while (left_s := end_s - asyncio.get_running_loop().time()) > POLL_S + REPLY_S:
            await _poll_turn()
            _poll(question.addresses - replies.answered, sockets, notes)
        await asyncio.sleep(left_s)


async def _poll_turn() -> None:
    """Wait until the last poll of this process is long enough ago for another one."""
    global _last_poll_s
    loop = asyncio.get_running_loop()
    await asyncio.sleep(_last_poll_s + POLL_S - loop.time())
    _last_poll_s = loop.time()


def _broadcast(network: IPv4Interface, sock: socket.socket | None, notes: list[str]) -> bool:
    """Poll all nodes of a network. Whether that was possible."""
    if sock is None or network.network.prefixlen > 30:  # RFC 3021: such a network has no broadcast address
        return False
    return _send(sock, str(network.network.broadcast_address), notes)


def _poll(addresses: Iterable[str], sockets: dict[str, socket.socket], notes: list[str]) -> None:
    """Poll some nodes, from the addresses that the routing table chooses."""
    for address in sorted(addresses):
        source = source_address(address)
        if source is None:
            notes.append(f"{address} cannot be asked: no route leads there")
        elif source in sockets:  # else a note says that the port is in use
            _send(sockets[source], address, notes)


def _send(sock: socket.socket, address: str, notes: list[str]) -> bool:
    try:
        sock.sendto(build_poll(), (address, PORT))
    except OSError as error:
        notes.append(f"{address} cannot be asked ({error.strerror})")
        return False
    return True


def _art_sockets(closing: ExitStack, notes: list[str]) -> dict[str, socket.socket]:
    """A socket at each IPv4 address of this machine, and at each broadcast address: old nodes reply by broadcast.

    Each takes its packets beside other sockets of the port that allow it.
    """
    found: dict[str, socket.socket] = {}
    own = [one for _, one in own_addresses() if isinstance(one, IPv4Interface)]
    broadcasts = [str(one.network.broadcast_address) for one in own if one.network.prefixlen <= 30]
    closed: list[str] = []
    for address in dict.fromkeys([*(str(one.ip) for one in own), *broadcasts, LIMITED_BROADCAST]):
        sock = closing.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        sock.setblocking(False)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        packet_filter.take_only(sock, OP_AT, struct.pack("<H", OP_POLL_REPLY))  # others send data to this port
        try:
            sock.bind((address, PORT))
        except OSError as error:
            closed.append(address)
            why = error.strerror
        else:
            found[address] = sock
    if closed:
        notes.append(
            f"UDP port {PORT} cannot be used at {', '.join(closed)} ({why}). Nodes are not heard there. If another "
            "program has the port, end it and look again."
        )
    return found


@contextmanager
def _reading(sock: socket.socket, size: int, take: Callable[[bytes, str], None], notes: list[str]) -> Iterator[None]:
    """Give `take` the packets of a socket, each with the address of its sender, up to `READ_MAX` of them."""
    loop, left = asyncio.get_running_loop(), READ_MAX

    def read() -> None:
        nonlocal left
        try:
            data, (address, _) = sock.recvfrom(size)
        except OSError:  # the refusal of a packet of ours, or nothing to read
            return
        take(data, address)
        left -= 1
        if not left:
            loop.remove_reader(sock)
            at, port = sock.getsockname()
            notes.append(f"a flood: the first {READ_MAX} packets to {at}, port {port}, were read, and no more")

    loop.add_reader(sock, read)
    try:
        yield
    finally:
        loop.remove_reader(sock)


@dataclass
class _Replies:
    """The replies of Art-Net nodes by their senders. There is always room for those at the `asked` addresses."""

    asked: frozenset[str]
    malformed: int = 0
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
            yield f"{self._left_out} replies of Art-Net nodes were left out: there were too many"
