"""The fault table: each row broken on purpose, and what came of it. The tests judge it, the bench prints it."""

from __future__ import annotations

import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from tests.api.evening import wait_until
from tests.boot.container import socket_in
from tests.boot.street import Street
from tests.daemon.broken_evening import Broken, broken_evening, since
from tests.daemon.numbered import FPS, PIECES, assert_none_missed, assert_right, is_right, missed, name_of


@dataclass(frozen=True)
class Figures:
    """Frames missed, seconds until it was as it must be, and what was said."""

    missed: int
    recovered_s: float
    said: str


def right_since(broken: Broken, since_ns: int) -> bool:
    """Whether light that is right has come since an instant."""
    site, overrides, offset_ns = broken.site, broken.overrides(), broken.evening.offset_ns
    found = broken.lit(since_ns)
    return bool(found) and is_right(found[-1], found[-1].at_ns + offset_ns, site, overrides)


def all_right(broken: Broken, since_ns: int, every: int = FPS // 2) -> None:
    assert_right(broken.lit(since_ns)[::every], broken.site, broken.overrides(), broken.evening.offset_ns)


def frames_damaged(folder: Path) -> Figures:
    """A chunk of the piece that plays is overwritten on the disk: that piece is left out from there."""
    rig = (
        '[[controller]]\nname = "left"\nhost = "127.0.74.10"\nuniverses = "1"\n\n'
        '[[controller]]\nname = "right"\nhost = "127.0.74.11"\nuniverses = "2-100"\n'
    )
    with broken_evening(folder, "127.0.74.10", rig=rig, universes=100) as broken:
        lit = broken.wait_until_lit()
        path = broken.folder / "pieces" / f"{name_of(lit[-1])}.frames"
        place = (lit[-1].frame + 8 * FPS) % PIECES[name_of(lit[-1])]
        damage_chunk(path, place)
        before, begin_ns = name_of(lit[-1]), time.time_ns()
        wait_until(lambda: name_of(broken.lit()[-1]) != before, "the next piece")
        said = broken.says("lanterns" if before == "tide" else "tide", "playing")
        trouble = broken.says(path.name, "trouble")
        broken.wait_until_lit()
        packets = broken.packets(begin_ns)
        black = [packet for packet in packets if packet.black]
        gap_s = (black[-1].at_ns - black[0].at_ns) / 1e9 if black else 0.0
        all_right(broken, time.time_ns() - 1_000_000_000)
        return Figures(round(gap_s * FPS), gap_s, f"{said}; {trouble}")


def damage_chunk(path: Path, frame: int) -> None:
    """Overwrite a part of the chunk that holds a frame, as a worn card does."""
    with sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True) as file:
        (data,) = file.execute(
            "SELECT data FROM chunk WHERE first_frame <= ? ORDER BY first_frame DESC LIMIT 1", (frame,)
        ).fetchone()
    at = path.read_bytes().find(data[-24:])
    assert at > 0, "the chunk's end, with its checksum, is not found in the file"
    with path.open("r+b") as whole:
        whole.seek(at)
        whole.write(b"\xa5" * 24)


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


SPACE = "gl-fault"


@contextmanager
def cable() -> Iterator[tuple[str, Callable[[str], None]]]:
    """A cable from this machine to a namespace of our own: the far address, and how its far end is put up or down."""
    near, far = "glf0", "glf1"

    def pull(way: str) -> None:
        subprocess.run(["ip", "-n", SPACE, "link", "set", far, way], check=True)

    subprocess.run(["ip", "netns", "delete", SPACE], capture_output=True, check=False)
    for command in (
        f"ip netns add {SPACE}",
        f"ip link add {near} type veth peer name {far} netns {SPACE}",
        f"ip address add 192.0.2.101/30 dev {near}",
        f"ip link set {near} up",
        f"ip -n {SPACE} address add 192.0.2.102/30 dev {far}",
    ):
        subprocess.run(command.split(), check=True)
    pull("up")
    try:
        yield "192.0.2.102", pull
    finally:
        subprocess.run(["ip", "route", "delete", "unreachable", "192.0.2.102"], capture_output=True, check=False)
        subprocess.run(["ip", "netns", "delete", SPACE], check=True)


