"""`gloaming record` as a person calls it: live, by senders that are not ours and by our own; ended in every way."""

from __future__ import annotations

import json
import resource
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import sacn
from sacn.messages.universe_discovery import UniverseDiscoveryPacket

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import FrameWriter, Universe, inspect
from gloaming.shows.recording.from_capture import from_capture
from gloaming.shows.recording.recorder import Wanted
from tests.daemon.transmitter.process_harness import (
    moving,
    running_transmitter,
    segment,
    street,
    universe,
    write_frames,
)
from tests.namespaces import in_namespace
from tests.places import REFERENCE
from tests.shows.streams import CID, captured, data, everything, stream, without_stills
from tests.tools import needs
from tests.waiting import wait_until

PICTURE = REFERENCE / "moving-picture-64x32-25fps.npy"
CAPTURE = REFERENCE / "moving-picture-13-universes-25fps.pcapng"
PATIENCE_S = 60.0
COMMAND = (sys.executable, "-m", "gloaming.api.cli.main")


SOON = (
    "import sys; from gloaming.api.cli import record_live; from gloaming.api.cli.main import main;"
    " record_live.DISCOVERY_S = 1; sys.exit(main(sys.argv[1:]))"
)
"""The command with a shorter look at what is announced, for a test that announces often."""


class Recorder:
    """`gloaming record` in a process of its own; `listening` waits until its socket is there."""

    def __init__(self, *arguments: object, namespace: str | None = None, command: Sequence[str] = COMMAND) -> None:
        inside = ("ip", "netns", "exec", namespace) if namespace else ()
        command = [*inside, *command, "record", *map(str, arguments)]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    def listening(self, address: str, port: int = 5568) -> None:
        place = f"{struct.unpack('<I', socket.inet_aton(address))[0]:08X}:{port:04X}"
        wait_until(lambda: place in Path("/proc/net/udp").read_text(), f"a socket at {address}", PATIENCE_S)

    def end(self, number: int = signal.SIGINT) -> tuple[str, str]:
        """Send a signal; what it said on both outputs."""
        self.process.send_signal(number)
        return self.said()

    def said(self) -> tuple[str, str]:
        return self.process.communicate(timeout=PATIENCE_S)


@pytest.fixture
def sender() -> Iterator[socket.socket]:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        yield sock


def play(sock: socket.socket, address: str, events: Sequence[tuple[int, bytes]]) -> None:
    begin_ns = time.monotonic_ns()
    for at_ns, packet in events:
        time.sleep(max(0, begin_ns + at_ns - time.monotonic_ns()) / 1e9)
        sock.sendto(packet, (address, 5568))


