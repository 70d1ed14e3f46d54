"""The watch for other sources of Art-Net. Facts of the Art-Net 4 specification come from memory."""

from __future__ import annotations

import json
import random
import socket
from collections.abc import Iterator
from contextlib import suppress
from ipaddress import IPv4Address, IPv4Interface
from pathlib import Path

import pytest
from sacn import DataPacket

from gloaming.daemon.transmitter.others import APART_MAX, SOURCES_MAX, ArtNetSources, as_troubles
from gloaming.daemon.transmitter.watch_sockets import BroadcastSockets, broadcast_addresses
from gloaming.shows.protocols.artnet.parse import read_dmx
from tests.artnet_packets import art_dmx, art_poll, art_poll_reply
from tests.daemon.transmitter.process_harness import (
    PATIENCE_S,
    SECOND_NS,
    Street,
    running_transmitter,
    street,
    universe,
)
from tests.namespaces import in_namespace
from tests.tools import needs
from tests.waiting import wait_until

OFFICE, US, NODE = "192.0.2.7", "192.0.2.1", "192.0.2.21"
BROADCASTS, PORT = ("192.0.2.255", "255.255.255.255"), 6454
OURS = (1, 2, 3, 0x123, 0x7FFF)


def packet(port_address: int) -> bytes:
    return art_dmx(1, 0, port_address, bytes(8))


END = art_dmx(255, 255, OURS[-1], b"the end.")


def test_a_source_on_our_port_addresses_is_named_by_its_address() -> None:
    others = ArtNetSources({0x123: [5], 1: [6, 700], 2: [9]})
    for port_address in (0x123, 1, 3):
        others.heard(SECOND_NS, OFFICE, packet(port_address))
    others.heard(SECOND_NS, "192.0.2.8", packet(3))
    ((subject, text, more, since_ns),) = as_troubles(others.standing(2 * SECOND_NS), "eth0")
    assert (subject, since_ns) == ("192.0.2.7 by Art-Net", SECOND_NS)
    assert text == ("another source, at 192.0.2.7, sends Art-Net on universes 5, 6, 700 (port-addresses 0:0:1, 1:2:3)")
    assert json.loads(json.dumps(more)) == {
        "protocol": "artnet", "cid": None, "name": "", "priority": None, "address": OFFICE,
        "universes": [5, 6, 700], "universe_count": 3,
    }  # fmt: skip


def test_a_source_is_gone_10_s_after_its_last_data() -> None:
    """A node that merges two sources keeps the levels of one that has stopped for 10 s. Unchanged data may come only
    every 4 s."""
    others = ArtNetSources({1: [1], 2: [2]})
    others.heard(0, OFFICE, packet(1))
    others.heard(4 * SECOND_NS, OFFICE, packet(2))
    assert [one.universes for one in others.standing(9 * SECOND_NS)] == [(1, 2)]
    assert [one.universes for one in others.standing(10 * SECOND_NS)] == [(2,)]
    assert not others.standing(14 * SECOND_NS)
    others.heard(15 * SECOND_NS, OFFICE, packet(2))
    assert [one.since_ns for one in others.standing(15 * SECOND_NS)] == [15 * SECOND_NS]


def test_many_sources_are_one_trouble() -> None:
    others = ArtNetSources({number: [number] for number in range(1, 4097)})
    for number in range(2 * SOURCES_MAX):
        others.heard(0, f"192.0.2.{number}", packet(1 + number))
    assert len(others.standing(0)) == SOURCES_MAX > APART_MAX
    ((subject, text, _, _),) = as_troubles(others.standing(0), "eth0")
    assert subject == "eth0" and f"{SOURCES_MAX} other sources send on {SOURCES_MAX} of our universes" in text
    for number in range(1, 4097):
        others.heard(0, "192.0.2.0", packet(number))
    assert len(others.standing(0)[0].text) < 250
    assert len(others.standing(0)[0].as_json()["universes"]) == 16


