"""Multicast groups of IPv4 and IPv6 over a cable between two namespaces, also for universes that come later."""

from __future__ import annotations

import itertools
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from gloaming.shows.protocols.e131 import DISCOVERY_UNIVERSE
from gloaming.shows.protocols.e131.parse import read
from gloaming.shows.recording.live import Live
from gloaming.shows.recording.receive import Receiver
from gloaming.shows.recording.recorder import Wanted
from gloaming.shows.recording.sockets import Sockets
from tests.daemon.transmitter.process_harness import Street, street
from tests.namespaces import in_namespace
from tests.shows.streams import CID, data, everything, without_stills
from tests.tools import needs

pytestmark = needs("ip")

PATIENCE_S = 30.0


@pytest.fixture(scope="module")
def there() -> Iterator[Street]:
    with street() as two:
        yield two


def group(universe: int, ipv6: bool) -> str:
    """E1.31-2018 9.3.1: 239.255.hi.lo. 9.3.2, by its table of bytes: ff18::8300:hilo."""
    return f"ff18::8300:{universe:x}" if ipv6 else f"239.255.{universe // 256}.{universe % 256}"


def sender(there: Street, ipv6: bool) -> socket.socket:
    def work() -> socket.socket:
        if not ipv6:
            return socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock = socket.socket(socket.AF_INET6, socket.SOCK_DGRAM)
        sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_MULTICAST_IF, socket.if_nametoindex("out0"))
        return sock

    return in_namespace(there.sender, work)


@pytest.mark.parametrize("interface", ["in0", "192.0.2.21", "2001:db8::21", None])
@pytest.mark.parametrize("ipv6", [False, True])
def test_more_groups_than_a_socket_can_join_are_received_and_no_others(
    there: Street, ipv6: bool, interface: str | None
) -> None:
    """Linux allows 20 IPv4 groups for a socket by default (igmp_max_memberships)."""
    universes = [*range(1, 43), 300, 63999]
    sockets = in_namespace(there.receiver, lambda: Sockets(universes, None, interface))
    assert sockets.notes == [] and len(sockets.all) == 3 + 1
    receiver = Receiver(sockets.all)
    heard: list[tuple[int, int]] = []
    try:
        with sender(there, ipv6) as sock:
            for number in itertools.count():  # a cable that has just been plugged in may lose the first
                for universe in (301, *universes):
                    sock.sendto(data(universe, number, [1]), (group(universe, ipv6), 5568))
                if (datagrams := receiver.read(0.1)) is not None:
                    packets = read(datagrams)
                    heard += zip(packets.universe.tolist(), packets.sequence.tolist(), strict=True)
                    receiver.release()
                if {universe for universe, _ in heard} >= set(universes):
                    break
                assert number < 250
    finally:
        receiver.close()
    assert {universe for universe, _ in heard} == set(universes)
    assert len(heard) == len(set(heard))


def test_a_universe_that_is_announced_later_is_joined_and_recorded(there: Street, tmp_path: Path) -> None:
    """E1.31 section 8. The universe is black before it began, and the result is one file."""
    sockets = in_namespace(there.receiver, lambda: Sockets([1, DISCOVERY_UNIVERSE], None, "in0", spare=2))
    receiver = Receiver(sockets.all)
    out = tmp_path / "out.frames"
    live = Live(receiver, out, Wanted(None, "sent"), lambda new: sockets.join(new - {1}))
    levels = np.arange(1, 116, dtype=np.uint8)
    late = 85
    try:
        with sender(there, ipv6=True) as sock:
            begin_s = time.monotonic()
            for number, level in enumerate(levels.tolist()):
                time.sleep(max(0.0, begin_s + number / 40 - time.monotonic()))
                sock.sendto(data(1, number, [level]), (group(1, True), 5568))
                if number == late - 50:
                    announcement = bytes(UniverseDiscoveryPacket(CID, "quay", (1, 300)).getBytes())
                    sock.sendto(announcement, (group(DISCOVERY_UNIVERSE, True), 5568))
                if number >= late:
                    sock.sendto(data(300, number - late, [level]), (group(300, True), 5568))
                live.pump(0.0)
        outcome = live.finish(lambda path: None)
    finally:
        receiver.close()
    frames = everything(outcome.info).reshape(outcome.info.frames, 2, 512)[:, :, 0]
    assert [(one.number, one.slots) for one in outcome.info.universes] == [(1, 512), (300, 512)]
    assert outcome.counts.lost_in_all == 0 and 300 in outcome.counts.began_s
    frames = without_stills(frames)
    assert np.array_equal(frames[:, 0][np.diff(frames[:, 0], prepend=0) != 0], levels)
    begun = np.flatnonzero(frames[:, 1])[0]
    assert (frames[begun:, 1] == frames[begun:, 0]).all() and (levels.tolist().index(frames[begun, 0]) - late) < 40
    assert [one.name for one in tmp_path.iterdir()] == ["out.frames"]
