"""Art-Net on a cable: a transmitter process, whose packets tshark reads. Facts of Art-Net 4 come from memory."""

from __future__ import annotations

import socket
import time
from contextlib import closing
from itertools import groupby
from pathlib import Path

import numpy as np

from tests.daemon.transmitter.captures import capture, tshark
from tests.daemon.transmitter.process_harness import (
    SECOND_NS,
    artnet,
    moving,
    running_transmitter,
    segment,
    street,
    write_frames,
)
from tests.namespaces import in_namespace
from tests.tools import needs

pytestmark = needs("ip", "tshark")

HOST, PORT = "192.0.2.21", 6454
DMX, SYNC = 0x5000, 0x5200
FIELDS = ("ip.dst", "artnet.header.opcode", "artnet.header.protver", "artnet.output.universe")
MORE = ("artnet.output.sequence", "artnet.output.length", "dmx_chan.data_filter", "ip.ttl", "ip.dsfield.dscp")


def test_each_frame_goes_to_a_host_and_to_all_and_then_an_artsync_whatever_becomes_of_the_network(
    tmp_path: Path,
) -> None:
    """While a film plays the network gets another mask, as DHCP may change it. Then a port-address changes."""
    film = write_frames(tmp_path / "film.frames", np.arange(1, 201, dtype=np.uint8)[:, None].repeat(10, 1), slots=5)
    captured = tmp_path / "capture.pcap"
    with street() as there:
        mac = there.run(there.receiver, "cat", "/sys/class/net/in0/address").strip()
        there.run(there.sender, "ip", "neigh", "add", HOST, "lladdr", mac, "dev", "out0")  # so no packet waits
        controller = in_namespace(there.receiver, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        with (
            closing(controller),
            capture(there, captured),
            running_transmitter(tmp_path, there.sender) as transmitter,
        ):
            controller.bind(("", PORT))
            more = {"interface": "out0", "art_sync": True, "sequence_from": 240, "dscp": 34}
            to_all = artnet(2, "broadcast", slots=5, port_address=0x7FFF)
            transmitter.setup([artnet(1, HOST, slots=5), to_all], **more)
            transmitter.dark()
            now = time.time_ns()
            transmitter.score(segment(now, now + 3600 * SECOND_NS, **moving(film, 200)))
            transmitter.wait_for("telemetry", lambda said: said["frames_sent"] >= 20)
            transmitter.heard.clear()
            there.run(there.sender, *["ip", "address", "add", "192.0.2.9/25", "dev", "out0"])
            there.run(there.sender, *["ip", "address", "del", "192.0.2.1/24", "dev", "out0"])
            transmitter.find("hello")
            sent = transmitter.wait_for("telemetry")["frames_sent"]
            transmitter.wait_for("telemetry", lambda said: said["frames_sent"] >= sent + 20)
            transmitter.setup([artnet(1, HOST, slots=5, port_address=7), to_all], **more)
            sent = transmitter.wait_for("telemetry")["frames_sent"]
            transmitter.wait_for("telemetry", lambda said: said["frames_sent"] >= sent + 20)
            last = transmitter.end()
    assert not [one for one in transmitter.heard if one["op"] == "trouble"]

    rows = tshark(captured, *FIELDS, *MORE, such=f"udp.dstport == {PORT}")
    assert {(row["artnet.header.protver"], row["ip.ttl"], row["ip.dsfield.dscp"]) for row in rows} == {
        ("14", "64", "34")
    }
    packets = [
        (int(row["artnet.header.opcode"], 0), int(row["artnet.output.universe"] or -1), row["ip.dst"]) for row in rows
    ]
    before, after = "192.0.2.255", "192.0.2.127"
    frames = {
        "first": [(DMX, 1, HOST), (DMX, 0x7FFF, before), (SYNC, -1, before)],
        "another mask": [(DMX, 1, HOST), (DMX, 0x7FFF, after), (SYNC, -1, after)],
        "black at the old port-address": [(DMX, 1, HOST), (SYNC, -1, after)],
        "another port-address": [(DMX, 7, HOST), (DMX, 0x7FFF, after), (SYNC, -1, after)],
    }
    in_turn, at = [], 0
    while at < len(packets):
        (name,) = [name for name, frame in frames.items() if packets[at : at + len(frame)] == frame]
        in_turn.append(name)
        at += len(frames[name])
    assert [name for name, _ in groupby(in_turn)] == list(frames)
    assert in_turn.count("black at the old port-address") == 4
    assert last["synchronization_packets"] == len(in_turn)
    assert last["packets_sent"] == len(packets) - len(in_turn)

    data = [row for row in rows if row["artnet.output.universe"]]
    assert {row["artnet.output.length"] for row in data} == {"6"}, "an even number of slots"
    streams = {
        number: [row for row in data if int(row["artnet.output.universe"]) == number] for number in (1, 7, 0x7FFF)
    }
    sequences = {number: [int(row["artnet.output.sequence"]) for row in rows] for number, rows in streams.items()}
    for number in (1, 0x7FFF):
        counted = [(240 + at) % 255 + 1 for at in range(len(streams[number]))]
        assert sequences[number] == counted, "no number is left out, and none is 0"
    first = len(streams[1]) - 4
    levels = {number: [row["dmx_chan.data_filter"] for row in rows] for number, rows in streams.items()}
    assert levels[0x7FFF] == levels[1][:first] + levels[7]
    assert all(level[:10] == level[:2] * 5 and level[10:] == "00" for level in levels[0x7FFF])
    assert len({*levels[0x7FFF]}) > 60
    assert {*levels[1][first:], *levels[7][-4:]} == {"00" * 6}, "black, more than once, then nothing"
