"""What answers on the network, and what strangers may send."""

from __future__ import annotations

import asyncio
import socket
import struct
import subprocess
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from sacn.messages.universe_discovery import UniverseDiscoveryPacket
from zeroconf import ServiceStateChange
from zeroconf.asyncio import AsyncZeroconf

from gloaming.daemon.integrations import art_nodes, datagrams
from gloaming.daemon.integrations.art_nodes import REPLIES_EACH_MAX, REPLIES_MAX, Replies
from gloaming.daemon.integrations.e131_sources import PAGES_MAX, Sources
from gloaming.daemon.integrations.mdns_names import KINDS, KINDS_MAX, SERVICES_MAX, MdnsName, Search
from gloaming.daemon.integrations.network_look import TURN, NetworkLook, look
from gloaming.shows.protocols.artnet import PORT
from tests.artnet_packets import art_poll_reply
from tests.namespaces import inside
from tests.network_nodes import BROADCAST, Node, cid_of, network_nodes
from tests.tools import needs
from tests.waiting import PATIENCE_S

SO_TIMESTAMPNS = 35
LEFT = Node("192.0.2.21", "left", range(1, 17), receives=range(1, 9), host="left.local")
RIGHT = Node("192.0.2.22", "right", [17, 0x7FFF], receives=[17, 0x7FFF], merges=[0x7FFF], by_broadcast=True)
MAST = Node("192.0.2.23", "mast", [300], says="192.0.2.99")
DESK = Node("192.0.2.24", "desk", universes=[1, 63999], host="desk.local")


async def looked(*addresses: str, interface: str | None = None, seconds: float = 0.3) -> NetworkLook:
    return await look(addresses, interface, art_poll=True, seconds=seconds, at_ns=7)


@contextmanager
def listening(address: str) -> Iterator[socket.socket]:
    """A socket at an address of the port of Art-Net, as other programs open one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        sock.setblocking(False)
        sock.bind((address, PORT))
        yield sock


@pytest.fixture
def quick_polls(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(art_nodes, "POLL_S", 0.3)
    monkeypatch.setattr(art_nodes, "REPLY_S", 0.1)


@contextmanager
def node(address: str, at_ns: list[int] | None = None) -> Iterator[None]:
    """A node on this event loop. `at_ns` gets the kernel's times of its polls."""
    with listening(address) as sock:

        def answer() -> None:
            taken, to = poll_of(sock)
            (at_ns if at_ns is not None else []).append(taken)
            sock.sendto(art_poll_reply(), to)

        asyncio.get_running_loop().add_reader(sock, answer)
        yield
        asyncio.get_running_loop().remove_reader(sock)


def poll_of(sock: socket.socket) -> tuple[int, Any]:
    """When the next poll of a socket arrived, and from where."""
    _, ((_, _, stamp),), _, address = sock.recvmsg(1024, 64)
    seconds, ns = struct.unpack("=qq", stamp)
    return seconds * 1_000_000_000 + ns, address


@needs("ip", "root")
def test_nodes_sources_and_names_answer_beside_the_watch_of_the_transmitter(quick_polls: None) -> None:
    """The watch has the broadcast address. A second interface of the board leads elsewhere."""
    deadline = time.monotonic() + PATIENCE_S
    with network_nodes([LEFT, RIGHT, MAST, DESK]) as board, inside(board), listening(BROADCAST) as watch:
        while True:
            found = asyncio.run(looked("192.0.2.21", "198.51.100.9", seconds=1.5))
            if len(found.nodes) == 3 and found.sources and len(found.names) == 2:
                break
            assert time.monotonic() < deadline, f"only {found}"
        assert watch.recv(1024)[8:10] == b"\0\x20"  # our poll: the watch is not in the way, and hears all
        for words in (
            "link add elsewhere type veth peer name nowhere",
            "address add 192.0.2.11/24 dev elsewhere",
            "link set elsewhere up",
            "link set nowhere up",
        ):
            subprocess.run(["ip", "-n", board, *words.split()], check=True)
        assert asyncio.run(looked(interface="elsewhere")).nodes == ()
    left, right, mast = found.nodes
    assert (left.address, left.name, left.long_name, left.firmware) == (LEFT.address, "left", "left of the quay", "1.0")
    assert (left.port_addresses, left.receives, left.merges) == (tuple(range(1, 17)), tuple(range(1, 9)), ())
    assert (right.address, right.port_addresses, right.merges) == (RIGHT.address, (17, 0x7FFF), (0x7FFF,))
    assert (mast.address, mast.port_addresses, mast.receives) == (MAST.address, (300,), ())
    (desk,) = found.sources
    assert (desk.address, desk.name, desk.cid, desk.universes) == (DESK.address, "desk", str(cid_of(DESK)), (1, 63999))
    assert found.names == tuple(MdnsName(one.host or "", one.address, ("_http._tcp",)) for one in (DESK, LEFT))
    assert found.notes == (
        "198.51.100.9 cannot be asked: no route leads there",
        "the Art-Net node at 192.0.2.23 says that its address is 192.0.2.99",
    )
    assert (found.at_ns, found.malformed) == (7, 0)


