"""Faults of the network and the disk: frames stay on time, other controllers get theirs, sending resumes by itself, and
each trouble is reported once. The tests use network namespaces of their own."""

from __future__ import annotations

import socket
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.daemon.transmitter.process_harness import (
    PORT,
    SECOND_NS,
    PacketListener,
    Street,
    TransmitterProcess,
    listening,
    moving,
    running_transmitter,
    segment,
    street,
    universe,
    write_frames,
)
from tests.daemon.transmitter.stalling_disk import stalling_disk
from tests.namespaces import in_namespace
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip")

HOSTS = [f"192.0.2.{21 + number}" for number in range(20)]


@pytest.fixture
def there() -> Iterator[Street]:
    with street(hosts=20) as two:
        yield two


@pytest.fixture(scope="module")
def film(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Ten seconds of noise: 4 MB."""
    frames = np.random.default_rng(5).integers(1, 256, (400, 20 * 500), np.uint8)
    return write_frames(tmp_path_factory.mktemp("pieces") / "film.frames", frames, slots=500)


def play(transmitter: TransmitterProcess, film: Path, frames: int = 400, **setup: Any) -> None:
    """Play a film repeatedly on twenty controllers with a universe each."""
    universes = [universe(number + 1, host, slots=500) for number, host in enumerate(HOSTS)]
    transmitter.setup(setup.pop("universes", universes), interface="out0", **setup)
    transmitter.dark()
    now = time.time_ns()
    transmitter.score(segment(now, now + 600 * SECOND_NS, **moving(film, frames)))
    transmitter.wait_for("telemetry", lambda said: said["frames_sent"] > 10)


def troubles(transmitter: TransmitterProcess) -> Counter[tuple[str, str, bool]]:
    return Counter((one["kind"], one["subject"], one["over"]) for one in transmitter.heard if one["op"] == "trouble")


def frames_go_on(transmitter: TransmitterProcess) -> None:
    """Frames were due and sent at their instants in spite of the fault. A busy machine may drop some."""
    last = transmitter.wait_for("telemetry")
    assert last["frames_due"] == last["frames_sent"] + last["frames_dropped"]
    assert last["frames_dropped"] <= last["frames_due"] // 10


def lost(listener: PacketListener, but: tuple[str, ...] = ()) -> int:
    """The number of packets that did not reach the controllers (without those in `but`), by sequence numbers."""
    by_host: dict[str, list[int]] = defaultdict(list)
    for one in listener.data():
        by_host[one.host].append(one.data[111])
    assert sorted(by_host) == sorted(host for host in HOSTS if host not in but)
    return sum(((after - before) & 0xFF) - 1 for numbers in by_host.values() for before, after in pairwise(numbers))


def test_an_interface_that_goes_down_and_comes_up_again(there: Street, film: Path, tmp_path: Path) -> None:
    """The packets then come from its new address. One trouble is reported for all twenty controllers."""
    with (
        listening(*HOSTS, namespace=there.receiver) as listener,
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        play(transmitter, film)
        there.run(there.sender, "ip", "link", "set", "out0", "down")
        assert "of the 20 controllers" in transmitter.wait_for("trouble")["text"]
        before = transmitter.wait_for("telemetry", lambda said: said["send_errors"] > 100)
        there.run(there.sender, "ip", "addr", "flush", "dev", "out0")
        there.run(there.sender, "ip", "addr", "add", "192.0.2.9/24", "dev", "out0")
        there.run(there.sender, "ip", "link", "set", "out0", "up")
        transmitter.wait_for("telemetry", lambda said: said["packets_sent"] > before["packets_sent"] + 400)
        frames_go_on(transmitter)
        assert set(troubles(transmitter)) <= {("network", "out0", False), ("network", "out0", True)}
        listener.wait_until(lambda heard: len({one.host for one in heard[-100:] if one.source == "192.0.2.9"}) == 20)


@needs("sysctl")
def test_a_cable_that_is_out_at_the_far_end(there: Street, film: Path, tmp_path: Path) -> None:
    """There is no carrier, and no address answers: one trouble for all controllers."""
    with (
        listening(*HOSTS, namespace=there.receiver) as listener,
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        there.run(there.sender, "sysctl", "-qw", "net.ipv4.neigh.out0.retrans_time_ms=100")  # else seconds
        play(transmitter, film)
        there.run(there.receiver, "ip", "link", "set", "in0", "down")
        said = transmitter.wait_for("trouble")
        assert said["subject"] == "out0" and "of the 20 controllers" in said["text"]
        transmitter.wait_for("telemetry")
        transmitter.wait_for("telemetry")
        heard = len(listener.heard)
        there.run(there.receiver, "ip", "link", "set", "in0", "up")
        listener.wait_until(lambda all_: len({one.host for one in all_[heard:]}) == 20)
        frames_go_on(transmitter)
        assert set(troubles(transmitter)) <= {("network", "out0", False), ("network", "out0", True)}


def test_an_interface_that_is_unplugged_and_plugged_in_again(there: Street, film: Path, tmp_path: Path) -> None:
    with running_transmitter(tmp_path, there.sender) as transmitter:
        play(transmitter, film, universes=[universe(3, multicast=True, slots=2)])
        there.run(there.sender, "ip", "link", "del", "out0")
        transmitter.wait_for("trouble", lambda said: (said["kind"], said["subject"]) == ("network", "multicast"))
        there.run(there.sender, "ip", "link", "add", "out0", "type", "veth", "peer", "in0", "netns", there.receiver)
        there.run(there.receiver, "ip", "addr", "add", "192.0.2.21/24", "dev", "in0")
        there.run(there.receiver, "ip", "link", "set", "in0", "up")
        there.run(there.sender, "ip", "addr", "add", "192.0.2.1/24", "dev", "out0")
        there.run(there.sender, "ip", "link", "set", "out0", "up")
        with listening("239.255.0.3", namespace=there.receiver, interface="in0") as listener:
            listener.wait_until(lambda heard: len(heard) > 40)
        frames_go_on(transmitter)


@needs("sysctl")
@pytest.mark.parametrize("interface", ["out0", None])
def test_multicast_from_an_interface_without_an_address_is_reported(
    there: Street, tmp_path: Path, interface: str | None
) -> None:
    """The kernel refuses nothing and sends the packets from 0.0.0.0. No receiver takes them."""
    address = "192.0.2.1/24"
    with (
        listening("239.255.0.3", namespace=there.receiver, interface="in0") as listener,
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        transmitter.setup([universe(3, multicast=True, slots=2)], interface=interface)
        listener.wait_until(bool)
        assert troubles(transmitter) == {}
        there.run(there.sender, "sysctl", "-qw", "net.ipv4.conf.out0.promote_secondaries=0")
        there.run(there.sender, "ip", "address", "del", address, "dev", "out0")
        there.run(there.sender, "ip", "route", "replace", "239.0.0.0/8", "dev", "out0")
        gone_s = time.monotonic()
        said = transmitter.wait_for("trouble", lambda one: one["subject"] == "multicast")
        print(f"reported after {time.monotonic() - gone_s:.1f} s")
        assert "0.0.0.0" in said["text"] and "no IPv4 address" in said["text"]
        there.run(there.sender, "ip", "address", "add", address, "dev", "out0")
        transmitter.wait_for("trouble", lambda one: one["subject"] == "multicast" and one["over"])


def test_an_interface_that_is_not_there_yet(there: Street, tmp_path: Path) -> None:
    with running_transmitter(tmp_path, there.sender) as transmitter:
        transmitter.setup([universe(3, multicast=True, slots=2)], interface="out7")
        assert transmitter.wait_for("trouble")["subject"] == "out7"
        there.run(there.sender, "ip", "link", "set", "out0", "down")
        there.run(there.sender, "ip", "link", "set", "out0", "name", "out7")
        there.run(there.sender, "ip", "link", "set", "out7", "up")
        with listening("239.255.0.3", namespace=there.receiver, interface="in0") as listener:
            listener.wait_until(bool)
        assert troubles(transmitter) == {("network", "out7", False): 1}


def test_an_interface_can_be_named_by_its_second_address(there: Street, tmp_path: Path) -> None:
    there.run(there.sender, "ip", "address", "add", "203.0.113.1/24", "dev", "out0")
    with running_transmitter(tmp_path, there.sender) as transmitter:
        transmitter.setup([universe(3, multicast=True, slots=2)], interface="203.0.113.1")
        with listening("239.255.0.3", namespace=there.receiver, interface="in0") as listener:
            listener.wait_until(bool)
        assert troubles(transmitter) == {}


@needs("nft")
def test_one_controller_is_firewalled_one_refuses_and_one_never_reads(
    there: Street, film: Path, tmp_path: Path
) -> None:
    """EPERM of a firewall, and ICMP port unreachable, which the kernel reports at the next send to any host. No other
    controller may miss a packet."""
    walled, refusing, full = HOSTS[7], HOSTS[4], HOSTS[5]
    rules = "add table ip wall; add chain ip wall out { type filter hook output priority 0; };"
    never = in_namespace(there.receiver, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
    never.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    never.bind((full, PORT))
    heard_of = [host for host in HOSTS if host not in (refusing, full)]
    with (
        never,
        listening(*heard_of, namespace=there.receiver) as listener,
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        universes = [universe(number + 1, host, slots=500) for number, host in enumerate(HOSTS)]
        universes += [universe(number, refusing, slots=500) for number in range(21, 80)]  # sixty refusals in a row
        play(transmitter, film, universes=universes)
        assert "refused" in transmitter.find("trouble", lambda said: said["subject"] == refusing)["text"]
        there.run(there.sender, "nft", f"{rules} add rule ip wall out ip daddr {walled} udp dport {PORT} drop")
        assert "not permitted" in transmitter.wait_for("trouble", lambda said: said["subject"] == walled)["text"]
        errors = transmitter.wait_for("telemetry", lambda said: said["send_errors"] > 20)
        assert {one["host"] for one in errors["controllers"] if one["errors"]} == {walled}
        there.run(there.sender, "nft", "delete table ip wall")
        transmitter.wait_for("trouble", lambda said: said["over"])
        frames_go_on(transmitter)
        last = transmitter.end()
        once = {("network", walled, False): 1, ("network", walled, True): 1, ("network", refusing, False): 1}
        assert troubles(transmitter) == once
    assert lost(listener, but=(refusing, full)) == last["send_errors"]


@needs("tc")
def test_a_queue_that_is_full(there: Street, film: Path, tmp_path: Path) -> None:
    """ENOBUFS: a link of 200 kbit/s is too slow."""
    with running_transmitter(tmp_path, there.sender) as transmitter:
        play(transmitter, film)
        there.run(
            there.sender,
            *["tc", "qdisc", "add", "dev", "out0", "root", "tbf", "rate", "200kbit", "burst", "2kb", "limit", "3kb"],
        )
        said = transmitter.wait_for("trouble")
        assert said["kind"] == "network" and "buffer space" in said["text"]
        transmitter.wait_for("telemetry", lambda said: said["send_errors"] > 20)
        before = transmitter.wait_for("telemetry")
        there.run(there.sender, "sh", "-c", "tc qdisc del dev out0 root")
        transmitter.wait_for("telemetry", lambda said: said["packets_sent"] > before["packets_sent"] + 800)
        frames_go_on(transmitter)
        assert all(count == 1 for count in troubles(transmitter).values())


def test_a_disk_that_stalls_for_three_seconds_delays_no_frame(there: Street, film: Path, tmp_path: Path) -> None:
    """The read-ahead of five seconds lasts longer."""
    with (
        stalling_disk(film.parent, tmp_path / "disk") as disk,
        listening(*HOSTS, namespace=there.receiver),
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        play(transmitter, disk.mounted / film.name)
        transmitter.wait_for("telemetry", lambda said: said["frames_sent"] > 40)
        disk.stall()
        time.sleep(3)
        reads = disk.reads
        disk.go_on()
        wait_until(lambda: disk.reads > reads, "something that had to be read after the stall")
        assert transmitter.wait_for("telemetry")["frames_unread"] == 0 and not troubles(transmitter)


def test_a_disk_that_stalls_too_long_freezes_the_piece_and_nothing_else(
    there: Street, film: Path, tmp_path: Path
) -> None:
    """A rig of 800 universes is read ahead by about a second. The last frame stays, with keep-alive packets. Dropped
    frames are counted and reported once. A piece on another disk plays at once."""
    big = tmp_path / "big"
    big.mkdir()
    noise = np.random.default_rng(6).integers(0, 256, (160, 800 * 250), np.uint8)
    path = write_frames(big / "big.frames", noise, slots=250)
    universes = [universe(number, HOSTS[0], slots=250) for number in range(1, 801)]
    with (
        stalling_disk(big, tmp_path / "disk") as disk,
        listening(HOSTS[0], namespace=there.receiver) as listener,
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        play(transmitter, disk.mounted / path.name, 160, universes=universes)
        disk.stall()
        said = transmitter.find("trouble")
        assert (said["kind"], said["piece"]) == ("disk", "big") and said["subject"].endswith("big.frames")
        frozen = transmitter.wait_for("telemetry")
        heard = len(listener.heard)
        listener.wait_until(lambda all_: len(all_) >= heard + 800)  # kept alive
        now = time.time_ns()
        pause = [segment(now, now + SECOND_NS, (1.0, 0.0), **moving(disk.mounted / path.name, 160))]
        pause.append(segment(now + SECOND_NS, now + 600 * SECOND_NS, (0.0, 0.0), look=1))
        transmitter.score(*pause, id=2)
        listener.wait_until(lambda all_: any(0 < max(one.slots) < 200 for one in all_[heard:]))  # the held frame fades
        listener.wait_until(lambda all_: not any(any(one.slots) for one in all_[-800:]))
        now = time.time_ns()
        transmitter.score(segment(now, now + 600 * SECOND_NS, **moving(film, 400)), id=3)
        transmitter.wait_for("telemetry", lambda said: said["piece"] == "film" and said["frame"] > 5)
        disk.go_on()
        now = time.time_ns()
        transmitter.score(segment(now, now + 600 * SECOND_NS, **moving(disk.mounted / path.name, 160)), id=4)
        last = transmitter.wait_for("telemetry", lambda said: said["piece"] == "big" and said["frame"] is not None)
        assert last["frames_due"] == last["frames_sent"] + last["frames_dropped"]
        assert last["frames_sent"] > frozen["frames_sent"]
        kinds = Counter(one["kind"] for one in transmitter.heard if one["op"] == "trouble" and not one["over"])
        assert kinds == {"disk": 1}
