"""What answers on a quay network: each node in a network namespace of its own, on a bridge with the board.

    NODES = [
        Node("192.0.2.21", "left", range(1, 17), host="left.local"),
        Node("192.0.2.22", "right", [17], receives=[17], by_broadcast=True),
        Node("192.0.2.23", "desk", universes=[1, 2]),
    ]

    with network_nodes(NODES) as board:                    # the namespace of the board, at `BOARD`
        in_namespace(board, ...)                           # or ["ip", "netns", "exec", board, "gloaming", "network"]

    pytestmark = needs("ip", "root")

The library aioartnet answers an ArtPoll: one reply for each port, by broadcast, as old nodes do. It knows of no data:
the bits for `receives` and `merges` are set in what it built. The library sacn builds the discovery of E1.31.
"""

from __future__ import annotations

import asyncio
import socket
import subprocess
import threading
from collections.abc import Collection, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AsyncExitStack, contextmanager
from dataclasses import dataclass
from ipaddress import IPv4Address
from typing import Any
from uuid import UUID

import aioartnet
from sacn.messages.universe_discovery import UniverseDiscoveryPacket
from zeroconf import ServiceInfo
from zeroconf.asyncio import AsyncZeroconf

from tests.namespaces import inside, namespaces
from tests.waiting import wait_until

BOARD, BROADCAST = "192.0.2.10", "192.0.2.255"
DISCOVERY = ("239.255.250.214", 5568)
"""ANSI E1.31-2018, 9.3.1 and appendix A: the group of universe 64214."""
OP_POLL = 0x2000
GOOD_OUTPUT_AT, NET_AT, SUB_NET_AT, UNIVERSE_AT = 182, 18, 19, 190
RECEIVES, MERGES = 0x80, 0x08
HTTP = "_http._tcp.local."


@dataclass(frozen=True)
class Node:
    """An Art-Net node by its outputs, which sends `universes` by E1.31 and has a page at `host` by mDNS.

    `says` is the address that it says it has, if that is another one. Without `port_addresses` it answers no poll.
    """

    address: str
    name: str
    port_addresses: Collection[int] = ()
    receives: Collection[int] = ()
    merges: Collection[int] = ()
    says: str | None = None
    by_broadcast: bool = False
    universes: Collection[int] = ()
    host: str | None = None


def cid_of(node: Node) -> UUID:
    """The CID of a node that sends universes."""
    return UUID(int=int(IPv4Address(node.address)))


class _Transport:
    """Sends the replies that the library builds: to whoever asked, or by broadcast."""

    def __init__(self, node: Node, transport: Any) -> None:
        self._node, self._transport = node, transport
        self.asked_by: tuple[str, int] | None = None

    def sendto(self, data: bytes, addr: tuple[str, int]) -> None:
        packet = bytearray(data)
        number = packet[NET_AT] << 8 | packet[SUB_NET_AT] << 4 | packet[UNIVERSE_AT]
        packet[GOOD_OUTPUT_AT] |= RECEIVES * (number in self._node.receives) | MERGES * (number in self._node.merges)
        self._transport.sendto(bytes(packet), addr if self._node.by_broadcast else self.asked_by)


async def _answer_polls(node: Node, ending: AsyncExitStack) -> None:
    client = aioartnet.ArtNetClient(passive=True, portName=node.name)
    client.longName = f"{node.name} of the quay"
    client.unicast_ip, client.broadcast_ip = node.says or node.address, BROADCAST
    for number in node.port_addresses:
        client.set_port_config(number, is_output=True)
    transport = await client.connect()
    ending.callback(transport.close)
    protocol = client.protocol
    assert protocol
    protocol.transport = answers = _Transport(node, transport)
    answer = protocol.handlers[OP_POLL]

    def polled(address: tuple[str, int], data: bytes) -> None:
        answers.asked_by = address
        answer(address, data)

    protocol.handlers[OP_POLL] = polled


async def _announce_universes(node: Node, sock: socket.socket) -> None:
    """Each second, so that nobody waits for ten."""
    packet = UniverseDiscoveryPacket(tuple(cid_of(node).bytes), node.name, tuple(node.universes))
    while True:
        sock.sendto(bytes(packet.getBytes()), DISCOVERY)
        await asyncio.sleep(1)


async def _begin(node: Node, ending: AsyncExitStack) -> None:
    """Let a node answer and announce on the network of this thread, until `ending` is closed."""
    if node.port_addresses:
        await _answer_polls(node, ending)
    if node.universes:
        sock = ending.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        sock.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(node.address))
        ending.callback(asyncio.create_task(_announce_universes(node, sock)).cancel)
    if node.host:
        zeroconf = await ending.enter_async_context(AsyncZeroconf(interfaces=[node.address]))
        page = f"{node.name}.{HTTP}"
        info = ServiceInfo(HTTP, page, port=80, parsed_addresses=[node.address], server=f"{node.host}.")
        await zeroconf.async_register_service(info, cooperating_responders=True)


@contextmanager
def network_nodes(nodes: Sequence[Node]) -> Iterator[str]:
    """The namespace of the board, while the nodes answer."""
    begun, over = threading.Event(), threading.Event()

    async def stand(names: Sequence[str]) -> None:
        async with AsyncExitStack() as ending:
            for node, name in zip(nodes, names, strict=True):
                with inside(name):
                    await _begin(node, ending)
            begun.set()
            await asyncio.to_thread(over.wait)

    with namespaces("board", *(f"node{number}" for number in range(len(nodes)))) as (board, *names):
        _connect(board, {name: node.address for node, name in zip(nodes, names, strict=True)})
        with ThreadPoolExecutor(1) as thread:
            standing = thread.submit(lambda: asyncio.run(stand(names)))
            try:
                wait_until(lambda: begun.is_set() or standing.done(), "nodes")
                yield board
            finally:
                over.set()
                standing.result()


def _connect(board: str, addresses: dict[str, str]) -> None:
    """A bridge in the board's namespace, and a cable from it to each node."""
    words = ["link add bridge type bridge", f"address add {BOARD}/24 dev bridge", "link set bridge up"]
    for number, name in enumerate(addresses):
        words += [f"link add port{number} type veth peer name eth0 netns {name}"]
        words += [f"link set port{number} master bridge up"]
    for line in words:
        subprocess.run(["ip", "-n", board, *line.split()], check=True)
    for name, address in addresses.items():
        for line in (f"address add {address}/24 dev eth0", "link set eth0 up"):
            subprocess.run(["ip", "-n", name, *line.split()], check=True)
