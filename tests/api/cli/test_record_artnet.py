"""`gloaming record --protocol artnet`: from a library that is not ours to our own E1.31; and calls that are wrong."""

from __future__ import annotations

import argparse
import asyncio
import socket
import time
from pathlib import Path

import numpy as np
import pytest
from aioartnet.client import ArtNetClient
from aioartnet.models import ArtNetNode

from gloaming.api.cli import record_live
from gloaming.api.cli.main import main
from gloaming.shows.framefile.reader import Frames, inspect
from gloaming.shows.protocols.artnet.parse import ArtNetReader
from gloaming.shows.recording.recorder import Wanted
from tests.api.cli.test_record import PICTURE, Recorder
from tests.artnet_packets import art_dmx
from tests.daemon.transmitter.process_harness import moving, running_transmitter, segment, universe
from tests.shows.artnet_streams import art_captured, art_stream
from tests.shows.streams import data, everything, without_stills

SECOND_NS = 1_000_000_000
SENDER, RECORDER = "127.0.55.62", "127.0.55.61"


async def send_by_library(frames: Frames) -> None:
    """Send frames by the library aioartnet, 25 a second, as port-addresses from 0:0:0 on."""
    client = ArtNetClient(passive=True)
    client.listen_ip = client.unicast_ip = client.broadcast_ip = SENDER
    transport = await client.connect()
    slots = np.zeros((len(frames), 13, 512), np.uint8)
    for number in range(13):
        client.set_port_config(number, is_input=True).subscribers.append(ArtNetNode("", "", 0, RECORDER, 6454))
        part = frames[:, 510 * number : 510 * number + 510]
        slots[:, number, : part.shape[1]] = part
    begin_s = time.monotonic()
    for at, frame in enumerate(slots):
        await asyncio.sleep(max(0.0, begin_s + at / 25 - time.monotonic()))
        for number in range(13):
            client.set_dmx(number, frame[number].tobytes())
    transport.close()


def test_what_is_recorded_from_art_net_is_played_by_e131_and_recorded_again(tmp_path: Path) -> None:
    """Port-addresses 0:0:0 to 0:0:12 become universes 1 to 13, as the library numbers from 0."""
    first, again, picture = tmp_path / "first.frames", tmp_path / "again.frames", np.load(PICTURE)[:30]
    options = ["--port-addresses", "0:0:0-0:0:12", "--universes", "1-13", "--address", RECORDER]
    recorder = Recorder(first, "--protocol", "artnet", *options)
    recorder.listening(RECORDER, 6454)
    asyncio.run(send_by_library(picture))
    said, errors = recorder.end()
    assert " 0 lost, 0 repeated, 0 out of order" in said and not errors
    info = inspect(first)
    recorded = everything(info)
    assert np.array_equal(without_stills(recorded), without_stills(picture)), said

    length_ns = int(info.frames * SECOND_NS / info.fps)
    options = ["--universes", "1-13", "--address", RECORDER, "--from-change", "--slots", "sent"]
    recorder = Recorder(again, *options, "--for", length_ns / SECOND_NS)
    recorder.listening(RECORDER)
    with running_transmitter(tmp_path) as transmitter:
        transmitter.setup([universe(one.number, RECORDER, slots=one.slots) for one in info.universes])
        transmitter.dark()
        from_ns = time.time_ns() + 2_500_000_000
        until_ns = from_ns + length_ns
        piece = moving(first, info.frames, (info.fps.numerator, info.fps.denominator))
        black = (segment(from_ns - 2 * SECOND_NS, from_ns), segment(until_ns, until_ns + 60 * SECOND_NS))
        transmitter.score(black[0], segment(from_ns, until_ns, **piece), black[1])
        said, errors = recorder.said()
        transmitter.end()
    assert "ended: the time is over" in said and not errors
    assert inspect(again).universes == info.universes
    assert np.array_equal(without_stills(everything(inspect(again))), without_stills(recorded)), said


def test_a_capture_is_recorded_with_its_port_addresses(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    levels = np.arange(1, 81, dtype=np.uint8)[:, None].repeat(2, axis=1)
    path, out = art_captured(tmp_path / "in.pcap", art_stream(levels, first=0x123)), tmp_path / "out.frames"
    options = ["--protocol", "Art-Net", "--port-addresses", "1:2:3-1:2:4"]
    assert main(["record", str(out), "--capture", str(path), *options, "--universes", "1-2"]) == 0
    assert [one.number for one in inspect(out).universes] == [1, 2]
    assert main(["record", str(out), "--capture", str(path), *options]) == 0
    assert [one.number for one in inspect(out).universes] == [0x123, 0x124]
    assert np.array_equal(everything(inspect(out))[:, [0, 3]], levels)
    assert "universes: 291-292" in capsys.readouterr().out


ARTNET = ["--protocol", "artnet"]


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--port-addresses", "1"], "--port-addresses: only Art-Net has port-addresses; add --protocol artnet"),
        ([*ARTNET, "--preview"], "--preview: data of Art-Net are never marked as preview; leave it out"),
        (
            [*ARTNET, "--universes", "32767-32768"],
            "--universes: there is no port-address 32768; the last is 32767; name the port-address of each universe",
        ),
        (
            [*ARTNET, "--port-addresses", "0:0:1-0:0:3", "--universes", "1-4"],
            "--port-addresses: 3 port-addresses for 4 universes; name as many as in --universes, in the same order",
        ),
        ([*ARTNET, "--port-addresses", "0:0:0-0:0:3"], "--port-addresses: port-address 0:0:0 has no universe"),
        ([*ARTNET, "--port-addresses", "0:16:1"], "--port-addresses: '0:16:1' is not a port-address"),
        ([*ARTNET, "--port-addresses", "128:0:1"], "--port-addresses: '128:0:1' is not a port-address"),
        (["--protocol", "ddp"], "--protocol"),
    ],
)
def test_a_wrong_call_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], text: str
) -> None:
    try:
        code = main(["record", str(tmp_path / "out.frames"), *arguments])
    except SystemExit as ended:
        code = ended.code
    said = capsys.readouterr().err
    assert code == 2 and text in said and said.count("\n") == 1


@pytest.mark.parametrize(
    ("wanted", "packet", "port", "text"),
    [
        (Wanted((1,)), art_dmx(1, 0, 5, bytes(512)), 6454, "Art-Net levels of universe 5: --protocol artnet records"),
        (
            Wanted((1,), reader=ArtNetReader()),
            data(1, 0, [1]),
            5568,
            "E1.31 levels of universe 1: --protocol e131",
        ),
    ],
    ids=["Art-Net", "E1.31"],
)
def test_while_nothing_comes_the_other_protocol_is_named(
    capsys: pytest.CaptureFixture[str], wanted: Wanted, packet: bytes, port: int, text: str
) -> None:
    elsewhere = record_live._Elsewhere(argparse.Namespace(address=RECORDER, interface=None), wanted)
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sender:
            for now_s in (10.0, 11.0):  # the second look opens the sockets
                elsewhere.look(now_s)
                sender.sendto(packet, (RECORDER, port))
            assert capsys.readouterr().err == ""
            elsewhere.look(11.1)
        assert capsys.readouterr().err.startswith(f"note: there are {text}")
        elsewhere.look(11.2)
        assert capsys.readouterr().err == ""
    finally:
        elsewhere.close()