def test_200000_mutated_packets_disturb_nothing() -> None:
    """ArtDmx, ArtPoll and ArtPollReply with bytes exchanged, cut, repeated or inserted."""
    dice = random.Random(21)
    kinds = [art_dmx(7, 0, 5, bytes(24)), art_poll(), art_poll_reply(address=NODE)]
    others, heard = ArtNetSources({5: [5], 0x105: [6]}), 0
    for number in range(200_000):
        data = bytearray(kinds[number % 3])
        for _ in range(dice.randint(1, 3)):
            at = dice.randrange(len(data)) if data else 0
            match dice.randrange(4):
                case 0:
                    data[at : at + 1] = dice.randbytes(1)
                case 1:
                    del data[at:]
                case 2:
                    data += data[at:]
                case 3:
                    data[at:at] = dice.randbytes(dice.randint(1, 3))
        others.heard(number, OFFICE, bytes(data))
        if found := others.standing(number):
            heard += 1
            assert found[0].universes in ((5,), (6,)) and found[0].text.isprintable()
            others = ArtNetSources(others.universes_of)
    assert 0.05 < heard / 200_000 < 0.3, "those that are still ArtDmx on our port-addresses"
    others.heard(0, OFFICE, packet(5))
    assert [one.universes for one in others.standing(0)] == [(5,)]


LO, ETH, WLAN = 1, 2, 3
HERE = [
    (LO, IPv4Interface("127.0.0.1/8")),
    (ETH, IPv4Interface("2.0.0.5/8")),
    (ETH, IPv4Interface("192.0.2.1/24")),
    (WLAN, IPv4Interface("198.51.100.4/24")),
]
EVERYONE = IPv4Address("255.255.255.255")


@pytest.mark.parametrize(
    ("hosts", "indices", "wanted"),
    [
        pytest.param(
            ["192.0.2.21"], set(), {(ETH, "2.255.255.255"), (ETH, "192.0.2.255")}, id="a controller's network"
        ),
        pytest.param(["198.51.100.9"], set(), {(WLAN, "198.51.100.255")}, id="another one's"),
        pytest.param(["203.0.113.1", "2001:db8::1"], set(), set(), id="a network that only a router reaches"),
        pytest.param([], {WLAN}, {(WLAN, "198.51.100.255")}, id="a controller by broadcast"),
        pytest.param([], {0}, set(), id="a controller by broadcast, no interface"),
    ],
)
def test_the_watch_hears_where_the_controllers_are(
    hosts: list[str], indices: set[int], wanted: set[tuple[int, str]]
) -> None:
    found = broadcast_addresses(HERE, [IPv4Interface(host).ip for host in hosts if ":" not in host], indices)
    there = {index for index, _ in wanted} | indices
    assert found == {(index, IPv4Address(one)) for index, one in wanted} | {(index, EVERYONE) for index in there}


@pytest.mark.parametrize("length", [31, 32])
def test_a_network_without_a_broadcast_address_has_no_socket_on_an_address_of_ours(length: int) -> None:
    """RFC 3021: of two addresses the second is no broadcast address, but a host. Unicast would come there."""
    here = [(ETH, IPv4Interface(f"192.0.2.1/{length}"))]
    assert broadcast_addresses(here, [IPv4Address("192.0.2.1")], set()) == {(ETH, EVERYONE)}


@pytest.fixture(scope="module")
def there() -> Iterator[Street]:
    """And a second cable, of the house."""
    with street(hosts=2) as found:
        cable = ("ip", "link", "add", "house0", "type", "veth", "peer", "house1", "netns", found.receiver)
        found.run(found.sender, *cable)
        for namespace, number in ((found.sender, 0), (found.receiver, 1)):
            found.run(namespace, "ip", "addr", "add", f"198.51.100.{number + 1}/24", "dev", f"house{number}")
            found.run(namespace, "ip", "link", "set", f"house{number}", "up")
        yield found


