"""Boards that are badly off: a card that stalls, a state of another owner, a port that is taken, no permission, no
language, far years."""

from __future__ import annotations

import os
import resource
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from tests.daemon.broken_evening import ROUND_THE_CLOCK, Broken, broken_evening
from tests.daemon.numbered import assert_none_missed, assert_right
from tests.daemon.planner.test_clock_1970 import both, stepping
from tests.daemon.slow_disk import SlowDisk
from tests.tools import needs
from tests.waiting import wait_until

PLAUSIBLE = '[clock]\ntrust = "plausible"\n'


@needs("C headers", "gcc")
def test_a_card_that_stalls_holds_back_no_frame_no_answer_and_no_score(tmp_path: Path) -> None:
    """It stalls until the test has seen everything: a process that waits for the card would wait for ever."""
    disk = SlowDisk(tmp_path / "slow", tmp_path / "site" / "state")
    with broken_evening(tmp_path, "127.0.74.29", environment=disk.environment) as broken:
        broken.wait_until_lit()
        disk.slow(3600)
        begin_ns = time.time_ns()
        for request in ({"kind": "dim", "level": 1.0, "minutes": 5}, {"kind": "skip"}):
            code, answer = broken.evening.ask("POST", "/api/overrides", request)
            assert (code, answer["on_the_wire"]) == (201, True)
        skipped_ns = time.time_ns()
        (trouble,) = wait_until(lambda: broken.troubles("disk"), "a trouble of the disk")
        assert "slow" in trouble["text"]
        assert [one["kind"] for one in broken.ask("/api/now")["overrides"]] == ["dim", "skip"]
        assert any("skip" in line for line in broken.journal("override"))
        broken.wait_until_lit()
        packets = broken.packets(begin_ns)
        assert_none_missed([packet for packet in packets if packet.at_ns > skipped_ns])
        disk.go_on()
        wait_until(lambda: not broken.troubles("disk"), "an end of the trouble")
        assert [one.kind for one in broken.overrides()] == ["dim", "skip"]
        assert_right(broken.lit(skipped_ns)[::20], broken.site, broken.overrides(), broken.evening.offset_ns)


