"""The fault table: each row broken on purpose, and what came of it. The tests judge it, the bench prints it."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path

from tests.bench.card import ext4
from tests.daemon.broken_evening import ROUND_THE_CLOCK, Broken, broken_evening, moved_to, since
from tests.daemon.fault_figures import Figures, all_right, right_since
from tests.daemon.faults_kinds import a_still, all_damaged
from tests.daemon.faults_page import certificate_expired, port_taken, stick_late
from tests.daemon.faults_pieces import (
    another_source,
    frames_cut_short,
    frames_damaged,
    frames_missing,
    network_down,
    slow_piece,
    sound_device_gone,
    sound_file_gone,
)
from tests.daemon.numbered import FPS, assert_none_missed, assert_right, is_right, missed
from tests.daemon.slow_disk import SlowDisk
from tests.waiting import wait_until


def clock_steps(folder: Path, step_s: int = -600) -> Figures:
    """The wall clock, ten minutes ahead, is corrected in mid-piece (libfaketime): no burst, no stall, right place."""
    from tests.daemon.planner.test_clock_1970 import both, stepping

    steps = folder / "faketime"
    steps.write_text(f"+{-step_s}s\n" if step_s < 0 else "+0s\n")
    with (
        broken_evening(
            folder, "127.0.74.14", start=False, moved=False, performance=ROUND_THE_CLOCK, dark=False
        ) as broken,
        both(broken, stepping(steps)),
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


def clock_untrusted(folder: Path) -> Figures:
    """A board without battery and network wakes in 1970: dark, said, and light when a phone has given the time."""
    from tests.daemon.planner.test_clock_1970 import both, in_1970

    with broken_evening(folder, "127.0.74.27", start=False) as broken, both(broken, in_1970()):
        now = broken.evening.now()
        assert (now["state"], now["brightness"]) == ("no-clock", 0.0)
        said = broken.troubles("clock")[0]
        broken.wait_until_black()
        assert not broken.lit()
        broken.evening.offset_ns, begin_ns = moved_to("2026-12-01T18:00"), time.time_ns()
        code, answer = broken.evening.ask("POST", "/api/clock", {"utc": "2026-12-01T18:00:00Z"})
        assert code == 200, answer
        recovered_s = since(lambda: right_since(broken, begin_ns), "light that is right")
        packets = broken.wait_until_lit(seconds=1.5)
        all_right(broken, begin_ns)
        assert_none_missed(packets)
        return Figures(missed(packets), recovered_s, f"{said['text']} ({said['do']})")


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


def disk_slow(folder: Path) -> Figures:
    """Each sync takes three seconds from now on; an override is asked for: it is seen at once, and stored later."""
    slow = SlowDisk(folder / "slow", folder / "site" / "state")
    with broken_evening(folder, "127.0.74.34", environment=slow.environment) as broken:
        broken.wait_until_lit(seconds=0.5)
        begin_ns = time.time_ns()
        slow.slow(3)
        asked_s = time.monotonic()
        code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 1.0, "minutes": 5})
        assert (code, answer["on_the_wire"]) == (201, True)
        answered_s = time.monotonic() - asked_s
        said = str(wait_until(lambda: broken.troubles("disk"), "a trouble of the disk")[0]["text"])
        wait_until(lambda: broken.overrides(), "the override on the disk", 60)
        packets = broken.packets(begin_ns)
        assert_none_missed(packets)
        slow.go_on()
        wait_until(lambda: not broken.troubles("disk"), "the disk's end of trouble", 60)
        return Figures(missed(packets), answered_s, said)


def disk_worn_out(folder: Path) -> Figures:
    """The card fails in mid-piece, and the kernel lets nobody write to it any more (ext4, errors=remount-ro)."""
    folder = folder / "card"
    folder.mkdir()
    with (
        ext4(folder, "errors=remount-ro") as (disk, figures),
        broken_evening(folder, "127.0.74.28", start=False) as broken,
    ):
        broken.evening.state.symlink_to(disk)
        with broken.evening.running():
            broken.wait_until_lit(seconds=0.5)
            begin_ns = time.time_ns()
            (Path("/sys/fs/ext4") / figures.parent.name / "trigger_fs_error").write_text("a worn card\n")
            code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 1.0, "minutes": 5})
            assert (code, answer["on_the_wire"]) == (201, True)
            said_s = since(lambda: broken.troubles("disk"), "a trouble of the disk")
            said = str(broken.troubles("disk")[0]["text"])
            broken.wait_until_lit()
            assert [one["kind"] for one in broken.ask("/api/now")["overrides"]] == ["dim"]
            packets = broken.packets(begin_ns)
            assert_none_missed(packets)
        return Figures(missed(packets), said_s, said)


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
            lit = broken.lit(begin_ns)
            code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "skip"})
            assert (code, answer["on_the_wire"]) == (201, True)
            skipped_ns = time.time_ns()
            subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
            wait_until(lambda: [one.kind for one in broken.overrides()] == ["dim", "skip"], "both on the disk", 60)
            broken.wait_until_lit()
            all_right(broken, skipped_ns)
        return Figures(missed(lit), recovered_s, said, off=round(recovered_s * FPS))


@contextmanager
def again(broken: Broken) -> Iterator[None]:
    """`gloaming run` once more, with the access of before: the state folder cannot be written."""
    evening = broken.evening
    command = [sys.executable, "-m", "gloaming.api.cli.main", "run", str(evening.folder)]
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


def planner_killed(folder: Path) -> Figures:
    """kill -9 of the planner: the transmitter plays on from its score."""
    with broken_evening(folder, "127.0.74.17") as broken:
        broken.wait_until_lit()
        begin_ns, killed = time.time_ns(), broken.evening.pid("planner")
        os.kill(killed, signal.SIGKILL)
        back_s = since(lambda: broken.evening.pid("planner") != killed and broken.evening.now(), "another planner")
        broken.wait_until_lit()
        packets = broken.packets(begin_ns)
        assert_none_missed(packets)
        all_right(broken, begin_ns)
        return Figures(missed(packets), back_s, broken.says("the planner has started", "start"))


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
        said = broken.says("the planner has started", "start")
        return Figures(missed(broken.lit(begin_ns)), recovered_s, said, off=round(recovered_s * FPS))


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
        said = re.sub(r"\d{8,}", "...", broken.says("set aside", "state"))
        all_right(broken, begin_ns)
        assert list(broken.evening.state.glob("state-damaged-*.db"))
        return Figures(missed(broken.lit(begin_ns)), recovered_s, said, off=round(recovered_s * FPS))


ROWS: dict[str, Callable[[Path], Figures]] = {
    "a chunk of a frame file is damaged": frames_damaged,
    "a frame file is cut short": frames_cut_short,
    "a frame file is missing": frames_missing,
    "a slow piece": slow_piece,
    "a still for the whole evening": a_still,
    "all pieces of a show are damaged": all_damaged,
    "a sound file is gone": sound_file_gone,
    "the sound device is gone": sound_device_gone,
    "network down to one of two controllers": network_down,
    "the wall clock steps by 10 min": clock_steps,
    "the clock is not to be trusted": clock_untrusted,
    "disk full": disk_full,
    "disk slow, 3 s a write": disk_slow,
    "disk worn out in mid-piece": disk_worn_out,
    "disk read-only when power comes": disk_read_only,
    "planner killed": planner_killed,
    "transmitter killed": transmitter_killed,
    "power cut": power_cut,
    "site.toml edited with a mistake": site_mistaken,
    "state database damaged": state_damaged,
    "another source on our universes": another_source,
    "the page's port is taken": port_taken,
    "the page's certificate has expired": certificate_expired,
    "a stick that comes late": stick_late,
}
