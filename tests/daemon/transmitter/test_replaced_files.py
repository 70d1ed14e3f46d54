"""Frame files that are replaced by others of the same name, read from a real disk."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
import pytest

from gloaming.daemon.transmitter import readahead
from gloaming.daemon.transmitter.frame_mixer import FULL, FrameMixer, Layer
from gloaming.daemon.transmitter.readahead import FrameCache, ReadAhead, Want
from gloaming.shows.framefile.reader import FrameReader
from tests.daemon.transmitter.process_harness import (
    SECOND_NS,
    listening,
    moving,
    running_transmitter,
    segment,
    universe,
    write_frames,
)
from tests.waiting import wait_until


def film(path: Path, level: int, frames: int = 80, universes: int = 1, first: int = 1) -> str:
    return str(write_frames(path, np.full((frames, 20 * universes), level, np.uint8), slots=20, first=first))


def come(ahead: ReadAhead, path: str, frame: int, level: int) -> FrameCache:
    """A frame, once it is there and of a level."""

    def found() -> FrameCache | None:
        held = ahead.get(path, frame)
        return held if isinstance(held, FrameCache) and held.frame[0] == level else None

    held: FrameCache = wait_until(found, f"frame {frame} of {level}")
    return held


def test_a_file_that_is_replaced_while_it_plays_is_reopened_with_the_next_score(tmp_path: Path) -> None:
    """A short piece that repeats is in memory as a whole: the reader would never read it again."""
    ahead, path = ReadAhead(lambda: None), film(tmp_path / "x.frames", 50)
    ahead.want(Want(path, 0, True))
    come(ahead, path, 0, 50)
    come(ahead, path, 79, 50)
    film(tmp_path / "x.frames", 99, frames=400)
    ahead.look_again()
    ahead.want(Want(path, 300, True))
    come(ahead, path, 300, 99)
    ahead.want()


def test_the_old_frames_count_until_those_of_the_new_file_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The disk takes its time to open the new file. No frame may be missed meanwhile."""
    ahead, path = ReadAhead(lambda: None), film(tmp_path / "x.frames", 50)
    ahead.want(Want(path, 0, True))
    come(ahead, path, 79, 50)
    opens, go_on = threading.Event(), threading.Event()

    def slow(path: Path) -> FrameReader:
        opens.set()
        go_on.wait(60)
        return FrameReader(path)

    monkeypatch.setattr(readahead, "FrameReader", slow)
    film(tmp_path / "x.frames", 99)
    ahead.look_again()
    assert opens.wait(60)
    come(ahead, path, 0, 50)
    come(ahead, path, 79, 50)
    go_on.set()
    come(ahead, path, 0, 99)
    come(ahead, path, 79, 99)
    wait_until(lambda: not ahead._replaced, "the old frames are dropped")
    ahead.want()


def test_a_file_that_is_gone_plays_on_while_it_is_open(tmp_path: Path) -> None:
    ahead, path = ReadAhead(lambda: None), film(tmp_path / "x.frames", 50, frames=400)
    ahead.want(Want(path, 0))
    come(ahead, path, 0, 50)
    (tmp_path / "x.frames").unlink()
    ahead.look_again()
    ahead.want(Want(path, 300))
    come(ahead, path, 300, 50)
    ahead.want()


def test_the_light_of_a_replaced_file_goes_to_its_own_universes(tmp_path: Path) -> None:
    """Universes 1 and 2 before, universe 2 alone after. Frames read before still go to their universes."""
    ahead, path = ReadAhead(lambda: None), film(tmp_path / "x.frames", 50, universes=2)
    mixer = FrameMixer({1: 20, 2: 20})
    ahead.want(Want(path, 0))
    before = come(ahead, path, 0, 50)
    whole = Layer(FULL, mixer.place(before.info), before.frame)
    assert (mixer.mix(whole) == 50).all()
    film(tmp_path / "x.frames", 200, first=2)
    ahead.look_again()
    since = come(ahead, path, 0, 200)
    lone = Layer(FULL, mixer.place(since.info), since.frame)
    assert mixer.mix(lone).tolist() == [0] * 20 + [200] * 20
    assert (mixer.mix(whole) == 50).all()
    ahead.want()


def test_a_shorter_file_is_read_only_when_the_planner_knows_of_it(tmp_path: Path) -> None:
    """A dim comes in between: by the old length the new file would lack the frame."""
    host, path = "127.0.44.31", tmp_path / "x.frames"
    film(path, 50, frames=4000)
    with listening(host) as listener, running_transmitter(tmp_path) as transmitter:
        begin_ns = time.time_ns() - 20 * SECOND_NS
        until_ns = begin_ns + 900 * SECOND_NS

        def score(id: int, files: int, frames: int, level: float) -> None:
            transmitter.score(segment(begin_ns, until_ns, (level, level), **moving(path, frames)), id=id, files=files)

        def wait_for_level(level: int) -> None:
            seen = len(listener.data())
            listener.wait_until(lambda heard: len(heard) > seen + 40 and heard[-1].slots[0] == level)

        transmitter.setup([universe(1, host, slots=20)])
        transmitter.dark()
        score(1, 7, 4000, 1.0)
        wait_for_level(50)
        film(path, 200, frames=80)
        score(2, 7, 4000, 0.5)
        wait_for_level(25)
        score(3, 8, 80, 0.5)
        wait_for_level(100)
        transmitter.end()
        assert not [said for said in transmitter.heard if said["op"] == "trouble"]


def test_a_damaged_piece_is_lit_again_when_its_file_is_whole(tmp_path: Path) -> None:
    """Its segment is the same as before."""
    host, path = "127.0.44.32", tmp_path / "x.frames"
    film(path, 50)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with listening(host) as listener, running_transmitter(tmp_path) as transmitter:
        now = time.time_ns()
        piece = segment(now, now + 900 * SECOND_NS, **moving(path, 80))
        transmitter.setup([universe(1, host, slots=20)])
        transmitter.dark()
        transmitter.score(piece, id=1, files=7)
        transmitter.wait_for("trouble", lambda said: said["kind"] == "frames")
        transmitter.score(piece, id=2, files=8)
        transmitter.wait_for("trouble", lambda said: said["kind"] == "frames")
        path.write_bytes(whole)
        transmitter.score(piece, id=3, files=9)
        listener.wait_until(lambda heard: heard[-1].slots[0] == 50)
        transmitter.end()