@contextmanager
def run_as(broken: Broken, *before: str, environment: dict[str, str] | None = None) -> Iterator[subprocess.Popen[str]]:
    """`gloaming run` behind another command, ended with SIGTERM."""
    known = os.environ if environment is None else environment
    env = {**known, "GLOAMING_CLOCK_OFFSET_NS": str(broken.evening.offset_ns)}
    command = [*before, sys.executable, "-m", "gloaming.api.cli.main", "run", str(broken.folder)]
    process = subprocess.Popen(command, env=env, stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
    try:
        yield process
    finally:
        process.terminate()
        process.wait(30)


@needs("root")
def test_a_state_folder_of_another_owner_is_said_in_a_line_and_the_show_goes_on(tmp_path: Path) -> None:
    """As a root who may not pass over permissions (capabilities(7), CAP_DAC_OVERRIDE); 65534 is nobody in Debian."""
    with broken_evening(tmp_path, "127.0.74.30", start=False) as broken:
        broken.evening.state.mkdir(mode=0o700)
        os.chown(broken.evening.state, 65534, 65534)
        with run_as(broken, "setpriv", "--bounding-set=-dac_override,-dac_read_search") as process:
            lit = broken.wait_until_lit()
            assert_right(lit[::10], broken.site, (), broken.evening.offset_ns)
        assert process.stderr
        said = process.stderr.read().splitlines()
        (line,) = [line for line in said if str(broken.evening.state) in line]
        assert "belongs to nobody" in line and "chown -R" in line and "the show plays on" in line, said
        assert not any("Traceback" in line for line in said), said


def test_a_taken_port_is_said_on_one_line_at_the_terminal_and_the_show_goes_on(tmp_path: Path) -> None:
    address = "127.0.74.38"
    with broken_evening(tmp_path, address, start=False) as broken:
        with socket.create_server((address, 8090)), run_as(broken) as process:
            lit = broken.wait_until_lit()
            assert_right(lit[::10], broken.site, (), broken.evening.offset_ns)
            wait_until((broken.evening.state / "no-page").exists, "a page without a port")
        assert process.stderr
        said = process.stderr.read().splitlines()
        (line,) = [line for line in said if f"{address}:8090" in line]
        assert line.startswith(f"{broken.folder / 'site.toml'}:"), line
        assert "phone.listen" in line and "in use" in line and "the show plays on" in line, line
        assert "end the program that has its port" in line, line
        assert not any("Traceback" in line for line in said), said


def test_a_board_that_grants_nothing_has_no_home_and_speaks_no_language(tmp_path: Path) -> None:
    """No real time, no locked memory, no HOME, the locale C: the show is given, and its name is as it is written."""

    with broken_evening(tmp_path, "127.0.74.31", start=False) as broken:
        path = broken.folder / "site.toml"
        text = path.read_text(encoding="utf-8").replace("Pier Road boathouse", "Bådehuset ved Pier Road — 艇庫")
        path.write_text(text, encoding="utf-8")
        kept = {name: os.environ[name] for name in ("PATH", "PYTHONPATH") if name in os.environ}
        bare = {**kept, "LC_ALL": "C"}
        nothing = ["setpriv", "--bounding-set=-sys_nice,-ipc_lock", "prlimit", "--rtprio=0", "--memlock=0", "--"]
        with run_as(broken, *nothing, environment=bare):
            lit = broken.wait_until_lit(seconds=1.5)
            assert_right(lit[::10], broken.site, (), broken.evening.offset_ns)
            now = broken.evening.now()
            assert now["site"] == "Bådehuset ved Pier Road — 艇庫"


@needs("libfaketime")
def test_2_to_the_31_seconds_pass_in_mid_piece_without_effect(tmp_path: Path) -> None:
    """In 2038, where counters of 32 bits run over."""
    beyond_s, steps = 2**31, tmp_path / "faketime"

    def set_clock(before_s: int) -> int:
        """The clock is set to so many seconds before the moment. Returns its offset, in seconds."""
        offset_s = beyond_s - int(time.time()) - before_s
        steps.write_text(f"{offset_s:+}s\n")
        return offset_s

    site = {"performance": ROUND_THE_CLOCK, "more": PLAUSIBLE, "dark": False}
    with broken_evening(tmp_path, "127.0.74.32", start=False, moved=False, **site) as broken:
        set_clock(3600)  # a busy machine takes its time to begin
        with both(broken, stepping(steps)):
            assert broken.evening.now()["state"] == "playing"
            code, _ = broken.evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 1.0, "minutes": 120})
            assert code == 201
            offset_s = set_clock(6)
            broken.says("the clock stepped", "clock")
            broken.wait_until_lit()
            begin_ns = time.time_ns()
            wait_until(lambda: time.time() + offset_s > beyond_s + 1, "the moment")
            packets = broken.wait_until_lit(since_ns=begin_ns)
            (dim,) = broken.overrides()
            assert dim.at_ns < beyond_s * 10**9 < dim.until_ns
            assert_right(packets[::10], broken.site, (dim,), offset_s * 10**9)
            assert_none_missed(packets)


def test_memory_that_is_refused_for_a_while_costs_the_light_no_longer_than_that(tmp_path: Path) -> None:
    """No more address space for planner and transmitter (prlimit(2), RLIMIT_AS), then as much as they like."""
    with broken_evening(tmp_path, "127.0.74.33") as broken:
        broken.wait_until_lit()
        pids = [broken.evening.pid(name) for name in ("planner", "transmitter")]
        for pid in pids:
            refuse(pid)
        address = (broken.evening.state / "address").read_text().strip()
        for path in ("healthz", "api/nights?days=30", "api/journal"):
            with suppress(OSError):  # whatever the answer is, and if there is none
                urllib.request.urlopen(f"{address}/{path}", timeout=1).close()
        time.sleep(1)
        for pid in pids:
            if Path(f"/proc/{pid}").exists():
                resource.prlimit(pid, resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
        begin_ns = time.time_ns()
        wait_until(lambda: broken.evening.now()["health"]["transmitter"], "both processes")
        lit = broken.wait_until_lit()
        assert_right(lit[::10], broken.site, broken.overrides(), broken.evening.offset_ns)
        code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "skip"})
        assert (code, answer["on_the_wire"]) == (201, True)
        assert broken.lit(begin_ns)


def refuse(pid: int) -> None:
    """No more memory than a process has."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[0])
    resource.prlimit(pid, resource.RLIMIT_AS, (pages * resource.getpagesize(), resource.RLIM_INFINITY))
