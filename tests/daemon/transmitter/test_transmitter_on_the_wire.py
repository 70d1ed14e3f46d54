"""A transmitter process on the wire: its packets read by independent receivers, its frames byte for byte.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

import signal
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import ExitStack
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from uuid import UUID, uuid4

import numpy as np
import pytest
from sacn import DataPacket

from tests.daemon.transmitter.process_harness import (
    CID,
    SECOND_NS,
    Street,
    listening,
    moving,
    running_transmitter,
    segment,
    street,
    universe,
    write_frames,
)
from tests.places import MOVING_PICTURE
from tests.tools import needs

PICTURE = np.load(MOVING_PICTURE)


@pytest.fixture(scope="module")
def there() -> Iterator[Street]:
    with street(hosts=3) as two:
        yield two


@needs("ip")
def test_frames_arrive_byte_for_byte_by_all_three_ways_and_all_kinds_of_address(there: Street, tmp_path: Path) -> None:
    """The reference is an open film's pictures (tests/reference/moving-picture-64x32-25fps.txt); the sequence wraps.
    Unicast and multicast, by IPv4 and IPv6, at once. Each way has universes and groups of its own."""
    ways = {"offload": 1, "sendmmsg": 257, "plain": 63_987}
    hosts: dict[str, list[str]] = {}
    for last, (way, first) in enumerate(ways.items(), start=21):
        numbers = range(first, first + 13)
        hosts[way] = [f"192.0.2.{last}", f"2001:db8::{last}"]
        hosts[way] += [f"239.255.{number >> 8}.{number & 0xFF}" for number in numbers]  # 9.3.1
        hosts[way] += [f"ff18::8300:{number:x}" for number in numbers]  # 9.3.2
        if last > 21:
            there.run(there.receiver, "ip", "-6", "addr", "add", f"2001:db8::{last}/64", "dev", "in0", "nodad")
    everywhere = [host for of_one in hosts.values() for host in of_one]
    with ExitStack() as stack:
        listener = stack.enter_context(listening(*everywhere, namespace=there.receiver, interface="in0"))
        transmitters = {way: stack.enter_context(running_transmitter(tmp_path, there.sender)) for way in ways}
        for way, transmitter in transmitters.items():
            sizes = enumerate([510] * 12 + [24], start=ways[way])
            to = [universe(number, *hosts[way][:2], slots=size, multicast="both") for number, size in sizes]
            transmitter.setup(to, interface="out0", wire=way, sequence_from=200)
            assert transmitter.wait_for("hello", lambda hello: hello["wire"] is not None)["wire"] == way
            transmitter.dark()
            write_frames(tmp_path / f"{way}.frames", PICTURE, Fraction(25), first=ways[way])
        begin = time.time_ns() + SECOND_NS
        for way, transmitter in transmitters.items():
            film = moving(tmp_path / f"{way}.frames", 132, (25, 1))
            transmitter.score(segment(begin, begin + 132 * SECOND_NS // 25, **film))
        for transmitter in transmitters.values():
            transmitter.wait_for("telemetry", lambda said: said["frames_due"] >= 132)
        ends = {way: transmitter.end() for way, transmitter in transmitters.items()}
    came: dict[tuple[str, int], list[bytes]] = defaultdict(list)
    for one in listener.data():
        came[one.host, one.universe].append(one.data)
    for way, first in ways.items():
        assert ends[way]["frames_sent"] == ends[way]["frames_due"] == 132
        groups = zip(hosts[way][2:15], hosts[way][15:], strict=True)
        by_number = [[*hosts[way][:2], *both] for both in groups]
        assert ends[way]["packets_sent"] == sum(
            len(came[host, number]) for number, to in enumerate(by_number, start=first) for host in to
        )
        for address in range(4):
            packets = [came[to[address], number] for number, to in enumerate(by_number, start=first)]
            frames = [b"".join(one[126:] for one in frame) for frame in zip(*packets, strict=True)]
            lit = [frame for frame in frames if any(frame)]
            assert len(lit) == 132
            assert [number for number in range(132) if lit[number] != PICTURE[number].tobytes()] == []
            for mine in packets:
                sequences = [data[111] for data in mine]
                assert all((after - before) & 0xFF == 1 for before, after in pairwise(sequences))  # 6.2.5
                assert 255 in sequences and 0 in sequences


def test_every_field_is_read_by_the_sacn_library_and_the_end_is_black_then_three_terminations(tmp_path: Path) -> None:
    host, group = "127.0.44.1", "239.255.3.232"
    with listening(host, group) as listener, running_transmitter(tmp_path) as transmitter:
        transmitter.setup([universe(7, host, slots=33), universe(1000, multicast=True, slots=512)])
        transmitter.dark()
        now = time.time_ns()
        transmitter.score(segment(now, now + 60 * SECOND_NS, look=77))
        transmitter.wait_for("playing")
        transmitter.wait_for("telemetry")
        transmitter.end()
    for number, to, slots in ((7, host, 33), (1000, group, 512)):
        mine = [one for one in listener.data() if one.universe == number]
        assert {one.host for one in mine} == {to}
        for one in mine:
            packet = DataPacket.make_data_packet(one.data)
            assert UUID(bytes=bytes(packet.cid)) == UUID(CID)
            assert packet.sourceName == "Pier Road boathouse"
            assert (packet.priority, packet.universe, packet.syncAddr) == (120, number, 0)
            assert packet.option_StreamTerminated == one.terminated
            assert not packet.option_PreviewData
            assert len(one.data) == 126 + slots == 16 + (int.from_bytes(one.data[16:18], "big") & 0xFFF)
        assert any(one.slots == bytes([77]) * slots for one in mine)
        *_, before, first, second, third = mine
        assert (before.terminated, before.slots) == (False, bytes(slots))  # most receivers keep the last look
        assert all(one.terminated and one.slots == bytes(slots) for one in (first, second, third))  # 6.2.6: three
        assert sum(one.terminated for one in mine) == 3


def test_a_score_with_light_in_dark_hours_is_black_on_the_wire(tmp_path: Path) -> None:
    """The second lock on the neighbours' hours: light for two seconds, with a dark window in the middle."""
    host = "127.0.44.2"
    with listening(host) as listener, running_transmitter(tmp_path) as transmitter:
        transmitter.setup([universe(1, host, slots=20)])
        wall, clock = time.time_ns(), time.monotonic_ns()
        begin, dark_from, dark_to = wall + SECOND_NS // 2, wall + SECOND_NS, wall + 3 * SECOND_NS // 2
        transmitter.dark((dark_from, dark_to))
        transmitter.score(segment(begin, wall + 600 * SECOND_NS, look=255))
        heard = listener.wait_until(lambda all_: any(one.at_ns > clock + 2 * SECOND_NS for one in all_))
        transmitter.process.send_signal(signal.SIGKILL)
    light = [one.at_ns - clock + wall for one in heard if any(one.slots)]
    assert any(at < dark_from for at in light) and any(at > dark_to for at in light)
    # the kernel may deliver a packet late: one that left just before the edge may arrive just after it
    first_black = min(
        one.at_ns - clock + wall for one in heard if not any(one.slots) and one.at_ns - clock + wall > begin
    )
    assert not [at for at in light if first_black < at < dark_to]
    assert len([one for one in heard if dark_from <= one.at_ns - clock + wall < dark_to]) >= 3