def clock_steps(folder: Path, step_s: int = -600) -> Figures:
    """The wall clock, ten minutes ahead, is corrected in mid-piece (libfaketime): no burst, no stall, right place."""
    from tests.daemon.test_clock_1970 import FAKETIME, both

    steps = folder / "faketime"
    steps.write_text(f"+{-step_s}s\n" if step_s < 0 else "+0s\n")
    environment = {
        "LD_PRELOAD": str(FAKETIME),
        "FAKETIME_TIMESTAMP_FILE": str(steps),
        "FAKETIME_CACHE_DURATION": "1",
        "DONT_FAKE_MONOTONIC": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
    }
    with (
        broken_evening(
            folder, "127.0.74.14", start=False, moved=False, performance=ROUND_THE_CLOCK, dark=False
        ) as broken,
        both(broken, environment),
    ):
        shift_ns = -step_s * 1_000_000_000
        broken.wait_until_lit()
        assert_right(broken.lit()[-1:], broken.site, (), shift_ns)
        begin_ns = time.time_ns()
        steps.write_text("+0s\n")
        recovered_s = since(
            lambda: (lit := broken.lit(begin_ns)) and is_right(lit[-1], lit[-1].at_ns, broken.site, ()),
            "the right place by the corrected clock",
        )
        broken.wait_until_lit()
        packets = broken.packets(begin_ns)
        at = [packet.at_ns for packet in packets]
        assert all(after.sequence == (before.sequence + 1) % 256 for before, after in pairwise(packets))
        longest_s = max(after - before for before, after in pairwise(at)) / 1e9
        said = broken.says("the clock stepped", "clock")
        due = (at[-1] - at[0]) / 1e9 * FPS
        return Figures(max(0, round(due) - len(packets) + 1), recovered_s, f"{said}; longest pause {longest_s:.3f} s")


ROUND_THE_CLOCK = 'from = "12:00"\nto = "11:59"'


def disk_full(folder: Path) -> Figures:
    """The state's disk is full in mid-piece; an override is asked for; then there is room again."""
    with small_disk(folder) as disk, broken_evening(folder, "127.0.74.15", start=False) as broken:
        broken.evening.state.symlink_to(disk)
        with broken.evening.running():
            broken.wait_until_lit(seconds=0.5)
            begin_ns = time.time_ns()
            fill(disk / "ballast")
            code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 1.0, "minutes": 5})
            assert (code, answer["on_the_wire"]) == (201, True)
            said = str(wait_until(lambda: broken.troubles("disk"), "a trouble of the disk")[0]["text"])
            broken.wait_until_lit()
            (disk / "ballast").unlink()
            freed_s = since(lambda: not broken.troubles("disk"), "the disk's end of trouble", 60)
            packets = broken.packets(begin_ns)
            assert_none_missed(packets)
            assert [one.kind for one in broken.overrides()] == ["dim"]
            return Figures(missed(packets), freed_s, said)


def disk_read_only(folder: Path) -> Figures:
    """The card has turned read-only while the power was out: what stands on it holds, what comes is kept in memory."""
    with small_disk(folder) as disk, broken_evening(folder, "127.0.74.16", start=False) as broken:
        broken.evening.state.symlink_to(disk)
        with broken.evening.running():
            broken.wait_until_lit(seconds=0.5)
            assert broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 1.0, "minutes": 5})[0] == 201
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
        begin_ns = time.time_ns()
        broken.evening.process = None
        with again(broken):
            recovered_s = since(lambda: broken.lit(begin_ns), "light")
            said = str(wait_until(lambda: broken.troubles("disk"), "a trouble of the disk")[0]["text"])
            assert [one["kind"] for one in broken.ask("/api/now")["overrides"]] == ["dim"]
            code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "skip"})
            assert (code, answer["on_the_wire"]) == (201, True)
            subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
            wait_until(lambda: [one.kind for one in broken.overrides()] == ["dim", "skip"], "both on the disk", 60)
            broken.wait_until_lit()
            all_right(broken, time.time_ns() - 1_000_000_000)
        return Figures(round(recovered_s * FPS), recovered_s, said)


@contextmanager
def again(broken: Broken) -> Iterator[None]:
    """`gloaming run` once more, with the doors of before: the state folder cannot be written."""
    evening = broken.evening
    command = [sys.executable, "-m", "gloaming.api.command", "run", str(evening.folder)]
    environment = {**os.environ, "GLOAMING_CLOCK_OFFSET_NS": str(evening.offset_ns)}
    process = subprocess.Popen(command, env=environment)
    try:
        yield
    finally:
        process.terminate()
        process.wait(30)


@contextmanager
def small_disk(folder: Path) -> Iterator[Path]:
    """A disk of four megabytes, in memory."""
    disk = folder / "disk"
    disk.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(disk)], check=True)
    try:
        yield disk
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def fill(path: Path) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT)
    try:
        while os.write(handle, b"\0" * 4096):
            pass
    except OSError:
        return
    finally:
        os.close(handle)


