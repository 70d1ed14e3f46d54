"""The supervisor: one run for each state folder; what dies is started again."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path

from tests.api.daemon import Daemon
from tests.api.evening import _processes as processes
from tests.api.evening import gloaming
from tests.api.house import write_site
from tests.waiting import wait_until


def test_a_second_run_on_one_state_folder_is_refused_and_leaves_the_first_alone(tmp_path: Path) -> None:
    folder = write_site(tmp_path / "site")
    command = [sys.executable, "-m", "gloaming.api.cli.main", "run", str(folder)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as first:
        wait_until((folder / "state" / "address").exists, "an address")
        wait_until(lambda: gloaming("now", folder).returncode == 0, "an answer", every_s=0.2)
        second = gloaming("run", folder)
        assert second.returncode == 2
        assert "another `gloaming run`" in second.stderr
        now = json.loads(gloaming("now", "--json", folder).stdout)
        assert now["health"]["transmitter"] is not None
        first.send_signal(signal.SIGTERM)
        assert first.wait(30) == 0


def test_a_show_goes_on_when_nobody_reads_its_output(tmp_path: Path) -> None:
    """As with `gloaming run site 2>&1 | head -3`, or a terminal that was closed."""
    reading, writing = os.pipe()
    one = Daemon(tmp_path, out=writing)
    try:
        os.close(writing)
        os.close(reading)
        with socket.create_connection(one.address) as sock:
            sock.sendall(b"\x16\x03\x01\x02\x00\r\n\r\n")  # the planner complains
            assert sock.recv(12) == b"HTTP/1.1 400"

        def planner() -> int | None:
            return next(
                (pid for pid, line in processes() if "gloaming.api.serve" in line and str(one.state) in line), None
            )

        killed = planner()
        assert killed
        os.kill(killed, signal.SIGKILL)  # the supervisor tells of it
        wait_until(lambda: one.process.poll() is not None or planner() not in (None, killed), "another planner")
        wait_until(lambda: one.process.poll() is not None or one.answers(), "an answer")
        assert one.now()["state"] == "playing"
    finally:
        one.stop()