def test_another_program_that_has_the_port_gets_all_its_packets(quick_polls: None) -> None:
    """One that allows others on its port, as a recording does, and one that does not. Nodes of a broadcast answer."""

    async def script(shares: bool) -> NetworkLook:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other, ExitStack() as closing:
            other.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, shares)
            other.setblocking(False)
            other.bind(("", PORT))
            sender = closing.enter_context(socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
            sender.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            looking, sent, taken = asyncio.create_task(looked()), 0, 0
            while not looking.done():
                sender.sendto(b"data", ("127.0.0.1", PORT))
                if shares:
                    sender.sendto(art_poll_reply(name=b"old"), ("127.255.255.255", PORT))
                sent += 1
                await asyncio.sleep(0.001)
                with suppress(BlockingIOError):
                    while True:
                        taken += other.recv(1024) == b"data"
            assert taken == sent
            return await looking

    shared, alone = (asyncio.run(asyncio.wait_for(script(shares), PATIENCE_S)) for shares in (True, False))
    assert [one.name for one in shared.nodes] == ["old"] and not alone.nodes
    for found in (shared, alone):
        assert found.unheard
        assert found.notes[0].startswith("UDP port 6454 is not free at 127.0.0.1 (Address already in use): of the Art-")


def test_an_interface_that_is_not_there_is_a_note_and_controllers_are_asked_all_the_same(quick_polls: None) -> None:

    async def script() -> NetworkLook:
        with node("127.0.0.2"):
            while not (found := await looked("127.0.0.2", "::1", interface="quay7")).nodes:
                pass
        return found

    found = asyncio.run(asyncio.wait_for(script(), PATIENCE_S))
    assert [one.address for one in found.nodes] == ["127.0.0.2"]
    assert set(found.notes) == {
        "the network interface quay7 cannot be used (no interface with this name)",
        "::1 cannot be asked: Art-Net has IPv4 addresses alone",
        "the Art-Net node at 127.0.0.2 says that its address is 192.0.2.21",
    }


def test_polls_are_apart_and_only_those_that_do_not_answer_are_asked_again(quick_polls: None) -> None:
    answered: list[int] = []
    silent: list[int] = []
    broadcast: list[int] = []

    async def script() -> None:
        with node("127.0.0.2", answered), listening("127.0.0.3") as deaf, listening("127.255.255.255") as watch:
            while len(broadcast) < 2 or len(silent) < len(answered) + 2:
                for interface in (None, "quay7"):  # the broadcast of the first one is for both
                    await looked("127.0.0.2", "127.0.0.3", interface=interface, seconds=0.5)
                for sock, times in ((deaf, silent), (watch, broadcast)):
                    with suppress(BlockingIOError):
                        while True:
                            times.append(poll_of(sock)[0])

    asyncio.run(asyncio.wait_for(script(), PATIENCE_S))
    for times in (answered, silent, broadcast):
        assert all(later - earlier >= 290_000_000 for earlier, later in pairwise(times))
    assert answered


def test_who_asks_during_a_look_gets_its_answer_or_waits_for_the_end(quick_polls: None) -> None:
    async def script() -> None:
        with node("127.0.0.2"):
            asking = [asyncio.create_task(looked(one)) for one in ("127.0.0.2", "127.0.0.2", "127.0.0.2", "127.0.0.3")]
            await asyncio.sleep(0)
            asking[0].cancel()
            first, same, other = await asyncio.gather(*asking[1:])
            assert first is same is not other

    asyncio.run(asyncio.wait_for(script(), PATIENCE_S))


def test_of_a_flood_a_part_is_read_and_data_for_lights_is_not(
    quick_polls: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(datagrams, "READ_MAX", 20)
    reply, data = art_poll_reply(), b"Art-Net\0" + struct.pack("<H", 0x5000) + bytes(20)

    async def flood(*packets: bytes) -> NetworkLook:
        asking = asyncio.create_task(looked())
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            while not asking.done():
                for packet in packets:
                    sock.sendto(packet, ("127.0.0.1", PORT))
                await asyncio.sleep(0.001)
        return await asking

    async def script() -> None:
        while not (found := await flood(reply[:100], data)).malformed:
            pass
        assert found.malformed == 20 and found.notes[-1].startswith("a flood: of the packets to 127.0.0.1, port 6454")
        found = await flood(data)
        assert (found.nodes, found.notes, found.malformed) == ((), (), 0)

    asyncio.run(asyncio.wait_for(script(), PATIENCE_S))


def test_200_000_mutated_replies_are_counted_and_fill_no_memory() -> None:
    """Of each, half of 16 places have another byte. Half of them are cut short, or too long."""
    random, count, replies = np.random.default_rng(21), 200_000, Replies()
    packet = np.frombuffer(art_poll_reply() + bytes(61), np.uint8)
    packets = np.tile(packet, (count, 1))
    places = random.integers(0, len(packet), (count, 16))
    places[random.random(places.shape) < 0.5] = len(packet) - 1
    packets[np.arange(count)[:, None], places] = random.integers(0, 256, places.shape, np.uint8)
    lengths = np.where(random.random(count) < 0.5, 239, random.integers(0, len(packet) + 1, count)).tolist()
    whole, at = packets.tobytes(), range(0, packets.size, len(packet))
    for number, (start, length) in enumerate(zip(at, lengths, strict=True)):
        replies.take(whole[start : start + length], f"10.0.{number >> 8 & 255}.{number & 255}")
    assert 0 < replies.malformed < count
    nodes = replies.nodes()
    assert 0 < len(nodes) <= REPLIES_MAX and sum(len(one.port_addresses) for one in nodes) <= 4 * REPLIES_MAX
    assert all(number <= 0x7FFF for one in nodes for number in one.port_addresses)
    assert all((one.name + one.long_name + one.report).isprintable() for one in nodes)


def test_a_crowd_of_strangers_leaves_room_for_the_controllers() -> None:
    replies = Replies(frozenset({"192.0.2.21"}))
    for number in range(REPLIES_MAX + 10):
        replies.take(art_poll_reply(), f"10.0.{number >> 8}.{number & 255}")
    for number in range(300):
        replies.take(art_poll_reply(number % 256, sub_net=number // 256), "192.0.2.21")
    assert len(replies.nodes()) == REPLIES_MAX + 1 and "192.0.2.21" in replies.answered
    assert [*replies.notes()][-1] == f"{10 + 300 - REPLIES_EACH_MAX} replies of Art-Net nodes were left out: too many"


def test_the_pages_of_a_source_are_one_source_and_their_number_is_bounded() -> None:
    """The library sacn builds the pages."""
    pages = [((1, 2), 0), ((700, 3), 1), ((1,), 0)]  # the last one takes the place of the first
    sources, cid = Sources(), tuple(range(16))
    for universes, page in pages:
        sources.take(bytes(UniverseDiscoveryPacket(cid, "desk", universes, page, 1).getBytes()), "192.0.2.24")
    (source,) = sources.found()
    assert (source.name, source.universes) == ("desk", (1, 3, 700))
    good = bytes(UniverseDiscoveryPacket(cid, "a\nb\x07\u202e", (0, 5, 9), 9, 9).getBytes())[:-2] + b"\xff\xff"
    for number in range(PAGES_MAX + 9):
        sources.take(good[:22] + struct.pack(">IIII", 0, 0, 0, number) + good[38:], "192.0.2.25")
    sources.take(good[:100], "192.0.2.25")
    assert len(sources.found()) == PAGES_MAX - 1 and sources.malformed == 1
    assert {(one.name, one.universes) for one in sources.found()} == {("desk", (1, 3, 700)), ("ab", (5,))}


def test_only_so_many_kinds_and_services_are_asked_about() -> None:
    async def script() -> None:
        async with AsyncZeroconf(interfaces=["127.0.0.1"]) as zeroconf:
            search = Search(zeroconf.zeroconf)
            search.browse(KINDS)
            for name in ["", "lights", "a.b.c.d.", "\n._tcp.local.", *(f"_k{one}._tcp.local." for one in range(99))]:
                search.changed(zeroconf.zeroconf, KINDS, name, ServiceStateChange.Added)
            for number in range(SERVICES_MAX + 9):
                name = f"{number}._k1._tcp.local."
                search.changed(zeroconf.zeroconf, "_k1._tcp.local.", name, ServiceStateChange.Added)
            assert (len(search.browsers), len(search.services)) == (KINDS_MAX, SERVICES_MAX)
            assert search.names() == ()
            await search.close()

    asyncio.run(asyncio.wait_for(script(), PATIENCE_S))


def test_a_look_waits_for_that_of_another_process(quick_polls: None) -> None:
    async def script() -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as other:
            other.bind(TURN)
            looking = asyncio.create_task(looked(seconds=0.1))
            done, _ = await asyncio.wait([looking], timeout=1)
            assert not done
        await looking

    asyncio.run(asyncio.wait_for(script(), PATIENCE_S))