def test_a_capture_becomes_a_frame_file(tmp_path: Path) -> None:
    out = tmp_path / "out.frames"
    done = subprocess.run([*COMMAND, "record", "--capture", CAPTURE, out], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines() == [
        f"{out}: 132 frames at 25 a second, 5.28 s, 13 universes: 1-13",
        "  1716 packets, 0 lost, 0 repeated, 0 out of order; measured 25.006 frames a second",
    ]
    assert np.array_equal(everything(inspect(out)), np.load(PICTURE))
    command = [*COMMAND, "record", "--json", "--capture", CAPTURE, out]
    report = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    assert (report["frames"], report["fps"], report["lost"], len(report["universes"])) == (132, 25.0, 0, 13)


def test_what_the_sacn_library_sends_is_recorded(tmp_path: Path) -> None:
    out, address, picture = tmp_path / "out.frames", "127.0.55.1", np.load(PICTURE)[:66]
    recorder = Recorder(out, "--universes", "1-13", "--address", address)
    recorder.listening(address)
    library = sacn.sACNsender(bind_address="127.0.0.1", universeDiscovery=False)
    library.start()
    library.manual_flush = True
    for number in range(1, 14):
        library.activate_output(number)
        library[number].destination = address
    begin_s = time.monotonic()
    for frame, levels in enumerate(picture):
        for number in range(13):
            part = levels[number * 510 : number * 510 + 510].tolist()
            library[number + 1].dmx_data = tuple(part)
        time.sleep(max(0.0, begin_s + frame / 25 - time.monotonic()))
        for number in range(1, 14):
            library._sender_handler.send_out(library._outputs[number], time.time())
    library.stop()
    out_text, errors = recorder.end()
    assert "0 lost" in out_text and not errors
    assert np.array_equal(without_stills(everything(inspect(out))), without_stills(picture)), out_text


def test_import_play_record_and_export_give_the_first_frames_back(tmp_path: Path) -> None:
    """Imported, played on the wire by our transmitter, recorded, exported: equal, and at the same rate."""
    given, out, back, address = tmp_path / "in.frames", tmp_path / "out.frames", tmp_path / "back.npy", "127.0.55.3"
    subprocess.run([*COMMAND, "frames", "import", PICTURE, given, "--fps", "25", "--universes", "1-13"], check=True)
    recorder = Recorder(
        out, "--universes", "1-13", "--address", address, "--from-change", "--for", "5.28", "--slots", "sent"
    )
    recorder.listening(address)
    slots = {one.number: one.slots for one in inspect(given).universes}
    with running_transmitter(tmp_path) as transmitter:
        transmitter.setup([universe(number, address, slots=slots[number]) for number in slots])
        transmitter.dark()
        from_ns = time.time_ns() + 2_500_000_000
        until_ns = from_ns + 5_280_000_000
        picture = segment(from_ns, until_ns, **moving(given, 132, (25, 1)))
        transmitter.score(
            segment(from_ns - 2_000_000_000, from_ns), picture, segment(until_ns, until_ns + 60_000_000_000)
        )
        said, errors = recorder.said()
        transmitter.end()
    assert "ended: the time is over" in said and not errors
    subprocess.run([*COMMAND, "frames", "export", out, back], check=True)
    assert np.array_equal(np.load(back), np.load(PICTURE))
    info = inspect(out)
    assert info.universes == inspect(given).universes
    measured = float(said.split("measured ")[1].split()[0])
    assert info.fps == 25 and abs(measured / 25 - 1) < 0.001


@pytest.mark.parametrize("multicast, synchronization", [(True, None), (False, 7000), (True, 7000)])
def test_our_own_output_that_arrives_several_times_is_recorded_once(
    tmp_path: Path, multicast: bool, synchronization: int | None
) -> None:
    """Two controllers with a synchronization packet each (E1.31 section 11), and the groups beside them (9.3.1)."""
    levels = np.random.default_rng(8).integers(1, 256, (80, 4 * 510), np.uint8)
    given, out = write_frames(tmp_path / "in.frames", levels, Fraction(25)), tmp_path / "out.frames"
    arguments = ["--universes", "1-4", "--interface", "lo", "--from-change", "--for", "3.2", "--slots", "sent"]
    recorder = Recorder(out, *arguments)
    recorder.listening("0.0.0.0")
    with running_transmitter(tmp_path) as transmitter:
        hosts = {1: "127.0.55.31", 2: "127.0.55.31", 3: "127.0.55.32", 4: "127.0.55.32"}
        universes = [universe(number, host, multicast=multicast) for number, host in hosts.items()]
        transmitter.setup(universes, synchronization=synchronization)
        transmitter.dark()
        from_ns = time.time_ns() + 2_500_000_000
        until_ns = from_ns + 3_200_000_000
        piece = segment(from_ns, until_ns, **moving(given, 80, (25, 1)))
        transmitter.score(
            segment(from_ns - 2_000_000_000, from_ns), piece, segment(until_ns, until_ns + 60_000_000_000)
        )
        said, errors = recorder.said()
        transmitter.end()
    assert "ended: the time is over" in said and not errors
    assert inspect(out).fps == 25 and np.array_equal(without_stills(everything(inspect(out))), levels), said


def test_a_killed_recorder_leaves_what_was_written(tmp_path: Path, sender: socket.socket) -> None:
    out, address = tmp_path / "out.frames", "127.0.55.4"
    recorder = Recorder(out, "--universes", "1", "--address", address)
    recorder.listening(address)
    levels = np.arange(1, 161, dtype=np.uint8)[:, None]
    play(sender, address, stream(levels, 1))
    time.sleep(1)  # a busy machine may be behind
    recorder.process.kill()
    recorder.said()
    (part,) = tmp_path.glob("out.frames.*.part")
    again = Recorder(out, "--address", address, "--universes", "1")
    again.listening(address)
    _, errors = again.end()
    assert f"{part} is of an interrupted recording" in errors and "nothing came for universe 1" in errors
    subprocess.run([*COMMAND, "frames", "mend", part, out], check=True, capture_output=True)
    frames = everything(inspect(out))[:, 0]
    assert len(frames) >= 160 - 40 - 40  # a second that was not yet safe, and what the pacer still held
    assert np.array_equal(frames, levels[: len(frames), 0])


def test_a_recording_that_ends_before_it_began_leaves_the_old_file(tmp_path: Path, sender: socket.socket) -> None:
    """While it listens for what there is; and a second recording of the same name says that there is a first."""
    out, address = tmp_path / "out.frames", "127.0.55.6"
    out.write_bytes(b"the old one")
    with FrameWriter(out, Fraction(40), (Universe(1, 1, 0),)) as writer:
        recorder = Recorder(out, "--address", address)
        recorder.listening(address)
        play(sender, address, stream(np.arange(1, 11, dtype=np.uint8)[:, None], 1))
        said, errors = recorder.end()
        assert recorder.process.returncode == 2 and "ended before the recording began" in errors
        assert f"is already being written, as {writer.temporary.name}" in errors
        assert out.read_bytes() == b"the old one" and not said
        writer.write(np.zeros((1, 1), np.uint8))


def test_a_full_disk_leaves_the_frames_before_it(tmp_path: Path) -> None:
    """A limit on the size of files stands for the full disk: the write fails in the same place."""
    noise = np.random.default_rng(1).integers(0, 256, (400, 510), np.uint8)
    path, out = captured(tmp_path / "in.pcap", stream(noise, 510)), tmp_path / "out.frames"
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        " resource.setrlimit(resource.RLIMIT_FSIZE, (163_840, 163_840));"
        " from gloaming.api.cli.main import main; sys.exit(main(sys.argv[1:]))"
    )
    command = [sys.executable, "-c", code, "record", "--capture", path, out, "--slots", "sent"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 1 and done.stderr.count("\n") == 1
    assert "it cannot be written (" in done.stderr and "the frames before it are in the file" in done.stderr
    frames = everything(inspect(out))
    assert 120 <= len(frames) < 400 and np.array_equal(frames[:, :510], noise[: len(frames)])
    assert sorted(one.name for one in tmp_path.iterdir()) == ["in.pcap", "out.frames"]


@pytest.mark.parametrize("room", range(40_960, 204_800, 8192))
def test_a_disk_that_is_full_at_any_time_leaves_what_was_written(tmp_path: Path, room: int) -> None:
    """The last write of all may be the one that fails."""
    noise = np.random.default_rng(1).integers(0, 256, (230, 510), np.uint8)
    path, out = captured(tmp_path / "in.pcap", stream(noise, 510)), tmp_path / "out.frames"
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    ignored = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (room, before[1]))
    try:
        outcome = from_capture(path, out, Wanted(slots="sent"))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, ignored)
    frames = everything(inspect(out))
    assert len(frames) == 230 or outcome.broken
    assert len(frames) and np.array_equal(frames[:, :510], noise[: len(frames)])
    assert sorted(one.name for one in tmp_path.iterdir()) == ["in.pcap", "out.frames"]