@pytest.fixture
def socks(there: Street) -> Iterator[BroadcastSockets]:
    """Sockets of a board with a controller at `NODE`."""
    made = BroadcastSockets([NODE], OURS, 0)
    in_namespace(there.sender, made.follow)
    yield made
    made.close()


def sending(namespace: str, address: str, interface: str) -> socket.socket:
    """A socket that may broadcast from an address."""
    sock = in_namespace(namespace, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, interface.encode())
    sock.bind((address, 0))
    return sock


def asking(namespace: str, address: str) -> socket.socket:
    """A socket that waits for the replies of nodes."""
    sock = in_namespace(namespace, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    sock.bind((address, PORT))
    sock.settimeout(PATIENCE_S)
    return sock


def heard_by(socks: BroadcastSockets, ends: int) -> list[tuple[str, int]]:
    """The addresses and port-addresses of what has come, until `END` has come so often."""
    found: list[tuple[str, bytes]] = []

    def read() -> bool:
        for sock in socks:
            with suppress(BlockingIOError):
                while True:
                    data, (address, _) = sock.recvfrom(2048)
                    found.append((address, data))
        return [data for _, data in found].count(END) == ends

    wait_until(read, f"{ends} last packets", PATIENCE_S)
    heads = [(address, read_dmx(data)) for address, data in found if data != END]
    return sorted((address, head.port_address) for address, head in heads if head)


@needs("ip")
def test_the_kernel_takes_art_dmx_of_others_on_our_port_addresses_alone(there: Street, socks: BroadcastSockets) -> None:
    strangers = [0, 4, 0x122, 0x124, 0x301, 0x2301, 0x7FFE]
    with (
        sending(there.receiver, NODE, "in0") as rival,
        sending(there.sender, US, "out0") as ourselves,
        sending(there.receiver, "198.51.100.2", "house1") as house,
    ):
        for to in ("198.51.100.255", BROADCASTS[1]):
            house.sendto(packet(1), (to, PORT))
        for to in BROADCASTS:
            for port_address in sorted([*OURS, *strangers]):
                ourselves.sendto(packet(port_address), (to, PORT))
                rival.sendto(packet(port_address), (to, PORT))
            for data in (art_poll(), art_poll_reply(address=NODE), packet(1)[:15], b"", END):
                rival.sendto(data, (to, PORT))
        assert heard_by(socks, ends=2) == sorted([(NODE, number) for number in OURS] * 2)


@needs("ip")
def test_port_addresses_with_many_gaps_are_heard_too(there: Street) -> None:
    socks = BroadcastSockets([NODE], range(1, 0x7FFF + 1, 2), 0)
    in_namespace(there.sender, socks.follow)
    with sending(there.receiver, NODE, "in0") as rival:
        for port_address in (0, 1, 0x4001):
            rival.sendto(packet(port_address), (BROADCASTS[0], PORT))
        rival.sendto(END, (BROADCASTS[0], PORT))
    assert heard_by(socks, ends=1) == [(NODE, 1), (NODE, 0x4001)]
    socks.close()


@needs("ip")
@pytest.mark.parametrize("address", [US, ""])
def test_a_reply_reaches_the_socket_that_asked_for_it(there: Street, socks: BroadcastSockets, address: str) -> None:
    """Whether that was opened before the sockets of the watch or after them, at an address or at all of them."""
    reply = art_poll_reply(address=NODE)
    with sending(there.receiver, NODE, "in0") as node:
        with asking(there.sender, address) as asker:  # after
            node.sendto(reply, (US, PORT))
            assert asker.recvfrom(2048)[0] == reply
            socks.close()
            in_namespace(there.sender, socks.follow)  # before
            node.sendto(reply, (US, PORT))
            assert asker.recvfrom(2048)[0] == reply
        for to in BROADCASTS:
            node.sendto(END, (to, PORT))
        assert heard_by(socks, ends=2) == []


@needs("ip")
def test_the_sockets_follow_the_addresses_of_this_machine(there: Street, socks: BroadcastSockets) -> None:
    """A new address of our own is no other source, and its network is heard."""
    before = list(socks)
    in_namespace(there.sender, socks.follow)
    assert list(socks) == before, "the same sockets"
    there.run(there.sender, "ip", "addr", "add", "203.0.113.1/24", "dev", "out0")
    there.run(there.receiver, "ip", "addr", "add", "203.0.113.2/24", "dev", "in0")
    in_namespace(there.sender, socks.follow)
    with (
        sending(there.sender, "203.0.113.1", "out0") as ourselves,
        sending(there.receiver, "203.0.113.2", "in0") as rival,
    ):
        for sock in (ourselves, rival):
            sock.sendto(packet(1), ("203.0.113.255", PORT))
        rival.sendto(END, ("203.0.113.255", PORT))
        assert heard_by(socks, ends=1) == [("203.0.113.2", 1)]
    there.run(there.sender, "ip", "addr", "del", "203.0.113.1/24", "dev", "out0")
    in_namespace(there.sender, socks.follow)
    assert len(list(socks)) == len(before)


@needs("ip")
def test_a_port_that_is_taken_is_tried_again(there: Street, socks: BroadcastSockets) -> None:
    socks.close()
    with in_namespace(there.sender, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM)) as other:
        other.bind(("", PORT))  # without SO_REUSEADDR
        in_namespace(there.sender, socks.follow)
        assert not list(socks)
    in_namespace(there.sender, socks.follow)
    assert len(list(socks)) == 2


