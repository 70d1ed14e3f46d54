"""The service's log: journald's native protocol, levels and fields, and no line twice in a minute."""

from __future__ import annotations

import logging
import os
import socket
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from gloaming.daemon.service.log import OF_A_KIND, ServiceLog, journald_listens


def fields_of(data: bytes) -> dict[str, str]:
    """The fields of a datagram, as systemd.io/JOURNAL_NATIVE_PROTOCOL has them."""
    found: dict[str, str] = {}
    while data:
        line, _, data = data.partition(b"\n")
        name, equals, value = line.partition(b"=")
        if not equals:
            (length,) = struct.unpack_from("<Q", data)
            value, data = data[8 : 8 + length], data[8 + length :]
            assert data[:1] == b"\n"
            data = data[1:]
        found[name.decode()] = value.decode()
    return found


class Journald:
    """Receives the log at a socket of its own."""

    def __init__(self, path: Path) -> None:
        self.path, self.now_s = path, 1000.0
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self.socket.bind(str(path))
        self.log = ServiceLog(lambda: self.now_s)
        self.log.open("gloaming-planner", journald=True, path=str(path))

    def received(self) -> list[dict[str, str]]:
        found = []
        while True:
            try:
                found.append(fields_of(self.socket.recv(1 << 20)))
            except BlockingIOError:
                return found


@pytest.fixture
def journald(tmp_path: Path) -> Iterator[Journald]:
    server = Journald(tmp_path / "socket")
    with closing(server.socket):
        yield server


def test_a_line_of_the_journal_has_its_level_and_its_fields(journald: Journald) -> None:
    journald.log.line("playing", "playing, tide", data={"show": "evening", "piece": "tide", "level": 0.8, "cut": None})
    journald.log.line("override", "pause until 18:00", "Ada's phone", {"id": 7})
    journald.log.line("fault", "tide.frames: it is damaged")
    playing, override, fault = journald.received()
    assert playing == {
        "MESSAGE": "playing, tide",
        "PRIORITY": "6",
        "SYSLOG_IDENTIFIER": "gloaming-planner",
        "GLOAMING_KIND": "playing",
        "GLOAMING_SHOW": "evening",
        "GLOAMING_PIECE": "tide",
        "GLOAMING_LEVEL": "0.8",
    }
    assert (override["GLOAMING_WHO"], override["GLOAMING_ID"]) == ("Ada's phone", "7")
    assert (fault["PRIORITY"], fault["GLOAMING_KIND"]) == ("3", "fault")


def test_the_end_of_a_trouble_is_no_warning(journald: Journald) -> None:
    journald.log.line("trouble", "network: packets are not taken")
    journald.log.line("trouble", "over: network: over", data={"over": True})
    assert [line["PRIORITY"] for line in journald.received()] == ["4", "5"]


def test_a_line_that_repeats_is_logged_once_a_minute(journald: Journald) -> None:
    lines = []
    for second in range(600):
        journald.now_s = 1000.0 + second
        journald.log.line("restart", "the transmitter is gone")
        journald.log.line("trouble", f"packets to 192.0.2.21 are not taken, {second} so far")
        journald.log.line("override", f"pause {'x' * second}")  # no two alike
        lines += journald.received()
    repeated = [line["MESSAGE"] for line in lines if line["GLOAMING_KIND"] != "override"]
    assert len(lines) - len(repeated) == 600, "commands of people have no bound"
    assert len(repeated) == 20
    assert repeated[2] == "the transmitter is gone (59 more like it since the last)"


def test_different_lines_of_one_kind_are_bounded(journald: Journald) -> None:
    """Senders on the network choose their names: 50 new lines a second, for two minutes."""
    texts: list[str] = []
    for tenth in range(1200):
        journald.now_s = 1000.0 + tenth / 10
        for number in range(5):
            journald.log.line(
                "trouble", f"source {chr(97 + tenth % 26)}{chr(97 + tenth // 26)}{chr(97 + number)} sends"
            )
        if tenth == 300:
            journald.log.line("override", "pause until 18:00")
        texts += [one["MESSAGE"] for one in journald.received()]
    assert OF_A_KIND < len(texts) <= 2 * OF_A_KIND + 1 and "pause until 18:00" in texts
    assert any("more like it" in text for text in texts)


def test_a_traceback_is_one_entry_with_its_line_breaks(journald: Journald) -> None:
    journald.log.complain("ended\nTraceback (most recent call last):\n  ...", 3)
    assert journald.received()[0]["MESSAGE"] == "ended\nTraceback (most recent call last):\n  ..."


def test_the_log_does_not_wait_for_a_missing_journald_and_counts_the_lost_lines(journald: Journald) -> None:
    journald.socket.close()
    journald.path.unlink()
    for number in range(5):
        journald.log.line("playing", f"playing {'x' * number}")
    journald.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
    journald.socket.bind(str(journald.path))
    journald.log.line("playing", "playing again")
    assert [(line["MESSAGE"], line["GLOAMING_LOST"]) for line in journald.received()] == [("playing again", "5")]


def test_the_log_does_not_wait_for_a_journald_that_does_not_read(journald: Journald) -> None:
    for number in range(5000):
        journald.log.line("playing", "x" * number)
    assert 0 < len(journald.received()) < 5000


def test_standard_error_is_journald_s_if_journal_stream_names_its_inode() -> None:
    here = os.fstat(2)
    assert journald_listens({"JOURNAL_STREAM": f"{here.st_dev}:{here.st_ino}"})
    assert not journald_listens({"JOURNAL_STREAM": f"{here.st_dev}:{here.st_ino + 1}"})
    assert not journald_listens({})


def test_without_journald_only_complaints_are_logged_once_a_minute(capfd: pytest.CaptureFixture[str]) -> None:
    log = ServiceLog(lambda: 0.0)
    log.complain("before the log is open")
    log.open("planner", journald=False)
    for _ in range(3):
        log.line("playing", "playing, tide")
        log.complain("site.toml:3: it is wrong")
    assert capfd.readouterr().err == "site.toml:3: it is wrong\n"


def test_library_messages_and_uncaught_exceptions_are_logged() -> None:
    code = (
        "import logging\nfrom gloaming.daemon.service.log import open_log\nopen_log('planner')\n"
        "for port in range(3): logging.getLogger('uvicorn.error').warning('Invalid HTTP request from %d', port)\n"
        "logging.getLogger('uvicorn.error').info('Started')\nraise LookupError('nobody caught this')\n"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False).stderr
    assert said.splitlines()[0] == "Invalid HTTP request from 0"
    assert said.count("Invalid") == 1
    assert "Started" not in said
    assert said.endswith("LookupError: nobody caught this\n")
    assert logging.getLogger("uvicorn.error").handlers == []
