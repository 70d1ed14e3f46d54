"""Our packets read by three independent readers: the `sacn` library, tshark, the npm package `sacn`.

Section numbers are those of ANSI E1.31-2018.
"""

from __future__ import annotations

import json
import struct
import subprocess
import sys
import threading
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.api.evening import Evening
from tests.daemon.transmitter.captures import capture, tshark
from tests.daemon.transmitter.process_harness import (
    CID,
    PATIENCE_S,
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
from tests.namespaces import outdoors
from tests.places import TOP
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip", "sysctl")

HERE = Path(__file__).parent
SACN_READER = TOP / "tests" / "api" / "sacn_reader.py"
DSCP, TTL = 34, 9
SLOTS = [512, 510, 1, 24, 170, 333]


@pytest.fixture(scope="module")
def there() -> Iterator[Street]:
    with street() as two:
        two.run(two.receiver, "sysctl", "-qw", "net.ipv4.igmp_max_memberships=100")
        yield two


@pytest.fixture(scope="module")
def npm(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the npm package."""
    folder = tmp_path_factory.mktemp("npm")
    words = ["npm", "install", "--silent", "--no-audit", "--no-fund", "--prefer-offline", "sacn@4", "--prefix"]
    with outdoors():
        done = subprocess.run([*words, str(folder)], check=False)
    assert done.returncode == 0, "npm install sacn@4 failed"
    return folder


@contextmanager
def npm_reader(there: Street, npm: Path, universes: range) -> Iterator[list[dict[str, Any]]]:
    """The packets as the npm package reads them; complete after the block."""
    found: list[dict[str, Any]] = []
    words = [str(HERE / "npm_reader.cjs"), str(npm), "192.0.2.21", str(universes[0]), str(universes[-1])]
    command = ["ip", "netns", "exec", there.receiver, "node", *words]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin and process.stdout and process.stdout.readline() == '"ready"\n'
        threads = _gather(process, found)
        try:
            yield found
            time.sleep(0.3)
        finally:  # else Popen's end would wait for ever for the thread that reads
            process.stdin.close()
            threads.join(PATIENCE_S)


def _gather(process: subprocess.Popen[str], found: list[dict[str, Any]]) -> threading.Thread:
    def read() -> None:
        assert process.stdout
        found.extend(json.loads(line) for line in process.stdout)

    thread = threading.Thread(target=read)
    thread.start()
    return thread


@contextmanager
def sacn_reader(there: Street, path: Path, way: str, universes: range) -> Iterator[None]:
    """The `sacn` library's receiver, which writes each packet to a file: 523 bytes a packet."""
    words = [str(SACN_READER), str(path), "192.0.2.21", way, *map(str, universes)]
    command = ["ip", "netns", "exec", there.receiver, sys.executable, *words]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdin and process.stdout and process.stdout.readline() == "ready\n"
        yield
        time.sleep(0.3)
        process.stdin.close()


def counts_without_a_gap(numbers: list[int]) -> bool:
    return all((after - before) & 0xFF == 1 for before, after in pairwise(numbers))


@needs("node", "npm", "tshark")
def test_three_readers_read_the_same_of_multicast(there: Street, npm: Path, tmp_path: Path) -> None:
    """Every field of every universe: unchanged data, keep-alive, the wrap of the sequence, black, termination."""
    numbers = range(250, 280)
    slots = {number: SLOTS[number % len(SLOTS)] for number in numbers}
    recorded, captured = tmp_path / "sacn.records", tmp_path / "capture.pcap"
    with (
        npm_reader(there, npm, numbers) as by_npm,
        sacn_reader(there, recorded, "multicast", numbers),
        capture(there, captured),
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        universes = [universe(number, slots=slots[number], multicast=True) for number in numbers]
        transmitter.setup(
            universes, interface="out0", ttl=TTL, dscp=DSCP, sequence_from=235, priority=150, synchronization=7000
        )
        transmitter.dark()
        now = time.time_ns()
        film = write_frames(tmp_path / "film.frames", np.full((20, 512), 9, np.uint8), slots=512)
        transmitter.score(
            segment(now, now + SECOND_NS // 2, (0, 1), look=77),
            segment(now + SECOND_NS // 2, now + 60 * SECOND_NS, look=77),
        )
        transmitter.wait_for("telemetry", lambda said: said["packets_sent"] >= 26 * len(numbers))
        last = transmitter.end()
    assert film.exists()
    rows = tshark(
        captured,
        *("acn.cid", "acn.dmx.source_name", "acn.dmx.priority", "acn.dmx.universe", "acn.dmx.count"),
        *("acn.dmx.seq_number", "acn.dmx.option_p", "acn.dmx.option_s", "acn.dmx.start_code2"),
        *("ip.dst", "ip.ttl", "ip.dsfield.dscp", "udp.dstport", "ip.src", "acn.dmx.reserved"),
    )
    assert len(rows) == last["packets_sent"] == len(by_npm)
    sequences: dict[int, list[int]] = defaultdict(list)
    ends: Counter[int] = Counter()
    for row in rows:
        number = int(row["acn.dmx.universe"])
        assert row["acn.cid"].replace("-", "") == CID
        assert row["acn.dmx.source_name"].strip("\0") == "Pier Road boathouse"
        assert int(row["acn.dmx.priority"]) == 150
        assert int(row["acn.dmx.count"], 0) == slots[number] + 1  # the start code counts
        assert row["ip.dst"] == f"239.255.{number >> 8}.{number & 255}"  # 9.3.1
        assert (int(row["ip.ttl"]), int(row["ip.dsfield.dscp"])) == (TTL, DSCP)
        assert (row["udp.dstport"], row["ip.src"]) == ("5568", "192.0.2.1")
        assert row["acn.dmx.option_p"] in ("0", "False")
        assert row["acn.dmx.reserved"] == "7000"  # 6.2.4.1: the synchronization address; tshark knows the draft
        sequences[number].append(int(row["acn.dmx.seq_number"]))
        ends[number] += row["acn.dmx.option_s"] in ("1", "True")
    assert sorted(sequences) == list(numbers)
    assert all(ends[number] == 3 for number in numbers)  # 6.2.6
    for number in numbers:
        assert counts_without_a_gap(sequences[number]) and {255, 0} <= set(sequences[number])

    assert not [one for one in by_npm if "fault" in one]
    read: dict[int, list[dict[str, Any]]] = defaultdict(list)
    for one in by_npm:
        read[one["universe"]].append(one)
        assert (one["cid"], one["name"], one["priority"]) == (CID, "Pier Road boathouse", 150)
        assert one["synchronization"] == 7000
        assert one["slots"] == slots[one["universe"]] == len(one["data"]) // 2
    for number in numbers:
        assert [one["sequence"] for one in read[number]] == sequences[number]
        assert any(one["data"] == "4d" * slots[number] for one in read[number])
        assert [one["options"] for one in read[number]][-4:] == [0, 0x40, 0x40, 0x40]
        assert not any(bytes.fromhex(read[number][-4]["data"]))  # black before the end

    records = recorded.read_bytes()
    levels: dict[int, set[int]] = defaultdict(set)
    for at in range(0, len(records), 523):
        _, number, _, data = struct.unpack_from("<QHB512s", records, at)
        assert set(data[slots[number] :]) <= {0}
        levels[number] |= set(data[: slots[number]])
    assert sorted(levels) == list(numbers)
    assert all({0, 77} <= levels[number] for number in numbers)


@needs("node", "npm")
@pytest.mark.parametrize("reader", ["sacn", "npm"])
def test_unicast_in_bulk_is_read_frame_by_frame(reader: str, there: Street, npm: Path, tmp_path: Path) -> None:
    numbers = range(1, 25)
    frames = np.random.default_rng(3).integers(0, 255, (60, len(numbers) * 40), np.uint8)
    frames[:, ::40] = np.arange(1, 61, dtype=np.uint8)[:, None]
    film = write_frames(tmp_path / "film.frames", frames, slots=40)
    recorded = tmp_path / "sacn.records"
    seen: dict[int, list[bytes]] = defaultdict(list)
    by_npm: list[dict[str, Any]] | None
    with running_transmitter(tmp_path, there.sender) as transmitter:
        sacn = sacn_reader(there, recorded, "unicast", numbers)
        with npm_reader(there, npm, numbers) if reader == "npm" else sacn as by_npm:
            transmitter.setup([universe(number, "192.0.2.21", slots=40) for number in numbers], interface="out0")
            assert transmitter.wait_for("hello", lambda hello: hello["wire"])["wire"] == "offload"
            transmitter.dark()
            begin = time.time_ns() + SECOND_NS // 4
            transmitter.score(segment(begin, begin + 60 * SECOND_NS // 40, **moving(film, 60)))
            transmitter.wait_for("telemetry", lambda said: said["frames_due"] >= 60)
            last = transmitter.end()
    for one in by_npm or []:
        assert "fault" not in one
        seen[one["universe"]].append(bytes.fromhex(one["data"]))
    records = recorded.read_bytes() if reader == "sacn" else b""
    for at in range(0, len(records), 523):
        _, number, _, data = struct.unpack_from("<QHB512s", records, at)
        seen[number].append(data[:40])
    for number in numbers:
        lit = [data for data in seen[number] if any(data)]
        rows = [frames[data[0] - 1, (number - 1) * 40 : number * 40].tobytes() for data in lit]
        assert lit == rows and sorted({data[0] for data in lit}) == [data[0] for data in lit]
        assert len(lit) == last["frames_sent"]


@needs("tshark")
def test_the_preview_flag_is_read(there: Street, tmp_path: Path) -> None:
    """6.2.6: bit 7 of the options marks data that are not for live output."""
    captured = tmp_path / "capture.pcap"
    with capture(there, captured), running_transmitter(tmp_path, there.sender) as transmitter:
        transmitter.setup([universe(9, multicast=True, slots=6)], interface="out0", preview=True)
        transmitter.wait_for("telemetry", lambda said: said["packets_sent"] >= 3)
        transmitter.end()
    rows = tshark(captured, "acn.dmx.option_p", "acn.dmx.option_s")
    assert len(rows) >= 6 and all(row["acn.dmx.option_p"] in ("1", "True") for row in rows)


def test_multicast_by_ipv6_and_unicast_are_sent_together(there: Street, tmp_path: Path) -> None:
    """9.3.2: ff18::83:00:hi:lo. All packets of a universe have the same sequence numbers."""
    hosts = ("192.0.2.21", "2001:db8::21")
    groups = ("239.255.1.5", "ff18::8300:105")
    with (
        listening(*hosts, *groups, "ff18::8300:fad6", namespace=there.receiver, interface="in0") as listener,
        running_transmitter(tmp_path, there.sender) as transmitter,
    ):
        transmitter.setup([universe(261, *hosts, slots=7, multicast="both")], interface="out0")
        transmitter.dark()
        now = time.time_ns()
        transmitter.score(segment(now, now + 60 * SECOND_NS, look=55))
        transmitter.wait_for("telemetry", lambda said: said["discovery_packets"] >= 2)
        last = transmitter.end()
    by_host = {host: [one.data for one in listener.data() if one.host == host] for host in (*hosts, *groups)}
    assert by_host[hosts[0]] == by_host[hosts[1]] == by_host[groups[0]] == by_host[groups[1]]
    assert any(data[126:] == bytes([55]) * 7 for data in by_host[groups[1]])
    assert last["packets_sent"] == 4 * len(by_host[hosts[0]])
    assert {one["host"]: one["packets"] for one in last["controllers"]}["192.0.2.21"] == len(by_host[hosts[0]])
    assert last["universe_packets"] == [[261, 261, last["packets_sent"], last["bytes_sent"]]]
    assert [one for one in listener.heard if one.host == "ff18::8300:fad6"]  # discovery too


RIVAL = """
import sacn, sys
sender = sacn.sACNsender(bind_address="192.0.2.21", source_name="Harbour office")
sender.start()
for number in (5, 700):
    sender.activate_output(number)
    sender[number].multicast, sender[number].priority, sender[number].dmx_data = True, 130, (1, 2, 3)
sys.stdin.read()
"""


def test_another_source_on_universe_5_is_named_in_api_now_and_gone_when_it_ends(there: Street, tmp_path: Path) -> None:
    """The whole program: the transmitter finds the source, the planner reports it, and the trouble ends by itself."""
    evening = Evening(tmp_path / "site", None, "1-13", there.sender)
    evening.write(np.zeros((40, 13 * 510), np.uint8), interface="out0")

    def others() -> list[dict[str, Any]]:
        return [one for one in evening.now()["health"]["troubles"] if one["kind"] == "other-source"]

    with evening.running():
        wait_until(lambda: (evening.now()["health"]["transmitter"] or {}).get("watched") == 13, "a watch", 90)
        assert not others()
        words = ["ip", "netns", "exec", there.receiver, sys.executable, "-c", RIVAL]
        with subprocess.Popen(words, stdin=subprocess.PIPE) as rival:
            (said,) = wait_until(others, "another source", 90)
            (heard,) = evening.now()["health"]["transmitter"]["other_sources"]
            rival.kill()
        assert said["subject"] == "192.0.2.21"
        assert said["text"].endswith('"Harbour office" at 192.0.2.21, sends on universe 5 with priority 130')
        assert datetime.fromisoformat(said["since"]).date() == datetime(2026, 12, 1).date()  # noqa: DTZ001  # a date alone
        assert (heard["name"], heard["priority"], heard["universes"]) == ("Harbour office", 130, [5])
        wait_until(lambda: not others(), "an end of it", 90)
        time.sleep(0.2)  # the API refuses requests that are too frequent
        code, lines = evening.ask("GET", "/api/journal")
        assert code == 200, lines
        assert len([line for line in lines if "192.0.2.21: " in line["text"]]) == 2, "reported once, and its end"