def test_a_capture_is_not_recorded_over_itself(tmp_path: Path) -> None:
    path = captured(tmp_path / "in.pcap", stream(np.zeros((40, 510), np.uint8), 510))
    before = path.read_bytes()
    done = subprocess.run([*COMMAND, "record", "--capture", path, path], capture_output=True, text=True, check=False)
    assert done.returncode == 2 and "this is the file that is read" in done.stderr
    assert path.read_bytes() == before


def test_a_missing_folder_is_reported_before_the_recording(tmp_path: Path) -> None:
    for out, text in ((tmp_path / "none" / "out.frames", "there is no folder"), (tmp_path, "this is a folder")):
        command = [*COMMAND, "record", out, "--universes", "1", "--address", "127.0.55.5"]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=PATIENCE_S)
        assert done.returncode == 2 and text in done.stderr
    with pytest.raises(InputError, match="this is a folder"):
        from_capture(CAPTURE, Path(), Wanted())


@needs("ip")
def test_all_that_discovery_announces_is_recorded_by_multicast(tmp_path: Path) -> None:
    """E1.31 section 8, 9.3.1: more universes than one socket may join groups of, in a namespace of its own."""
    out = tmp_path / "out.frames"
    numbers = list(range(1, 31))
    levels = np.arange(1, 121, dtype=np.uint8)[:, None].repeat(30, axis=1)
    with street() as there:
        there.run(there.receiver, "ip", "route", "replace", "239.0.0.0/8", "dev", "in0")
        sock = in_namespace(there.sender, lambda: socket.socket(socket.AF_INET, socket.SOCK_DGRAM))
        page = bytes(UniverseDiscoveryPacket(CID, "quay", tuple(numbers)).getBytes())
        recorder = Recorder(out, namespace=there.receiver, command=(sys.executable, "-c", SOON))
        deadline = time.monotonic() + PATIENCE_S
        said = ""
        while "recording" not in said and time.monotonic() < deadline:
            sock.sendto(page, ("239.255.250.214", 5568))
            time.sleep(0.2)
            if "239.255.0.30" in there.run(there.receiver, "ip", "maddr", "show", "dev", "in0"):
                said = "recording"
        for number, frame in enumerate(levels):
            for place, level in enumerate(frame):
                sock.sendto(data(numbers[place], number, [level]), (f"239.255.0.{numbers[place]}", 5568))
            time.sleep(0.025)
        out_text, errors = recorder.end(signal.SIGTERM)
        sock.close()
    assert "recording universes 1-30" in errors and "warning" not in errors
    assert " 0 lost" in out_text, out_text
    info = inspect(out)
    assert [one.number for one in info.universes] == numbers
    frames = without_stills(everything(info).reshape(info.frames, 30, -1)[:, :, 0])
    assert np.array_equal(frames, levels)


