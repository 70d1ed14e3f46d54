"""Receiving: sockets, the ring between two processes, and a wall clock that is set meanwhile."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator

import numpy as np
import pytest

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.protocols.artnet.parse import ArtNetReader
from gloaming.shows.protocols.e131.parse import read
from gloaming.shows.recording import receive
from gloaming.shows.recording.receive import Receiver
from gloaming.shows.recording.sockets import Sockets
from tests.artnet_packets import art_dmx
from tests.shows.streams import data

ADDRESS = "127.0.55.40"
HOUR_NS = 3_600_000_000_000
PATIENCE_S = 30.0


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    sockets = Sockets([1], ADDRESS, None)
    assert sockets.notes == []
    receiver = Receiver(sockets.all)
    yield receiver
    receiver.close()


def hear(receiver: Receiver, count: int) -> list[tuple[int, int, int]]:
    """Receive `count` packets: universe, sequence number, time."""
    heard: list[tuple[int, int, int]] = []
    deadline = time.monotonic() + PATIENCE_S
    while len(heard) < count and time.monotonic() < deadline:
        if (datagrams := receiver.read(0.01)) is not None:
            packets = read(datagrams)
            heard += zip(packets.universe, packets.sequence, packets.at_ns, strict=True)
            receiver.release()
    return heard


def test_packets_are_received_with_their_time(receiver: Receiver) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        before_ns = time.monotonic_ns()
        for number in range(300):
            sender.sendto(data(7, number, [number % 256]), (ADDRESS, 5568))
        after_ns = time.monotonic_ns()
        heard = hear(receiver, 300)
    assert [one[:2] for one in heard] == [(7, number % 256) for number in range(300)]
    times = [one[2] for one in heard]
    assert times == sorted(times) and receiver.dropped == 0
    slack_ns = 50_000_000  # the two clocks are not read in the same instant
    assert before_ns - slack_ns < times[0] and times[-1] < after_ns + slack_ns


@pytest.mark.parametrize("to", ["127.255.255.255", ADDRESS])
def test_art_net_is_received_by_broadcast_and_unicast_with_its_sender(to: str) -> None:
    receiver, reader = Receiver(Sockets((), None, "lo", reader=ArtNetReader()).all), ArtNetReader()
    deadline, found = time.monotonic() + PATIENCE_S, set()
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            sender.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            sender.bind(("127.0.55.41", 0))
            sender.sendto(art_dmx(1, 0, 7, bytes(512)), (to, 6454))
        while not found and time.monotonic() < deadline:
            if (datagrams := receiver.read(0.01)) is not None:
                packets = reader.read(datagrams)
                found = {(packets.universe[0], packets.slots[0], reader.source_text(packets, 0))}
                receiver.release()
    finally:
        receiver.close()
    assert found == {(7, 512, "127.0.55.41")}


def test_the_ring_is_used_again_and_again(receiver: Receiver) -> None:
    rounds, each = 115, 300  # more than the ring holds, but each round fits the usual buffer
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        packet = data(7, 0, [1])
        for _ in range(rounds):
            for _ in range(each):
                sender.sendto(packet, (ADDRESS, 5568))
            assert len(hear(receiver, each)) == each
    assert rounds * each > receive.SLOTS and receiver.dropped == 0


def test_waiting_packets_are_read_at_the_end(receiver: Receiver) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
        for number in range(50):
            sender.sendto(data(7, number, [1]), (ADDRESS, 5568))
    receiver.stop()
    heard = 0
    with pytest.raises(EOFError):
        while True:
            if (datagrams := receiver.read(PATIENCE_S)) is not None:
                heard += len(datagrams.starts)
                receiver.release()
    assert heard == 50


@pytest.mark.parametrize("step_ns", [HOUR_NS, -HOUR_NS])
def test_a_wall_clock_that_is_set_moves_no_packet(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch, step_ns: int
) -> None:
    """Some packets have times from before the step, some from after. All are read after it."""
    now_ns, offset_ns = receiver._fetched_ns + 100_000_000, receiver._offset_ns
    monkeypatch.setattr(receive, "_clocks", lambda: (offset_ns - step_ns, now_ns))
    due = now_ns - np.array([30_000_000, 20_000_000, 10_000_000])
    walls = due - offset_ns + np.array([0, 0, step_ns])
    assert receiver._monotonic(walls).tolist() == due.tolist()


def test_an_address_of_another_machine_is_refused() -> None:
    with pytest.raises(InputError, match=r"not possible to listen at 192\.0\.2\.200, port 5568"):
        Sockets([1], "192.0.2.200", None)
    with pytest.raises(InputError, match="there is no interface 'quay7'"):
        Sockets([1], None, "quay7")
    with pytest.raises(InputError, match="no interface has the address 2001:db8::77"):
        Sockets([1], None, "2001:db8::77")
