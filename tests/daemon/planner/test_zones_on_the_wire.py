"""Overrides of zones by command, with a real planner and transmitter, read by the sacn library's receiver."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.api.evening import Evening, Reader, evening_apart, numbered
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip")

RIG = """[[controller]]
name = "left"
universes = "1-2"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 170
group = "roof"

[[string]]
name = "path"
controller = "left"
universe = 2
pixels = 30
"""
ROOF, PATH = 1, 2
FULL = 200
"""What the piece has on its slots from the fifth on."""


@dataclass(frozen=True)
class Board:
    """An evening that runs, and a receiver."""

    evening: Evening
    reader: Reader

    def gloaming(self, *words: str, code: int = 0) -> str:
        """A command's output; of both streams, in their order."""
        command = [*self.evening.within(), sys.executable, "-m", "gloaming.api.cli.main", *words]
        both: Any = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT}
        where = [str(self.evening.folder)]
        done = subprocess.run([*command, *where], **both, text=True, timeout=60, check=False)
        assert done.returncode == code, done.stdout
        return str(done.stdout)

    def level(self, universe: int) -> int:
        """Of the newest packet."""
        return next(one for one in reversed(self.reader.seen()) if one.universe == universe).slots[50]

    def shows(self, roof: int, path: int) -> None:
        """The wire has these levels, at once or after the fade. The library hands over changes alone."""
        wait_until(lambda: (self.level(ROOF), self.level(PATH)) == (roof, path), f"{roof} and {path}")


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Board]:
    with evening_apart(tmp_path / "site", None, "1-2") as evening:
        frames = numbered(2400, 600)
        frames[:, 580] = np.arange(2400) % 200 + 1  # the path moves too: the library hands over changes alone
        evening.write(frames)
        (evening.folder / "rig.toml").write_text(RIG, encoding="utf-8")
        with evening.reader("0.0.0.0", "multicast") as reader, evening.running():
            found = Board(evening, reader)
            evening.now()
            reader.wait_for(lambda seen: {one.universe for one in seen if not one.black} == {1, 2}, "light")
            found.shows(FULL, FULL)
            yield found


def test_a_zone_is_dark_or_dimmed_and_the_rest_goes_on(board: Board) -> None:
    said = board.gloaming("dark", "--zone", "roof", "--until", "22:00")
    assert re.fullmatch(r"dark for roof until 2026-12-01T22:00:00, on the wire: black\n", said)
    board.shows(0, FULL)
    said = board.gloaming("dim", "0.5", "--zone", "path")
    assert said.endswith(", on the wire: light, numbers, at 50%\n")
    board.shows(0, FULL // 2)
    said = board.gloaming("now")
    assert ": playing numbers, frame" in said.splitlines()[0]
    assert "  roof: dark at 0%: roof: dark by this machine at 18:0" in said
    assert board.gloaming("resume", "--zone", "path", code=1) == "path is not dark by hand\n"
    said = board.gloaming("resume", "--zone", "roof").splitlines()
    assert re.fullmatch(r"dark \d+ for roof ended, on the wire: light, numbers, at 100%", said[0])
    assert re.fullmatch(r"still holds: dim \d+ for path to 50% .*", said[1])
    board.shows(FULL, FULL // 2)
    said = board.gloaming("undo")
    assert said.endswith(" ended, on the wire: light, numbers, at 100%\n")
    board.shows(FULL, FULL)


def test_what_is_out_of_service_stays_dark_through_deaths_and_resume_until_it_is_in_service(board: Board) -> None:
    said = board.gloaming("out-of-service", "ridge", "--until", "saturday", "--why", "it flickers")
    assert said == "out of service for ridge until 2026-12-05T12:00:00, on the wire: black\n"
    board.shows(0, FULL)
    evening = board.evening
    evening.kill_everything()
    count = len(board.reader.seen())
    evening.start()
    evening.now()

    def lit_again(seen: list[Any]) -> bool:
        return any(one.universe == PATH and one.slots[50] == FULL for one in seen[count:])

    board.reader.wait_for(lit_again, "the path's light")
    assert all(one.black for one in board.reader.seen()[count:] if one.universe == ROOF), "no flash of the ridge"
    assert board.gloaming("resume", code=1) == "nothing is paused or dark by hand\n"
    said = board.gloaming("now")
    assert "out of service 1 for ridge by this machine until 2026-12-05T12:00:00: it flickers\n" in said
    assert not [one for one in evening.now()["health"]["troubles"] if "ridge" in one["text"]]
    assert "override  ridge out of service until Sat 5 Dec, 12:00: it flickers (by this machine)" in board.gloaming(
        "journal"
    )
    board.shows(0, FULL)
    said = board.gloaming("in-service", "ridge")
    assert said == "out of service 1 for ridge ended, on the wire: light, numbers, at 100%\n"
    board.shows(FULL, FULL)
