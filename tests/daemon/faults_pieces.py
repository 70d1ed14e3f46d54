"""The fault table's rows of pieces and wires: frame files, sound, the network, another source."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import soundfile

from gloaming.shows.framefile.reader import FrameWriter, Universe
from tests.boot.container import socket_in
from tests.boot.street import Packet, Street
from tests.daemon.broken_evening import Broken, broken_evening, moved_to, since
from tests.daemon.fault_figures import Figures, all_right
from tests.daemon.numbered import FPS, PIECES, SLOTS, assert_none_missed, missed, name_of
from tests.daemon.transmitter.quay import quay_at
from tests.waiting import wait_until

RATE = 44_100


def other_piece(name: str) -> str:
    return next(each for each in PIECES if each != name)


def left(packet: Packet) -> int:
    """The frames that a piece still has to go."""
    return PIECES[name_of(packet)] - packet.frame


def not_shown(packets: list[Packet]) -> int:
    """Frames' time between lit packets in which nothing new was shown: black, or nothing at all (one may be late)."""
    lit = [packet for packet in packets if not packet.black]
    gaps = [(after.at_ns - before.at_ns) / 1e9 * FPS for before, after in pairwise(lit)]
    return sum(round(gap) - 1 for gap in gaps if gap > 2.5)


def cut_over(broken: Broken, damaged: Callable[[Path, int], None]) -> Figures:
    """The file of the piece that plays is damaged some seconds ahead; the other piece must begin."""
    broken.wait_until_lit()
    wait_until(lambda: left(broken.lit()[-1]) > 13 * FPS, "a piece that has some time to go")
    last = broken.lit()[-1]
    before = name_of(last)
    path = broken.folder / "pieces" / f"{before}.frames"
    begin_ns = time.time_ns()
    damaged(path, last.frame + 9 * FPS)
    said = broken.says(path.name, "trouble")
    wait_until(lambda: name_of(broken.lit()[-1]) != before, "the other piece", 60)
    again_ns = time.time_ns()
    broken.wait_until_lit()
    packets = broken.packets(begin_ns)
    black = [packet for packet in packets if packet.black]
    gap_s = (black[-1].at_ns - black[0].at_ns) / 1e9 if black else 0.0
    all_right(broken, again_ns)
    playing = broken.says(other_piece(before), "playing")
    return Figures(not_shown(packets), gap_s, f"{said.replace(str(broken.folder), '')}; {playing}")


LARGE = {
    "rig": (
        '[[controller]]\nname = "left"\nhost = "127.0.74.10"\nuniverses = "1"\n\n'
        '[[controller]]\nname = "right"\nhost = "127.0.74.11"\nuniverses = "2-200"\n'
    ),
    "universes": 200,
}
"""So large that a chunk has less than three seconds: with the five that are read ahead, less than nine."""


@contextmanager
def large_evening(folder: Path) -> Iterator[Broken]:
    """It begins shortly before a piece of 40 seconds does."""
    with broken_evening(folder, "127.0.74.10", start=False, **LARGE) as broken:
        broken.evening.offset_ns = moved_to("2026-12-01T17:59:38")
        with broken.evening.running():
            yield broken


def frames_damaged(folder: Path) -> Figures:
    """A chunk of the piece that plays is overwritten on the disk: that piece is left out from there."""
    with large_evening(folder) as broken:
        return cut_over(broken, damage_chunk)


def damage_chunk(path: Path, frame: int) -> None:
    """Overwrite a part of the chunk that holds a frame, as a worn card does."""
    with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True)) as file:
        (data,) = file.execute(
            "SELECT data FROM chunk WHERE first_frame <= ? ORDER BY first_frame DESC LIMIT 1", (frame,)
        ).fetchone()
    at = path.read_bytes().find(data[-24:])
    assert at > 0, "the chunk's end, with its checksum, is not found in the file"
    with path.open("r+b") as whole:
        whole.seek(at)
        whole.write(b"\xa5" * 24)


