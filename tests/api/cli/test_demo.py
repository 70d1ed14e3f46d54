"""The demonstration, as a newcomer starts it."""

from __future__ import annotations

import json
import socket
import threading
from contextlib import suppress
from pathlib import Path

import pytest

from gloaming.api.cli.demo import _wait_for_planner
from tests.api.evening import gloaming


@pytest.mark.slow
def test_the_demonstration_plays_and_counts_what_arrives(tmp_path: Path) -> None:
    done = gloaming("demo", "--for", "4", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    counts = json.loads(done.stdout)
    assert list(counts) == [
        "universes",
        "fps",
        "frames_due",
        "frames_sent",
        "packets_sent",
        "packets_received",
        "packets_lost",
        "out_of_sequence",
        "lateness_us",
    ]
    assert counts["universes"] >= 24 and counts["fps"] == 40
    assert counts["packets_lost"] == counts["out_of_sequence"] == 0
    assert counts["packets_received"] == counts["packets_sent"]
    assert 0 <= counts["frames_due"] - counts["frames_sent"] <= counts["frames_due"] // 20
    assert counts["frames_sent"] >= 80
    assert list(counts["lateness_us"]) == ["p50", "p99", "p999", "max"]
    assert "12 December 2026" in done.stderr and "is moved to" in done.stderr
    pause = next(line for line in done.stderr.splitlines() if line.startswith("to pause it: gloaming pause /"))
    assert pause.endswith("/pier-road"), "a command that can be copied is on one line"
    assert list(tmp_path.iterdir()) == [], "nothing is left behind"


@pytest.mark.parametrize("words", ["0", "-1", "nan", "1000000"])
def test_a_wrong_length_is_reported(words: str) -> None:
    done = gloaming("demo", f"--for={words}")
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1 and "as --for 20" in done.stderr


def test_the_demonstration_finds_a_free_address(tmp_path: Path) -> None:
    taken = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    with suppress(OSError):  # somebody else has it already: as well
        taken.bind(("127.0.0.1", 5568))
    with taken:
        done = gloaming("demo", "--for", "3", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["packets_lost"] == 0


def test_ctrl_c_ends_it_though_the_planner_never_answers(tmp_path: Path) -> None:
    ending = threading.Event()
    ending.set()
    with pytest.raises(KeyboardInterrupt):
        _wait_for_planner(tmp_path, threading.main_thread(), ending)
