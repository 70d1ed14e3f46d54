"""The planner's process: what it tells the service manager, and how it waits for a site that loads."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from gloaming.api import serve
from gloaming.daemon.site import versions
from gloaming.daemon.site.editing import read_files
from gloaming.daemon.site.versions import Versions
from tests.api.house import write_site
from tests.daemon import numbered
from tests.waiting import wait_until


def test_the_service_manager_is_notified_though_the_page_has_no_port(tmp_path: Path) -> None:
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(tmp_path / "notify"))
    manager.settimeout(30)
    with manager, socket.create_server(("127.0.0.1", 0)) as taken:
        folder = write_site(tmp_path / "site", listen="127.0.0.1:" + str(taken.getsockname()[1]))
        state = tmp_path / "state"
        state.mkdir()
        command = [sys.executable, "-m", "gloaming.api.serve", str(folder), "--state", str(state)]
        environment = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "600000"}
        with subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL) as planner:
            assert manager.recv(100).startswith(b"READY=1")
            wait_until(lambda: (state / "no-page").exists(), "a page without a port")
            while True:  # what was said before is read first
                manager.setblocking(False)
                try:
                    manager.recv(100)
                except BlockingIOError:
                    break
            manager.settimeout(30)
            assert manager.recv(100) == b"WATCHDOG=1"
            planner.terminate()
            assert planner.wait(30) == 0


def test_a_planner_that_cannot_start_reports_why_once_and_starts_when_the_site_is_corrected(tmp_path: Path) -> None:
    """As a service manager runs it: ready and alive for the manager while it waits, and said once a minute."""
    numbered.write_site(tmp_path / "site", "127.0.75.3", 'from = "12:00"\nto = "06:00"')
    path = tmp_path / "site/site.toml"
    right = path.read_text()
    path.write_text(right.replace("12:00", "25:00"))
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(str(tmp_path / "notify"))
    manager.settimeout(60)
    state = tmp_path / "state"
    state.mkdir()
    command = [sys.executable, "-m", "gloaming.api.serve", str(tmp_path / "site"), "--state", str(state)]
    by_hand = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert (by_hand.returncode, by_hand.stderr.count("\n")) == (2, 1)
    assert "25:00" in by_hand.stderr
    environment = {**os.environ, "NOTIFY_SOCKET": str(tmp_path / "notify")}
    with manager, subprocess.Popen([*command, "--listen", "127.0.75.3:0"], env=environment, stderr=-1) as one:
        for _ in range(3):
            told = manager.recv(4096)
            assert told.startswith(b"READY=1\nWATCHDOG=1\nSTATUS=waits for a site without a mistake: ")
            assert b"25:00" in told
        path.write_text(right)
        while told != b"READY=1\nSTATUS=the show is on":
            told = manager.recv(4096)
        one.terminate()
        said = one.communicate(timeout=60)[1]
        assert one.returncode == 0
        assert (said.count(b"\n"), b"25:00" in said) == (1, True)


def test_a_save_that_a_power_cut_interrupted_is_completed_at_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder, state = write_site(tmp_path / "site"), tmp_path / "state"
    state.mkdir()
    new = {name: data.replace(b"ridge", b"gable") for name, data in read_files(folder).items()}
    new["site.toml"] += b'\n[[output.zone]]\nname = "gable"\nbrightness = 0.5\n'
    replace, replaced = versions._replace, list[Path]()

    def cut(path: Path, data: bytes) -> None:
        if replaced:
            raise KeyboardInterrupt
        replaced.append(path)
        replace(path, data)

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(versions, "_replace", cut)
        Versions(state).save(folder, Versions(state).add(new, 1, "a laptop", "another name"))
    assert read_files(folder) != new, "there is a mixture, whose zone is not in the rig"
    site, refused = serve._site(folder, state)
    assert refused is None
    assert [one.name for one in site.output.zone] == ["gable"]
    assert read_files(folder) == new
