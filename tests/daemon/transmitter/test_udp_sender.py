"""The sockets of a setup in a network of their own: what is broadcast, where, and what is not.

RFC 919 has the broadcast addresses, socket(7) SO_BROADCAST, ip(7) IP_UNICAST_IF.
"""

from __future__ import annotations

import errno
import select
import socket
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from gloaming.daemon.transmitter.bulk import SendBatch
from gloaming.daemon.transmitter.udp_sender import WAYS, UdpSender
from tests.daemon.transmitter.process_harness import PATIENCE_S, Street, in_namespace, street
from tests.namespaces import inside
from tests.tools import needs

pytestmark = needs("ip")

PORT = 6454
A, ANY = "192.0.2.21", "255.255.255.255"


@pytest.fixture
def there() -> Iterator[Street]:
    with street() as two:
        two.run(two.sender, *["ip", "link", "add", "home0", "type", "veth", "peer", "home1"])
        for name in ("home0", "home1"):
            two.run(two.sender, "ip", "link", "set", name, "up")
        two.run(two.sender, *["ip", "address", "add", "198.51.100.4/24", "dev", "home0"])
        two.run(two.sender, *["ip", "route", "add", "default", "via", "198.51.100.1"])
        yield two


def batch(address: str, data: bytes, host: str = "broadcast", packets: int = 1) -> SendBatch:
    raw = np.frombuffer(data, np.uint8).copy()
    return SendBatch(host, address, PORT, raw, packets, len(data) // packets, (1,))


def send(sender: UdpSender, *batches: SendBatch) -> list[tuple[str, int]]:
    """Send, and return the address and the error's number of those that are refused."""
    sender.new_frame()
    refused = [one for part in sender.senders([*batches]) for one in part.send(sender.retry)]
    return [(one.address, number) for one, number in refused]


def listener(namespace: str, address: str, interface: str) -> socket.socket:
    """A socket that hears what is sent to an address by the cable of one interface."""

    def make() -> socket.socket:
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, interface.encode())
        sock.bind((address, PORT))
        sock.settimeout(PATIENCE_S)
        return sock

    return in_namespace(namespace, make)


@pytest.mark.parametrize("way", WAYS)
def test_broadcast_leaves_by_the_interface_for_its_network(there: Street, way: str) -> None:
    with inside(there.sender):
        sender = UdpSender("out0", broadcasts=True, way=way)
    assert sender.broadcast == "192.0.2.255"
    packets = 3 if way == "offload" else 1
    with listener(there.receiver, sender.broadcast, "in0") as to_all, listener(there.receiver, A, "in0") as to_one:
        both = batch(sender.broadcast, b"all" * packets, packets=packets), batch(A, b"one", A)
        assert send(sender, *both) == []
        assert [to_all.recv(99) for _ in range(packets)] == [b"all"] * packets and to_one.recv(99) == b"one"
    sender.close()


def test_without_an_address_broadcast_still_leaves_by_the_interface_alone(there: Street) -> None:
    """The default route leads elsewhere: into the network of the house."""
    there.run(there.sender, *["ip", "address", "flush", "dev", "out0"])
    with inside(there.sender):
        sender = UdpSender("out0", broadcasts=True)
    assert sender.broadcast == ANY
    with listener(there.receiver, "", "in0") as right, listener(there.sender, "", "home1") as wrong:
        assert send(sender, batch(ANY, b"all")) == []
        assert right.recv(99) == b"all"
        wrong.setblocking(False)
        with pytest.raises(BlockingIOError):
            wrong.recv(99)
    sender.close()


def test_a_network_that_changes_asks_for_another_sender(there: Street) -> None:
    """As DHCP changes it. Without broadcast no other sender is needed."""
    with inside(there.sender):
        sender, plain = UdpSender("out0", broadcasts=True), UdpSender("out0")
        assert not sender.moved() and not plain.moved()
        there.run(there.sender, *["ip", "address", "flush", "dev", "out0"])
        assert sender.moved() and not plain.moved()
        there.run(there.sender, *["ip", "address", "add", "203.0.113.9/25", "dev", "out0"])
        after = UdpSender("out0", broadcasts=True)
        assert after.broadcast == "203.0.113.127" and not after.moved()
        there.run(there.sender, *["ip", "address", "add", "10.0.0.9/8", "dev", "out0"])
        assert not after.moved()
    for one in (sender, plain, after):
        one.close()


@pytest.mark.parametrize(
    ("interface", "host", "broadcast"),
    [
        ("out0", None, "192.0.2.255"),
        ("10.0.0.9", None, "10.255.255.255"),
        (None, "10.1.2.3", "10.255.255.255"),
        (None, A, "192.0.2.255"),
        (None, "2001:db8::21", "192.0.2.255"),
        ("home0", A, "198.51.100.255"),
        ("home1", None, ANY),
        ("home1", None, ANY),
        (None, None, ANY),
    ],
)
def test_the_network_is_that_of_the_interface_or_of_the_first_controller(
    there: Street, interface: str | None, host: str | None, broadcast: str
) -> None:
    """A network of two addresses has no broadcast address (RFC 3021)."""
    there.run(there.sender, *["ip", "address", "add", "10.0.0.9/8", "dev", "out0"])
    there.run(there.sender, "ip", "address", "add", "203.0.113.4/31", "dev", "home1")
    with inside(there.sender):
        sender = UdpSender(interface, host, broadcasts=True)
    assert sender.broadcast == broadcast
    sender.close()


@pytest.mark.parametrize("way", ["sendmmsg", "plain"])
def test_a_host_that_is_a_broadcast_address_is_refused(there: Street, way: str) -> None:
    """Only what is asked for is broadcast. A controller beside it gets its packet."""
    asked: list[Any] = []

    def retry(sock: socket.socket, number: int, tries: int) -> bool:
        asked.append((sock, number, tries))
        return tries < 3

    with inside(there.sender), listener(there.receiver, A, "in0") as controller:
        sender = UdpSender("out0", way=way)
        (part,) = sender.senders([batch("192.0.2.255", b"all", "192.0.2.255"), batch(A, b"one", A)])
        assert [(one.address, number) for one, number in part.send(retry)] == [("192.0.2.255", errno.EACCES)]
        assert asked == [(sender.ipv4, errno.EACCES, tries) for tries in (1, 2, 3)]
        assert controller.recv(99) == b"one"
        sender.new_frame()
        assert not sender.retry(sender.ipv4, errno.EACCES, 1), "it is the error of this packet, not of an earlier one"
        sender.close()


@pytest.mark.parametrize("which", ["ipv4", "broadcaster"])
def test_a_full_socket_is_waited_for_whatever_room_another_has(monkeypatch: pytest.MonkeyPatch, which: str) -> None:
    asked: list[Any] = []

    class Poll:
        def register(self, sock: socket.socket, events: int) -> None:
            asked.append(sock)

        def poll(self, wait_ms: int) -> None: ...

    sender = UdpSender("lo", broadcasts=True)
    monkeypatch.setattr(select, "poll", Poll)
    sender.new_frame()
    assert sender.retry(getattr(sender, which), errno.EAGAIN, 1) and asked == [getattr(sender, which)]
    assert [sender.retry(sender.ipv4, errno.EAGAIN, 1) for _ in range(4)] == [True] * 3 + [False]
    sender.close()
