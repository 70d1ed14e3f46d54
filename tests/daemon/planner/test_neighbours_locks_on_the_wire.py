"""Dark hours, with real processes and a receiver: no time that is given and no step of the clock lights anything."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.daemon.broken_evening import ROUND_THE_CLOCK, Broken, broken_evening, moved_to
from tests.daemon.planner.test_clock_1970 import clear_away_what_the_dead_left, stepping
from tests.tools import needs
from tests.waiting import wait_until

DARK = 'dark = [{ from = "10:00", to = "13:00" }]'


class Board:
    """Planner and transmitter without a supervisor, whose sleep libfaketime does not bear."""

    def __init__(self, broken: Broken, steps: Path) -> None:
        self.state, self.steps, self.folder = broken.evening.state, steps, broken.folder
        self.state.mkdir()
        self.running: dict[str, subprocess.Popen[bytes]] = {}

    def start(self, which: str) -> None:
        modules = {
            "transmitter": ["gloaming.daemon.transmitter", str(self.state / "transmitter.sock")],
            "planner": ["gloaming.api.serve", str(self.folder), "--state", str(self.state)],
        }
        clear_away_what_the_dead_left()
        for name in ("address", "token") if which == "planner" else ():
            (self.state / name).unlink(missing_ok=True)
        command = [sys.executable, "-m", *modules[which]]
        self.running[which] = subprocess.Popen(command, env={**os.environ, **stepping(self.steps)})

    def kill(self, which: str) -> None:
        process = self.running.pop(which)
        process.send_signal(signal.SIGKILL)
        process.wait(30)

    def set_clock(self, local: str) -> None:
        """The machine's clock is set, to a local time of the site."""
        self.steps.write_text(f"{moved_to(local) // 1_000_000_000:+}s\n")


@contextmanager
def board_of(broken: Broken, steps: Path, local: str) -> Iterator[Board]:
    board = Board(broken, steps)
    board.set_clock(local)
    try:
        for which in ("transmitter", "planner"):
            board.start(which)
        yield board
    finally:
        for which in list(board.running):
            board.kill(which)
        clear_away_what_the_dead_left()


@needs("libfaketime")
def test_in_dark_hours_a_receiver_sees_nothing_whatever_is_said_of_the_time(tmp_path: Path) -> None:
    """It is 11:36, the clock is believed, and it is dark until 13:00. Then somebody wants it to be 15:00."""
    site = {"performance": ROUND_THE_CLOCK, "more": f'[clock]\ntrust = "plausible"\n\n[neighbours]\n{DARK}\n'}
    with (
        broken_evening(tmp_path, "127.0.74.41", start=False, moved=False, dark=False, **site) as broken,
        board_of(broken, tmp_path / "faketime", "2026-12-12T11:36") as board,
    ):
        evening = broken.evening
        assert evening.now()["state"] == "dark"
        wait_until(lambda: (evening.now()["health"]["transmitter"] or {}).get("held"), "what the transmitter holds")

        code, problem = evening.ask("POST", "/api/clock", {"utc": "2026-12-12T15:00:00Z"})
        assert (code, "the board takes no time from you" in str(problem)) == (409, True)
        refused(broken)

        board.set_clock("2026-12-12T15:00")
        wait_until(lambda: evening.now()["at"][:13] == "2026-12-12T15", "the planner's noticing")
        assert "began before the clock was set, and last until 16:2" in evening.now()["reasons"][0]["text"]
        refused(broken)

        for which in ("planner", "transmitter", "planner"):
            board.kill(which)
            board.start(which)
            assert evening.now()["state"] == "dark"
            refused(broken)
        board.kill("planner")
        board.set_clock("2026-12-12T19:00")
        time.sleep(1)
        board.start("planner")
        assert "no light" in evening.now()["reasons"][0]["text"]
        refused(broken)
        assert broken.packets()
        assert not broken.lit()

        path = broken.folder / "site.toml"
        path.write_text(path.read_text().replace('"13:00"', '"11:50"'))
        broken.wait_until_lit()


def refused(broken: Broken) -> None:
    """A call and a rig check are refused by the dark hours; nothing is lit a while later."""
    for path, asked in (
        ("/api/overrides", {"kind": "call", "show": "evening"}),
        ("/api/rig-check", {"pattern": "colours"}),
    ):
        code, problem = broken.evening.ask("POST", path, asked)
        assert (code, "no light" in str(problem)) == (409, True), problem
    time.sleep(0.5)
    assert not broken.lit()
