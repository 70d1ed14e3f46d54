"""`python -m tests.bench.documents [SECONDS]`: a survey from /setup on a board that plays 96 universes.

Two pieces of so many seconds (60), of noise; a string of 170 pixels on each universe. Figures: the share of frames that
were missed, and the same before, when nothing is made; the memory of the process that makes the survey, as a share of
its limit; and what the planner's memory grows by.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from pathlib import Path

from gloaming.api.http.setup.make_document import MEMORY_BYTES
from tests.bench.upload import HOSTS, MB, UNIVERSES, UploadBoard, counted, upload_board
from tests.waiting import wait_until

MAKING = "/api/setup/documents/survey/making"


def hang_strings(board: UploadBoard) -> None:
    """A string on each universe, and a fuse to compute against."""
    each = UNIVERSES // len(HOSTS)
    strings = (
        f'[[string]]\nname = "run {number}"\ncontroller = "box {(number - 1) // each}"\nuniverse = {number}\n'
        f"pixels = 170\nfuse_a = 5\nline = [[{number % 12}, {number // 12}], [{number % 12 + 1}, {number // 12}]]\n"
        for number in range(1, UNIVERSES + 1)
    )
    with (board.site / "rig.toml").open("a") as rig:
        rig.write("".join(strings))
    wait_until(lambda: len(board.get("/api/rig")["strings"]) == UNIVERSES, "the strings")


def highest_mb(planner: int | None) -> float:
    """The most memory of the process that makes a document (VmHWM, proc(5)); 0 if there is none."""
    for tasks in Path(f"/proc/{planner}/task").glob("*/children"):
        for pid in tasks.read_text().split():
            try:
                if b"make_document" in Path(f"/proc/{pid}/cmdline").read_bytes():
                    lines = dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())
                    return int(lines["VmHWM"].split()[0]) * 1024 / MB
            except (OSError, KeyError):  # it has just ended
                return 0.0
    return 0.0


def main() -> None:
    seconds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    with tempfile.TemporaryDirectory() as folder, upload_board(Path(folder) / "site", seconds) as board:
        hang_strings(board)
        frames = board.frames
        time.sleep(30)
        quiet, frames, resident = counted(frames, board.frames), board.frames, board.memory_mb("VmRSS")
        begin_s, highest = time.monotonic(), 0.0
        assert board.ask("POST", MAKING).status == 202
        while (state := json.load(board.ask("GET", MAKING)))["making"] == "running":
            highest = max(highest, highest_mb(board.planner))
            time.sleep(0.5)
        took_s, during = time.monotonic() - begin_s, counted(frames, board.frames)
        grown = board.memory_mb("VmRSS") - resident
        size = sum(path.stat().st_size for path in board.site.glob("*.frames"))
        length = len(board.ask("GET", "/api/setup/documents/survey").read())
    print(
        f"{state['making']} {state['problem']}: {size / MB:.0f} MB of frames in {took_s:.0f} s, {length} bytes of HTML"
    )
    print(f"its memory: {highest:.0f} MB, {highest * MB / MEMORY_BYTES:.2f} of its limit; the planner: {grown:+.1f} MB")
    for name, counts in (("nothing is made", quiet), ("the survey", during)):
        print(f"frames, {name}: {counts}; missed {counts['dropped'] / max(1, counts['due']):.5f} of those due")


if __name__ == "__main__":
    main()