@needs("ip")
def test_another_source_is_a_trouble_of_the_transmitter(there: Street, tmp_path: Path) -> None:
    """One of E1.31 at the same address is a trouble of its own. A node's reply to the planner is not touched."""
    artnet = {"protocol": "artnet", "port_address": 0x123}
    with (
        running_transmitter(tmp_path, there.sender) as transmitter,
        asking(there.sender, US) as asker,
        sending(there.receiver, NODE, "in0") as rival,
        sending(there.sender, US, "out0") as ourselves,
    ):
        e131 = universe(6, "192.0.2.22", slots=4)
        transmitter.setup([e131], interface="out0")
        transmitter.wait_for("telemetry", lambda said: said["watched"] == 1)
        sockets = Path(f"/proc/{transmitter.process.pid}/net/udp")
        assert sockets.read_text().count(f":{PORT:04X} ") == 1, "without Art-Net controllers that of the planner alone"
        transmitter.setup([universe(5, NODE, slots=4) | artnet, e131], interface="out0")
        transmitter.wait_for("telemetry", lambda said: said["watched"] == 2)
        rival.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(NODE))
        ourselves.sendto(packet(0x123), (BROADCASTS[0], PORT))
        rival.sendto(packet(0x123), (BROADCASTS[0], PORT))
        rival.sendto(bytes(DataPacket(tuple(range(16)), "Harbour office", 6, (1, 2)).getBytes()), ("239.255.0.6", 5568))
        reply = art_poll_reply(address=NODE)
        rival.sendto(reply, (US, PORT))
        said = transmitter.wait_for("telemetry", lambda said: said["other_source_count"] == 2)
        assert [(one["protocol"], one["address"], one["universes"]) for one in said["other_sources"]] == [
            ("e131", NODE, [6]),
            ("artnet", NODE, [5]),
        ]
        for subject in (NODE, f"{NODE} by Art-Net"):
            keys = ("other-source", subject)
            trouble = transmitter.find("trouble", lambda said, keys=keys: (said["kind"], said["subject"]) == keys)
        assert trouble["text"].endswith("sends Art-Net on universe 5 (port-address 1:2:3)")
        assert asker.recvfrom(2048)[0] == reply
        assert transmitter.end()["messages_unread"] == 0
