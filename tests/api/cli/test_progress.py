"""The line of progress: what it says, and when nothing is drawn."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.api.cli.test_frames import gloaming
from tests.api.cli.test_rig import CSV
from tests.daemon.surveyed_site import calm, make
from tests.places import MOVING_PICTURE
from tests.shows.streams import captured, stream
from tests.terminal import in_terminal

WORK = """
import argparse, sys, time
from gloaming.api.cli import progress
progress.DELAY_S, progress.EVERY_S = {delay}, 0.05
with progress.bar(argparse.Namespace(json={json}), "writing", "packets") as work:
{calls}
print("done")
"""


def program(*calls: str, delay: float = 0, json: bool = False) -> list[str]:
    lines = "\n".join(f"    {call}" for call in calls)
    return [sys.executable, "-c", WORK.format(calls=lines, delay=delay, json=json)]


STEPS = ("work(1, 4)", "time.sleep(1.2)", "work(2, 4)", "time.sleep(0.4)")


def screen(written: str) -> str:
    """What is left to read when all is written: a return goes to the beginning of the line."""
    lines = []
    for line in written.replace("\r\n", "\n").split("\n"):
        shown = ""
        for part in line.split("\r"):
            shown = part + shown[len(part) :]
        lines.append(shown.rstrip())
    return "\n".join(lines)


def test_it_shows_how_far_the_work_is_and_the_time_that_is_left_and_goes() -> None:
    code, written = in_terminal(program(*STEPS))
    assert code == 0
    assert "\rwriting [######------------------]  25%" in written
    assert re.search(r"\rwriting \[############------------\]  50%, 0:0[1-9] left", written)
    assert screen(written) == "done\n"
    assert "\x1b" not in written


def test_where_nobody_knows_how_much_there_is_it_says_what_is_done() -> None:
    _, written = in_terminal(program("work(12345, None)", "time.sleep(0.4)"))
    assert "writing: 12,345 packets so far" in written


def test_the_time_that_is_left_is_of_the_part_that_is_under_way() -> None:
    """The first pass over a file does not count for the second one."""
    _, written = in_terminal(program("work(9, None)", "time.sleep(1.5)", "work(1, 2)", "time.sleep(0.3)"))
    assert re.search(r"\[############------------\]  50% *\r", written)


def test_a_message_stands_above_the_line() -> None:
    call = 'print("a warning", file=sys.stderr)'
    _, written = in_terminal(program("work(1, 4)", "time.sleep(0.3)", call, "time.sleep(0.3)"))
    assert screen(written) == "a warning\ndone\n"
    assert "25%" in written.partition("a warning")[2]


@pytest.mark.parametrize("how", [{"delay": 2}, {"json": True}])
def test_nothing_is_drawn_of_short_work_and_with_json(how: dict[str, float]) -> None:
    assert in_terminal(program(*STEPS, **how)) == (0, "done\r\n")  # type: ignore[arg-type]  # each case gives one of its options


def test_nothing_is_drawn_where_standard_error_is_no_terminal() -> None:
    done = subprocess.run(program(*STEPS), capture_output=True, text=True, check=True)
    assert (done.stdout, done.stderr) == ("done\n", "")


SLOWLY = """
import sys, time
from gloaming.api.cli import main, progress
progress.DELAY_S, progress.EVERY_S = 0, 0.01
take = progress._Drawn.__call__
progress._Drawn.__call__ = lambda *at: (take(*at), time.sleep(0.03))
sys.exit(main.main())
"""
"""A call whose work takes a little longer, so that it can be seen."""
CALLS = {
    "frames verify in.frames": "verifying",
    "frames import in.npy out.frames --fps 25 --universes 1-13": "importing",
    "frames import folder pieces --fps 25 --universes 1-13": "importing",
    "frames export in.frames out.mp4": "exporting",
    "frames preview in.frames out.png": "reading",
    "frames gain in.frames out.frames --by 0.5": "writing",
    "frames remap in.frames out.frames --to rig.toml": "moving",
    "frames split in.frames pieces --at-black 3": "looking for black",
    "record --capture in.pcap out.frames": "reading",
    "survey site --ask-nobody": "tide",
    "rehearse site --days 20": "rehearsing",
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("progress")
    (folder / "in.npy").symlink_to(MOVING_PICTURE)
    (folder / "folder").mkdir()
    (folder / "folder" / "tide.npy").symlink_to(MOVING_PICTURE)
    (folder / "strings.csv").write_text(CSV)
    (folder / "site").mkdir()
    make(folder / "site", calm)
    gloaming("import", folder / "strings.csv", folder / "rig.toml", folder=folder, command="rig")
    gloaming("import", "in.npy", "in.frames", "--fps", "25", "--universes", "1-13", folder=folder)
    captured(folder / "in.pcap", stream(np.full((2000, 6), 9, np.uint8), 6, 25))
    return folder


@pytest.mark.parametrize("call", CALLS)
def test_every_command_that_may_last_shows_how_far_it_is(call: str, folder: Path) -> None:
    code, written = in_terminal([sys.executable, "-c", SLOWLY, *call.split()], folder)
    assert code == 0, written
    assert re.search(rf"\r{CALLS[call]}( \[#*-*\] +[0-9]+%|: [0-9,]+ packets so far)", written)
    assert not re.search(r"so far|%, |\[#*-*\]", screen(written))