def frames_cut_short(folder: Path) -> Figures:
    """The file of the piece that plays loses its end, as a copy does whose disk is full."""
    with large_evening(folder) as broken:

        def cut(path: Path, frame: int) -> None:
            with path.open("r+b") as file:
                file.truncate(path.stat().st_size * frame // 1600)

        return cut_over(broken, cut)


def frames_missing(folder: Path) -> Figures:
    """The file of the piece that comes next is deleted."""
    with broken_evening(folder, "127.0.74.22") as broken:
        lit = broken.wait_until_lit()
        coming = other_piece(name_of(lit[-1]))
        begin_ns = time.time_ns()
        (broken.folder / "pieces" / f"{coming}.frames").unlink()
        said_s = since(lambda: broken.troubles("frames"), "a trouble of the frames")
        said = broken.troubles("frames")[0]["text"]
        broken.says(f"{coming}.frames", "trouble")
        again_ns = time.time_ns()
        broken.wait_until_lit()
        packets = broken.packets(begin_ns)
        assert {name_of(packet) for packet in packets if not packet.black} == {name_of(lit[-1])}
        all_right(broken, again_ns)
        return Figures(not_shown(packets), said_s, said.replace(f"{broken.folder}/", ""))


@contextmanager
def sounding_evening(folder: Path, address: str) -> Iterator[tuple[Broken, Callable[[], None]]]:
    """An evening whose pieces have sound, with a PulseAudio server of its own; and how that ends."""
    (folder / "quay").mkdir()
    with (
        quay_at(folder / "quay") as quay,
        broken_evening(folder, address, start=False, environment=quay.environment) as broken,
    ):
        text = (broken.folder / "site.toml").read_text()
        for name, frames in PIECES.items():
            samples = 0.1 * np.sin(np.arange(frames * RATE // FPS) / 20)
            soundfile.write(broken.folder / "pieces" / f"{name}.flac", samples, RATE)
            line = f'frames = "pieces/{name}.frames"\n'
            text = text.replace(line, f'{line}sound = "pieces/{name}.flac"\n')
        (broken.folder / "site.toml").write_text(text)
        with broken.evening.running():
            wait_until(lambda: sounds(broken), "sound", 60)
            yield broken, quay.kill


def sounds(broken: Broken) -> bool:
    """Whether sound is wanted, and nothing is wrong with it."""
    health = broken.evening.now()["health"]
    return bool((health["transmitter"] or {}).get("sound")) and not broken.troubles("sound")


def sound_gone(folder: Path, address: str, damaged: Callable[[Broken, Callable[[], None], str], None]) -> Figures:
    """The lights go on, and it is said."""
    with sounding_evening(folder, address) as (broken, kill):
        lit = broken.wait_until_lit()
        begin_ns = time.time_ns()
        damaged(broken, kill, name_of(lit[-1]))
        said_s = since(lambda: broken.troubles("sound"), "a trouble of the sound", 90)
        trouble = broken.troubles("sound")[0]
        said = f"{trouble['subject']}: {trouble['text']}"
        broken.wait_until_lit()
        packets = broken.packets(begin_ns)
        assert_none_missed(packets)
        all_right(broken, begin_ns)
        return Figures(missed(packets), said_s, said.replace(f"{broken.folder}/", ""))


def sound_device_gone(folder: Path) -> Figures:
    """The sound server dies in mid-piece."""
    return sound_gone(folder, "127.0.74.24", lambda broken, kill, piece: kill())


def sound_file_gone(folder: Path) -> Figures:
    """The sound file of the piece that plays is deleted."""

    def delete(broken: Broken, kill: Callable[[], None], piece: str) -> None:
        (broken.folder / "pieces" / f"{piece}.flac").unlink()

    return sound_gone(folder, "127.0.74.25", delete)


SLOW_FPS = Fraction(1, 20)
QUIET_S = 3.0


def slow_piece(folder: Path) -> Figures:
    """Pieces of a frame in 20 seconds; somebody dims them between two frames. The wire is never silent for a second."""
    with broken_evening(folder, "127.0.74.36", start=False) as broken:
        for index, name in enumerate(PIECES):
            frames = np.full((30, SLOTS), 100 + index, np.uint8)
            with FrameWriter(broken.folder / "pieces" / f"{name}.frames", SLOW_FPS, [Universe(1, SLOTS, 0)]) as writer:
                writer.write(frames)
        with broken.evening.running():
            wait_until(broken.lit, "light on the wire", 60)
            begin_ns = time.time_ns()
            time.sleep(QUIET_S)
            bright = broken.lit()[-1].slots[2]
            code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 0.2, "minutes": 1})
            assert (code, answer["on_the_wire"]) == (201, True), answer
            dimmed_s = since(lambda: broken.lit()[-1].slots[2] == (bright * int(0.2 * 256) + 127) >> 8, "the dim")
            at_ns = [packet.at_ns for packet in broken.packets(begin_ns)]
            silence_s = max(after - before for before, after in pairwise(at_ns)) / 1e9
            silent = max(0, round(silence_s * FPS) - FPS)
            return Figures(silent, dimmed_s, f"dimmed between two frames; longest silence {silence_s:.2f} s")


RIVAL = """
import sacn, sys
sender = sacn.sACNsender(bind_address="192.0.2.102", source_name="Harbour office")
sender.start()
sender.activate_output(2)
sender[2].multicast, sender[2].priority, sender[2].dmx_data = True, 130, (1, 2, 3)
print("ready", flush=True)
sys.stdin.read()
"""


def another_source(folder: Path) -> Figures:
    """The `sacn` library sends on a universe of ours, from the far end of a cable; then it is gone."""
    with cable() as (address, _):
        rig = (
            '[[controller]]\nname = "left"\nhost = "127.0.74.26"\nuniverses = "1"\n\n'
            f'[[controller]]\nname = "right"\nhost = "{address}"\nuniverses = "2"\n'
        )
        with broken_evening(folder, "127.0.74.26", rig=rig, universes=2, start=False) as broken:
            text = (broken.folder / "site.toml").read_text()
            (broken.folder / "site.toml").write_text(text.replace("[output]\n", f'[output]\ninterface = "{NEAR}"\n'))
            with broken.evening.running():
                wait_until(lambda: watched(broken) == 2, "a watch", 60)
                words = ["ip", "netns", "exec", SPACE, sys.executable, "-c", RIVAL]
                begin_ns = time.time_ns()
                with subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as rival:
                    assert rival.stdout and rival.stdout.readline() == b"ready\n"
                    said_s = since(lambda: broken.troubles("other-source"), "another source")
                    said = broken.troubles("other-source")[0]["text"]
                    rival.kill()
                wait_until(lambda: not broken.troubles("other-source"), "an end of it", 60)
                packets = broken.packets(begin_ns)
                assert_none_missed(packets)
                return Figures(missed(packets), said_s, said)


def watched(broken: Broken) -> int:
    return int((broken.evening.now()["health"]["transmitter"] or {}).get("watched", 0))


def network_down(folder: Path) -> Figures:
    """One controller's cable is out, then there is no way to it at all; another goes on; sending resumes by itself."""
    with cable() as (address, pull):
        rig = (
            '[[controller]]\nname = "left"\nhost = "127.0.74.12"\nuniverses = "1"\n\n'
            f'[[controller]]\nname = "right"\nhost = "{address}"\nuniverses = "2"\n'
        )
        with broken_evening(folder, "127.0.74.12", rig=rig, universes=2) as broken:
            far = Street(socket_in(SPACE, address))
            try:
                broken.wait_until_lit(seconds=0.5)
                wait_until(lambda: len(far.packets) > FPS // 2, "packets at the far controller")
                begin_ns = time.time_ns()
                pull("down")
                broken.wait_until_lit(seconds=0.5)
                pull("up")
                again_ns = time.time_ns()
                cable_s = since(lambda: far.since(again_ns), "packets at the far controller again")
                subprocess.run(["ip", "route", "add", "unreachable", address], check=True)
                wait_until(lambda: broken.troubles("network"), "a trouble of the network")
                said = broken.troubles("network")[0]["text"]
                subprocess.run(["ip", "route", "delete", "unreachable", address], check=True)
                again_ns = time.time_ns()
                route_s = since(lambda: far.since(again_ns), "packets at the far controller again")
                wait_until(lambda: not broken.troubles("network"), "the end of the trouble")
                near = broken.packets(begin_ns)
                assert_none_missed(near)
                lines = len([line for line in broken.journal("trouble") if address in line])
                assert lines <= 4, "each is said once, and once that it is over"
                return Figures(missed(near), max(cable_s, route_s), f"{said} ({lines} lines)")
            finally:
                far.close()


SPACE, NEAR, FAR = "gl-fault", "glf0", "glf1"


@contextmanager
def cable() -> Iterator[tuple[str, Callable[[str], None]]]:
    """A cable from this machine to a namespace of our own: the far address, and how its far end is put up or down."""

    def pull(way: str) -> None:
        subprocess.run(["ip", "-n", SPACE, "link", "set", FAR, way], check=True)

    subprocess.run(["ip", "netns", "delete", SPACE], capture_output=True, check=False)
    for command in (
        f"ip netns add {SPACE}",
        f"ip link add {NEAR} type veth peer name {FAR} netns {SPACE}",
        f"ip address add 192.0.2.101/30 dev {NEAR}",
        f"ip link set {NEAR} up",
        f"ip -n {SPACE} address add 192.0.2.102/30 dev {FAR}",
    ):
        subprocess.run(command.split(), check=True)
    pull("up")
    try:
        yield "192.0.2.102", pull
    finally:
        subprocess.run(["ip", "route", "delete", "unreachable", "192.0.2.102"], capture_output=True, check=False)
        subprocess.run(["ip", "netns", "delete", SPACE], check=True)