def director_killed(folder: Path) -> Figures:
    """kill -9 of the director: the transmitter plays on from its score."""
    with broken_evening(folder, "127.0.74.17") as broken:
        broken.wait_until_lit()
        begin_ns, killed = time.time_ns(), broken.evening.pid("director")
        os.kill(killed, signal.SIGKILL)
        back_s = since(lambda: broken.evening.pid("director") != killed and broken.evening.now(), "another director")
        broken.wait_until_lit()
        packets = broken.packets(begin_ns)
        assert_none_missed(packets)
        all_right(broken, begin_ns)
        return Figures(missed(packets), back_s, broken.says("the director has started", "start"))


def transmitter_killed(folder: Path) -> Figures:
    """kill -9 of the transmitter: it is started again and given the score, and takes it up at the right place."""
    with broken_evening(folder, "127.0.74.18") as broken:
        broken.wait_until_lit()
        killed_ns = time.time_ns()
        os.kill(broken.evening.pid("transmitter"), signal.SIGKILL)
        wait_until(lambda: any(p.at_ns > killed_ns + 100_000_000 for p in broken.lit(killed_ns)), "light again")
        again = next(p for p in broken.lit(killed_ns) if p.at_ns > killed_ns + 100_000_000)
        broken.wait_until_lit()
        lit = broken.lit(killed_ns - 200_000_000)
        all_right(broken, again.at_ns, 4)
        return Figures(missed(lit), (again.at_ns - killed_ns) / 1e9, broken.says("the transmitter is gone", "restart"))


def power_cut(folder: Path) -> Figures:
    """Every process ends at once; the right frame after the next start, a stored override in force, nothing lost."""
    with broken_evening(folder, "127.0.74.19") as broken:
        broken.wait_until_lit()
        code, _ = broken.evening.ask("POST", "/api/overrides", {"kind": "skip"})
        assert code == 201
        lines = broken.journal()
        broken.evening.kill_everything()
        begin_ns = time.time_ns()
        broken.evening.start()
        recovered_s = since(lambda: right_since(broken, begin_ns), "light that is right")
        broken.wait_until_lit()
        all_right(broken, begin_ns, 4)
        assert [one.kind for one in broken.overrides()] == ["skip"]
        assert broken.journal()[-len(lines) :] == lines, "no line that was confirmed is lost"
        return Figures(round(recovered_s * FPS), recovered_s, broken.says("the director has started", "start"))


def site_mistaken(folder: Path) -> Figures:
    """site.toml is edited with a mistake in mid-piece: the running site is kept, the mistake is said, until mended."""
    with broken_evening(folder, "127.0.74.20") as broken:
        broken.wait_until_lit()
        path = broken.folder / "site.toml"
        whole, begin_ns = path.read_text(), time.time_ns()
        path.write_text(whole.replace('from = "12:00"', 'from = "25:00"'))
        said_s = since(lambda: broken.troubles("site"), "a trouble of the site")
        said = broken.troubles("site")[0]["text"]
        path.write_text(whole)
        wait_until(lambda: not broken.troubles("site"), "the end of the trouble")
        packets = broken.packets(begin_ns)
        assert_none_missed(packets)
        all_right(broken, begin_ns)
        return Figures(missed(packets), said_s, said.replace(f"{broken.folder}/", ""))


def state_damaged(folder: Path) -> Figures:
    """The state's database is overwritten while the power is out: set aside, begun anew, said; the show goes on."""
    with broken_evening(folder, "127.0.74.21") as broken:
        broken.wait_until_lit()
        broken.evening.kill_everything()
        path = broken.evening.state / "state.db"
        path.write_bytes(b"\xa5" * len(path.read_bytes()))
        for ending in ("-wal", "-shm"):
            path.with_name(path.name + ending).unlink(missing_ok=True)
        begin_ns = time.time_ns()
        broken.evening.start()
        recovered_s = since(lambda: broken.lit(begin_ns), "light")
        said = broken.says("set aside", "state")
        all_right(broken, begin_ns)
        assert list(broken.evening.state.glob("state-damaged-*.db"))
        return Figures(round(recovered_s * FPS), recovered_s, re.sub(r"\d{8,}", "...", said))


ROWS: dict[str, Callable[[Path], Figures]] = {
    "a chunk of a frame file is damaged": frames_damaged,
    "network down to one of two controllers": network_down,
    "the wall clock steps by 10 min": clock_steps,
    "disk full": disk_full,
    "disk read-only": disk_read_only,
    "director killed": director_killed,
    "transmitter killed": transmitter_killed,
    "power cut": power_cut,
    "site.toml edited with a mistake": site_mistaken,
    "state database damaged": state_damaged,
}
