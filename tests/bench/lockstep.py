"""`python -m tests.bench.lockstep [MINUTES]`: how far apart three boards send the same frame. Needs root.

tests/timed_boards.py says what is real, and that the clocks are of software. The clocks begin seconds apart, run at
different rates that wander, and chronyd synchronises them over the bridge. Every packet is judged by the kernel's time
of its arrival at the controllers. A frame that one of the boards left out counts as not in step.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt

from tests.timed_boards import FPS, Oscillator, TimedBoards, frames_in_step, timed_boards

OSCILLATORS = {
    "quay": Oscillator(ahead_s=3.2, drift_ppm=30),
    "east": Oscillator(ahead_s=-1.4, drift_ppm=-60),
    "spare": Oscillator(ahead_s=40.0, drift_ppm=90),
}
"""A board's crystal is within 100 ppm, and wanders by a few with its temperature (common practice, no source)."""
SETTLE_S = 20.0
HALF_MS = 1000 / FPS / 2
SHARE = 0.999
QUANTILES = ((0.5, "median"), (0.99, "99 %"), (0.999, "99.9 %"), (1.0, "longest"))


def main(minutes: float) -> None:
    with tempfile.TemporaryDirectory(prefix="lockstep-") as name, timed_boards(Path(name), OSCILLATORS) as boards:
        boards.boards.wait_for_contact()
        boards.synchronise()
        time.sleep(SETTLE_S)
        begin_ns = time.time_ns()
        clocks = watch(boards, minutes)
        spread_ms, alone = frames_in_step(boards.capture.sent, begin_ns)
        lateness = {board.name: board.ask("GET", "/api/now")[1]["health"]["transmitter"] for board in boards.boards}
        measured = {board.name: board.ask("GET", "/api/boards")[1]["boards"] for board in boards.boards}
    frames = len(spread_ms) + alone
    share = float(np.sum(spread_ms <= HALF_MS)) / frames
    print(f"{minutes:g} min, {frames} frames of three boards, half a frame is {HALF_MS:g} ms\n")
    print("| what | " + " | ".join(label for _, label in QUANTILES) + " |\n| --- |" + " --- |" * len(QUANTILES))
    print(row("between the first and the last of three boards with the same frame", spread_ms))
    print(row("between the clocks that are farthest apart, looked at each second", clocks))
    print(f"\nwithin half a frame: {share:.4%} of the frames (must be {SHARE:.1%}); left out by a board: {alone}")
    for name, late in lateness.items():
        print(f"{name}: lateness of frames {late['lateness_us']} us, {late['frames_dropped']} dropped")
    for name, rows in measured.items():
        others = [f"{one['name']} {one['clock']['offset_ms']} ms" for one in rows if not one["this"]]
        print(f"{name} has measured over the broker: {', '.join(others)}")


def watch(boards: TimedBoards, minutes: float) -> npt.NDArray[np.float64]:
    """How far apart the clocks are, in ms, once a second for some minutes."""
    found, end_s = [], time.monotonic() + minutes * 60
    while time.monotonic() < end_s:
        ahead = [clock.ahead_ns() for clock in boards.clocks.values()]
        found.append((max(ahead) - min(ahead)) / 1e6)
        time.sleep(1)
    return np.array(found)


def row(what: str, ms: npt.NDArray[np.float64]) -> str:
    values = np.quantile(ms, [share for share, _ in QUANTILES])
    return f"| {what} | " + " | ".join(f"{one:.2f} ms ({one / HALF_MS:.1%})" for one in values) + " |"


if __name__ == "__main__":
    main(float(sys.argv[1]) if len(sys.argv) > 1 else 10)
