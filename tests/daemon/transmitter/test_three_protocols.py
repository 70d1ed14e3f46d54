"""One rig with a controller of each protocol, all with the same strings: each one gets the same bytes in each frame.

The rig is read from its files, and the packets come from the transmitter's process over a cable. tshark reads E1.31 and
Art-Net, the library aioartnet reads Art-Net too, and `ddp_reader.py`, which is written from the public specification of
DDP alone, reads DDP.
"""

from __future__ import annotations

import asyncio
import socket
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from uuid import UUID

import numpy as np
from aioartnet.client import ArtNetClient, ArtNetClientProtocol
from aioartnet.events import UniverseDMX

from gloaming.daemon.planner.messages import setup_of
from gloaming.daemon.site.load import load_site
from gloaming.shows.framefile.reader import FrameWriter
from gloaming.shows.framefile.source import universes_of
from tests.daemon.quay_site import write
from tests.daemon.transmitter.captures import capture, tshark
from tests.daemon.transmitter.process_harness import (
    CID,
    SECOND_NS,
    Street,
    moving,
    running_transmitter,
    segment,
    street,
)
from tests.namespaces import in_namespace
from tests.shows.protocols.ddp_reader import Pixels, read
from tests.tools import needs

pytestmark = needs("ip", "tshark")

CONTROLLER = """[[controller]]
name = "{name}"
host = "{host}"
universes = "{first}-{last}"
protocol = "{protocol}"
{more}
[[string]]
name = "roof of {name}"
controller = "{name}"
universe = {first}
pixels = 600
order = "GRB"
[[string]]
name = "path of {name}"
after = "roof of {name}"
pixels = 25
missing = [7]
"""
UNIVERSES, SLOTS = 4, 600 * 3 + 25 * 3
"""The last universe has 345 slots: an odd number, to which Art-Net adds one."""
HOSTS = {"e131": "192.0.2.21", "artnet": "192.0.2.22", "ddp": "192.0.2.23"}
PORT_ADDRESSES = (0x0E, 0x0F, 0x10, 0x7FFF)
RIG = "".join(
    CONTROLLER.format(
        name=protocol,
        protocol=protocol,
        host=host,
        first=first,
        last=first + UNIVERSES - 1,
        more='port_addresses = "0:0:14-0:1:0,127:15:15"' if protocol == "artnet" else "",
    )
    for first, (protocol, host) in zip((1, 5, 9), HOSTS.items(), strict=True)
)
Came = list[tuple[int, bytes]]
"""The universe or port-address of each packet, and its slots."""


def frames_of(packets: Came, *places: int) -> list[bytes]:
    """The frames of a controller: its universes side by side. Each of them came equally often."""
    came: dict[int, list[bytes]] = defaultdict(list)
    for number, slots in packets:
        came[number].append(slots)
    assert sorted(came) == sorted(places)
    return [b"".join(parts) for parts in zip(*(came[place] for place in places), strict=True)]


async def by_library(payloads: list[bytes]) -> Came:
    """The port-address and the slots of each datagram, as aioartnet reads them."""
    client, heard = ArtNetClient(passive=True), Came()
    protocol = ArtNetClientProtocol(client)
    for number in PORT_ADDRESSES:
        client.set_port_config(number, is_output=True)

    async def listen() -> None:
        async for event in client.events():
            if isinstance(event, UniverseDMX):
                heard.append((event.universe.portaddress, event.data))

    listening = asyncio.create_task(listen())
    await asyncio.sleep(0)
    for payload in payloads:
        protocol.datagram_received(payload, ("192.0.2.1", 6454))
        await asyncio.sleep(0)
    listening.cancel()
    return heard


@contextmanager
def controllers(there: Street) -> Iterator[None]:
    """A socket for each protocol. The controllers' machine then refuses no packets."""
    with ExitStack() as open_ones:
        for port in (5568, 6454, 4048):
            sock = in_namespace(there.receiver, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
            open_ones.enter_context(sock).bind(("", port))
        yield


def test_controllers_of_three_protocols_with_the_same_strings_get_the_same_bytes(tmp_path: Path) -> None:
    (write(tmp_path) / "rig.toml").write_text(RIG)
    film = np.random.default_rng(5).integers(1, 256, (40, SLOTS), np.uint8)
    path, site = tmp_path / "film.frames", load_site(tmp_path)
    with FrameWriter(path, Fraction(40), universes_of(site.slots)) as writer:
        writer.write(np.hstack([film] * len(HOSTS)))
    setup = replace(setup_of(site, UUID(CID), None, {}), interface="out0")
    captured = tmp_path / "capture.pcap"
    with street(hosts=3) as there:
        # so the kernel cuts what it takes in one call into packets before the cable, not after it
        there.run(there.sender, "ip", "link", "set", "out0", "gso_max_segs", "1")
        with controllers(there), capture(there, captured), running_transmitter(tmp_path, there.sender) as transmitter:
            transmitter.send(**setup.to_json())
            transmitter.dark()
            now = time.time_ns()
            transmitter.score(segment(now, now + 3600 * SECOND_NS, **moving(path, len(film))))
            transmitter.wait_for("telemetry", lambda said: said["frames_sent"] >= len(film))
            last = transmitter.end()

    rows = tshark(captured, "acn.dmx.universe", "acn.dmx.count", "udp.payload")
    universes, counts = ([int(row[f"acn.dmx.{field}"]) for row in rows] for field in ("universe", "count"))
    payloads = [bytes.fromhex(row["udp.payload"]) for row in rows]
    slots = [payload[1 - count :] for payload, count in zip(payloads, counts, strict=True)]  # the start code counts
    e131 = frames_of(list(zip(universes, slots, strict=True)), 1, 2, 3, 4)

    such = f"artnet && udp.dstport == 6454 && ip.dst == {HOSTS['artnet']}"
    rows = tshark(captured, "artnet.output.universe", "dmx_chan.data_filter", "udp.payload", such=such)
    universes = [int(row["artnet.output.universe"]) for row in rows]
    by_tshark = list(zip(universes, (bytes.fromhex(row["dmx_chan.data_filter"]) for row in rows), strict=True))
    assert asyncio.run(by_library([bytes.fromhex(row["udp.payload"]) for row in rows])) == by_tshark
    artnet = frames_of(by_tshark, *PORT_ADDRESSES)
    assert {frame[SLOTS:] for frame in artnet} == {b"\0"}, "an even number of slots"

    controller = Pixels()
    for row in tshark(captured, "udp.payload", such=f"udp.dstport == 4048 && ip.dst == {HOSTS['ddp']}"):
        packet = read(bytes.fromhex(row["udp.payload"]))
        assert packet.kind == (1, 3), "RGB, 8 bits a colour"
        controller.take(packet)
    ddp = controller.shown

    assert e131 == [frame[:SLOTS] for frame in artnet] == ddp
    lit = [frame for frame in ddp if any(frame)]
    shown = {frame.tobytes() + bytes(3) for frame in np.delete(film, np.s_[1818:1821], axis=1)}
    assert set(lit) <= shown and len(lit) >= len(film), "the film, without the pixel that was cut out"
    assert not any(ddp[-1]), "black at the end"
    packets = {one["host"]: one["packets"] for one in last["controllers"]}
    assert packets == {HOSTS["e131"]: 4 * len(e131), HOSTS["artnet"]: 4 * len(artnet), HOSTS["ddp"]: 2 * len(ddp)}
