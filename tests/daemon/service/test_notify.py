"""Notices to the service manager."""

from __future__ import annotations

import os
import socket
from pathlib import Path

import pytest

from gloaming.daemon.service.notify import Notifier, watchdog_s


def test_a_notice_arrives_at_a_path_and_at_an_abstract_name(tmp_path: Path) -> None:
    """sd_notify(3): datagrams of lines to $NOTIFY_SOCKET, @ for the abstract namespace."""
    path, name = str(tmp_path / "notify"), f"gl-{os.getpid()}"
    for address, spelled in ((path, path), (f"\0{name}", f"@{name}")):
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
            manager.bind(address)
            assert Notifier(spelled).notify("READY=1", "STATUS=playing")
            assert manager.recv(100) == b"READY=1\nSTATUS=playing"
    assert not Notifier("").notify("READY=1")
    assert not Notifier(str(tmp_path / "nobody")).notify("WATCHDOG=1")


@pytest.mark.parametrize(
    ("allowed", "pid", "expected"),
    [("6000000", "", 2.0), ("6000000", "own", 2.0), ("6000000", "1", None), ("0", "", None), ("", "", None)],
)
def test_the_watchdog_is_notified_three_times_as_often_as_it_asks(
    monkeypatch: pytest.MonkeyPatch, allowed: str, pid: str, expected: float | None
) -> None:
    monkeypatch.setenv("WATCHDOG_USEC", allowed)
    monkeypatch.setenv("WATCHDOG_PID", str(os.getpid()) if pid == "own" else pid)
    assert watchdog_s() == expected
