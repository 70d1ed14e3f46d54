"""When things go wrong: each row of the fault table, broken on purpose. Timings are printed by tests.bench.faults."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.daemon import faults
from tests.daemon.numbered import LATE_FRAMES
from tests.tools import needs

SAID = {
    "a chunk of a frame file is damaged": ".frames",
    "a frame file is cut short": ".frames",
    "a frame file is missing": ".frames",
    "a slow piece": "longest silence",
    "a still for the whole evening": "the planner answers after",
    "all pieces of a show are damaged": "none of its pieces can be played",
    "a sound file is gone": ".flac",
    "the sound device is gone": "device",
    "network down to one of two controllers": "packets to 192.0.2.102 are not taken",
    "the wall clock steps by 10 min": "the clock stepped by -600",
    "the clock is not to be trusted": "cannot be",
    "disk full": "the disk takes nothing",
    "disk slow, 3 s a write": "it is slow",
    "disk worn out in mid-piece": "the disk takes nothing",
    "disk read-only when power comes": "the disk takes nothing",
    "planner killed": "the planner has started",
    "transmitter killed": "the transmitter is gone",
    "power cut": "the planner has started",
    "site.toml edited with a mistake": "'25:00' is not a time",
    "state database damaged": "the state database was damaged",
    "another source on our universes": '"Harbour office" at 192.0.2.102, sends on universe 2 with priority 130',
    "the page's port is taken": "127.0.74.35:8090: Address already in use",
    "the page's certificate has expired": "board.pem has expired (2026-01-10 00:00 UTC)",
    "a stick that comes late": "site.toml: there is no such file",
}
ELSEWHERE = {
    "site.toml edited with a mistake",
    "the clock is not to be trusted",
    "a sound file is gone",
    "the sound device is gone",
    "another source on our universes",
    "disk slow, 3 s a write",
    "disk worn out in mid-piece",
    "planner killed",
    "transmitter killed",
    "power cut",
}
"""Rows with tests of their own: test_reload, test_clock_1970, sound/test_client, test_readers, test_bad_boards,
test_one_evening (who is killed), test_a_real_boot (a power cut); a worn card needs a loop device, and is left to the
bench."""

NEEDED = {
    "network down to one of two controllers": ("ip", "root"),
    "the page's certificate has expired": ("faketime", "openssl"),
    "the wall clock steps by 10 min": ("libfaketime",),
    "disk full": ("root",),
    "disk read-only when power comes": ("root",),
}
ROWS = [
    pytest.param(row, marks=needs(*NEEDED[row]) if row in NEEDED else ()) for row in faults.ROWS if row not in ELSEWHERE
]


@pytest.mark.parametrize("row", ROWS)
def test_it_carries_on_and_tells(row: str, tmp_path: Path) -> None:
    figures = faults.ROWS[row](tmp_path)
    print(figures)
    assert SAID[row] in figures.said
    assert figures.missed <= LATE_FRAMES