@pytest.mark.parametrize(
    "arguments, text",
    [
        (["--universes", "0"], "--universes"),
        (["--slots", "600"], "--slots: '600' is not used, sent, or a number from 1 to 512"),
        (["--for", "-1"], "--for: -1 is not a number of seconds"),
        (["--until-still", "nan"], "--until-still"),
        (["--fps", "0"], "--fps"),
        (["--universes", "1", "--interface", "nowhere0"], "there is no interface 'nowhere0'; the interfaces are"),
        (["--universes", "1", "--address", "192.0.2.200"], "it is not possible to listen at 192.0.2.200"),
        (["--universes", "1", "--address", "here"], "--address"),
        (["--capture", "nowhere.pcap"], "nowhere.pcap: it cannot be read (No such file or directory)"),
        (["--capture", str(CAPTURE), "--for", "3"], "--for: a capture has its own length"),
        (["--capture", str(CAPTURE), "--address", "127.0.0.1"], "leave out --interface and --address"),
        (
            ["--universes", "1", "--address", "239.255.0.1"],
            "--address: '239.255.0.1' is not an address of this machine",
        ),
        (["--universes", "1", "--address", ""], "--address: '' is not an address of this machine"),
    ],
)
def test_a_mistake_is_one_line(tmp_path: Path, arguments: list[str], text: str) -> None:
    command = [*COMMAND, "record", tmp_path / "out.frames", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=PATIENCE_S)
    assert done.returncode == 2 and text in done.stderr and done.stderr.count("\n") == 1
    assert not list(tmp_path.iterdir())
