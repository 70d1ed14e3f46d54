"""Three boards whose clocks are far apart, until real chronyds synchronise them by the lines of systemd/README.md."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from tests.timed_boards import TOOLS, Oscillator, TimedBoards, frames_in_step, timed_boards
from tests.tools import needs
from tests.waiting import wait_until

AHEAD_S = {"east": -17, "spare": 25}
"""How far two boards are ahead of quay at the beginning."""


@needs(*TOOLS)
def test_boards_that_chrony_synchronises_send_the_same_frame(tmp_path: Path) -> None:
    """By what each frame says, and with a second of room: a busy machine pauses."""
    oscillators = {"quay": Oscillator(0, 20)} | {name: Oscillator(ahead, -50) for name, ahead in AHEAD_S.items()}
    with timed_boards(tmp_path, oscillators) as boards:
        wait_until(lambda: all(boards.capture.sent.values()), "light of all boards")
        apart = "frames as far apart as the clocks"
        wait_until(lambda: {name: round(boards.apart_s(name)) for name in AHEAD_S} == AHEAD_S, apart)
        assert clock_of(boards, "east")["program"] is None

        boards.synchronise(leave_out={"spare": "rtcsync"})
        wait_until(lambda: all(abs(boards.apart_s(name)) < 1 for name in AHEAD_S), "three boards in step")
        begin_ns = time.time_ns()
        wait_until(lambda: len(frames_in_step(boards.capture.sent, begin_ns)[0]) > 40, "a second of the same frames")
        wait_until(lambda: clock_of(boards, "east")["program"] == "chronyd", "what keeps the clock of east")
        assert clock_of(boards, "east")["error_ms"] < 1000
        assert clock_of(boards, "quay")["program"] is None, "it serves, and follows nobody"
        assert clock_of(boards, "spare")["program"] is None, "without rtcsync chrony leaves the kernel's flag"


def clock_of(boards: TimedBoards, name: str) -> dict[str, Any]:
    """The clock as a board reports it. It waits so that the rate limit allows it."""
    time.sleep(0.1)
    return dict(boards.boards[name].ask("GET", "/api/now")[1]["clock"])
