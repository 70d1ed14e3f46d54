"""What a command reports on the wire is what is sent: each kind of override, against a receiver's slots."""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.api.evening import Evening, Reader, evening_apart, numbered
from tests.daemon.transmitter.quay import SOUND_SERVER, Recording, quay_at
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs("ip")

RIG = """[[controller]]
name = "left"
host = "127.0.0.1"
universes = "1"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 20
"""
BRIGHTNESS = 0.36
"""Of which the shares that are asked for are no half percents: those are told rounded up or down after a fade."""
SLOT = 200
"""What the piece has on its slots from the fifth on, at full brightness."""


@dataclass(frozen=True)
class Board:
    """An evening that runs, and a receiver."""

    evening: Evening
    reader: Reader

    def gloaming(self, *words: str, code: int = 0) -> str:
        """A command's output; of both streams, in their order."""
        command = [*self.evening.within(), sys.executable, "-m", "gloaming.api.cli.main", *words]
        where = [str(self.evening.folder)]
        both = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT}
        done = subprocess.run([*command, *where], **both, text=True, timeout=60, check=False)
        assert done.returncode == code, done.stdout
        return done.stdout

    def slots(self) -> bytes:
        """The newest packet's."""
        return self.reader.seen()[-1].slots

    def has(self, level: float) -> bool:
        """Whether the newest packet has the piece's light at a level; slots are whole numbers."""
        return abs(self.slots()[4] - SLOT * level) <= 1

    def kinds(self) -> list[str]:
        return [one["kind"] for one in self.evening.now()["overrides"]]


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Board]:
    folder = tmp_path_factory.mktemp("evening") / "site"
    with evening_apart(folder, "127.0.0.1", "1") as evening:
        evening.write(numbered(2400, 60))
        (folder / "rig.toml").write_text(RIG, encoding="utf-8")
        site = (folder / "site.toml").read_text(encoding="utf-8")
        site = site.replace("[output]\n", f"[output]\nbrightness = {BRIGHTNESS}\n")
        (folder / "site.toml").write_text(site, encoding="utf-8")
        with evening.reader("0.0.0.0") as reader, evening.running():
            board = Board(evening, reader)
            evening.now()
            wait_until(lambda: reader.seen() and board.has(BRIGHTNESS), "light")
            yield board


@pytest.fixture
def board(running: Board) -> Iterator[Board]:
    """As it was before anybody asked for anything."""
    yield running
    for one in running.evening.now()["overrides"]:
        running.evening.ask("DELETE", f"/api/overrides/{one['id']}")
    wait_until(lambda: running.has(BRIGHTNESS), "light as it was")


@pytest.mark.parametrize("command", ["pause", "dark"])
def test_lights_off_ends_a_rig_check_and_the_wire_is_black_by_the_answer(board: Board, command: str) -> None:
    said = board.gloaming("rig-check", "colour", "--level", "0.5")
    assert "on the wire: light, rig check: colour, white of the whole rig, at 50%" in said
    assert sum(board.slots()) == 60 * 127
    said = board.gloaming(command, "5")
    assert not any(board.slots())
    assert re.fullmatch(r"rig check \d+ ended", said.splitlines()[0])
    assert said.splitlines()[1].endswith(", on the wire: black")
    assert board.kinds() == [command]


def test_a_rig_can_be_checked_while_the_show_is_paused(board: Board) -> None:
    board.gloaming("pause")
    board.gloaming("rig-check", "colour", "--level", "0.5")
    assert sum(board.slots()) == 60 * 127
    said = board.gloaming("undo")
    assert not any(board.slots())
    assert "rig check" in said and "on the wire: black: paused by this machine" in said


def test_each_dim_is_a_share_of_the_set_brightness_and_replaces_the_one_before(board: Board) -> None:
    for level in (0.75, 0.5, 0.1):
        said = board.gloaming("dim", str(level))
        assert f"on the wire: light, numbers, at {BRIGHTNESS * level:.0%}" in said
        assert board.has(BRIGHTNESS * level)
    assert board.kinds() == ["dim"]
    assert "on the wire: light, numbers, at 36%" in board.gloaming("dim", "1")
    assert board.has(BRIGHTNESS)


def test_what_a_rule_keeps_from_the_wire_is_not_reported_on_it(board: Board) -> None:
    board.gloaming("pause")
    said = board.gloaming("call", "evening")
    assert "on the wire" not in said.replace("not on the wire", "")
    assert "stored, but not on the wire: paused by this machine" in said


def test_resume_prints_what_it_ended_and_what_still_holds(board: Board) -> None:
    board.gloaming("dim", "0.5")
    board.gloaming("pause")
    said = board.gloaming("resume").splitlines()
    assert board.has(BRIGHTNESS * 0.5)
    assert said[0].startswith("pause ") and said[0].endswith(" ended, on the wire: light, numbers, at 18%")
    assert said[1].startswith("still holds: dim ") and "to 50% of the brightness that is set" in said[1]
    assert "nothing is paused or dark by hand" in board.gloaming("resume", code=1)


def test_undo_ends_an_override_by_its_number_or_the_latest(board: Board) -> None:
    board.gloaming("dim", "0.5")
    (dim,) = board.evening.now()["overrides"]
    board.gloaming("mute")
    board.gloaming("call", "evening")
    assert board.kinds() == ["dim", "mute", "call"]
    assert board.gloaming("undo").startswith("call ")
    assert board.gloaming("undo").startswith("mute ")
    said = board.gloaming("undo", "999", code=1)
    assert said == f"no override 999 is in force; in force: dim {dim['id']}\n"
    said = board.gloaming("undo", str(dim["id"]))
    assert said == f"dim {dim['id']} ended, on the wire: light, numbers, at 36%\n"
    assert board.has(BRIGHTNESS)
    assert board.gloaming("undo", code=1) == "there is nothing to undo\n"


@needs(*SOUND_SERVER)
def test_a_mute_is_on_the_wire_when_the_sound_has_stopped(tmp_path: Path) -> None:
    with quay_at(tmp_path / "server") as quay, evening_apart(tmp_path / "site", "127.0.0.1", "1") as evening:
        evening.write(numbered(2400))
        soundfile.write(evening.folder / "tone.flac", 0.5 * np.sin(np.arange(60 * 8000) * np.pi / 20), 8000)
        site = evening.folder / "site.toml"
        text = site.read_text(encoding="utf-8")
        site.write_text(text.replace('.frames"\n', '.frames"\nsound = "tone.flac"\n', 1), encoding="utf-8")
        recording = Recording(quay)
        with evening.running():
            for _ in range(3):  # a busy machine may be late to report, and is then not believed
                wait_until(lambda: np.abs(recording.samples(chunks=20)).max(initial=0) > 0.4, "the tone, at full")
                evening.now()
                _, told = evening.ask("POST", "/api/overrides", {"kind": "mute", "minutes": 5})
                answered_ns = time.monotonic_ns()
                if told["on_the_wire"]:
                    break
                evening.ask("DELETE", f"/api/overrides/{told['id']}")
            time.sleep(1.0)
        recording.end()
    heard_ns = recording.times_ns(np.flatnonzero(np.abs(recording.samples()) > 0.001)[-1:])[0]
    print(f"the last sound was heard {(answered_ns - heard_ns) / 1e6:.0f} ms before the answer: {told['wire']}")
    assert told["on_the_wire"] and told["wire"] == "light, numbers, at 100%; no sound"
    assert heard_ns < answered_ns + 40_000_000  # as exact as the recorder is (tests/daemon/transmitter/quay.py)