def test_streams_that_another_setup_continues_have_no_break(tmp_path: Path) -> None:
    """An edit of the rig in the middle of a piece: removed streams end in black (6.2.6), the others go on."""
    host = "127.0.44.6"
    with listening(host) as listener, running_transmitter(tmp_path) as transmitter:
        transmitter.setup([universe(1, host, slots=20), universe(2, host, slots=20, lead_ns=SECOND_NS // 8)])
        transmitter.dark()
        now = time.time_ns()
        film = write_frames(tmp_path / "film.frames", np.full((40, 60), 200, np.uint8), slots=20)
        transmitter.score(segment(now, now + 60 * SECOND_NS, **moving(film, 40)))
        listener.wait_until(lambda heard: sum(any(one.slots) for one in heard) >= 40)
        transmitter.setup([universe(2, host, slots=20), universe(3, host, slots=20)], sequence_from=108, priority=90)
        listener.wait_until(lambda heard: sum(one.universe == 3 for one in heard) >= 20)
        transmitter.setup([universe(3, host, slots=20)], sequence_from=216, cid=str(uuid4()))
        listener.wait_until(lambda heard: sum(one.data[22:38] != heard[0].data[22:38] for one in heard) >= 20)
        transmitter.end()
    by_universe = {
        number: [
            one for one in listener.heard if one.universe == number and one.data[22:38] == listener.heard[0].data[22:38]
        ]
        for number in (1, 2, 3)
    }
    for number, heard in by_universe.items():
        lit = [any(one.slots) for one in heard]
        assert lit == sorted(lit, reverse=True), f"universe {number} is black once, at its end"
        assert [one.terminated for one in heard[-4:]] == [False, True, True, True]
        assert not any(one.terminated or not any(one.slots) for one in heard[:-4])
        assert all(
            (after.data[111] - before.data[111] - 128) % 256 - 128 not in range(-19, 1)
            for before, after in pairwise(heard)
        ), "a receiver discards none (6.7.2)"
    assert {one.data[108] for one in by_universe[2]} == {120, 90}


def test_a_score_that_ends_without_a_planner_leaves_the_wire_black(tmp_path: Path) -> None:
    host = "127.0.44.3"
    with listening(host) as listener, running_transmitter(tmp_path) as transmitter:
        transmitter.setup([universe(1, host, slots=20)])
        transmitter.dark()
        now = time.time_ns()
        transmitter.score(segment(now, now + SECOND_NS, look=255))
        transmitter.wait_for("playing")
        transmitter.sock.close()
        listener.wait_until(lambda heard: any(any(one.slots) for one in heard))
        listener.wait_until(lambda heard: len(heard) > 4 and not any(any(one.slots) for one in heard[-3:]))
        assert transmitter.process.poll() is None


def test_outside_the_known_hours_the_wire_is_black(tmp_path: Path) -> None:
    host = "127.0.44.4"
    with listening(host) as listener, running_transmitter(tmp_path) as transmitter:
        transmitter.setup([universe(1, host, slots=20)])
        now = time.time_ns()
        transmitter.dark(from_ns=now - 10 * SECOND_NS, until_ns=now - SECOND_NS)
        transmitter.score(segment(now, now + 60 * SECOND_NS, look=255))
        transmitter.wait_for("telemetry", lambda said: said["packets_sent"] >= 3)
        heard = listener.wait_until(lambda all_: len(all_) >= 3)
        assert not any(any(one.slots) for one in heard)


def test_a_score_is_played_at_once_after_the_start(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    host = "127.0.44.5"
    with listening(host) as listener, running_transmitter(tmp_path) as transmitter:
        transmitter.setup([universe(1, host, slots=20)])
        transmitter.dark()
        now = time.time_ns()
        transmitter.score(segment(now, now + 60 * SECOND_NS, look=255))
        first = listener.wait_until(bool)[0]
        with capsys.disabled():
            print(f" [first packet {(first.at_ns - transmitter.started_ns) / 1e9:.2f} s after the start]", end="")
        assert any(first.slots)


def test_nonsense_from_a_planner_is_reported_once_counted_and_changes_nothing(tmp_path: Path) -> None:
    with running_transmitter(tmp_path) as transmitter:
        transmitter.sock.sendall(b'nonsense\n[]\n{}\n{"op": "score"}\n{"op": "setup", "universes": [1]}\n\xff\xfe\n')
        said = transmitter.wait_for("trouble")
        assert (said["kind"], said["over"]) == ("score", False)
        assert transmitter.wait_for("telemetry", lambda figures: figures["messages_unread"] > 0)["messages_unread"] == 6
        transmitter.wait_for("trouble", lambda one: one["over"])
        assert [one["op"] for one in transmitter.heard].count("trouble") == 2, "reported once, and its end"
        with pytest.raises(OSError):  # a line without an end
            for _ in range(100):
                transmitter.sock.sendall(b"[" * (1 << 20))
        transmitter.sock.close()
        transmitter.connect()
        assert transmitter.wait_for("hello")["pid"] == transmitter.process.pid
        transmitter.end()
