"""Cutting at black: the frames of each piece are exactly those that lie between, and a file that is there stays."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile import split
from gloaming.shows.framefile.layout import chunk_frames
from gloaming.shows.framefile.reader import FrameFileInfo, Frames, FrameWriter, Universe, inspect
from gloaming.shows.framefile.split import cut, find_pieces, places_of, read_names, refuse_existing
from tests.shows.streams import everything

UNIVERSES = (Universe(3, 2, 0), Universe(1, 4, 2))
RIG = '{"fixtures":[],"strings":[]}'


def written(path: Path, frames: Frames, rig: str = RIG) -> FrameFileInfo:
    with FrameWriter(path, Fraction(40), UNIVERSES, crash_safe=False, rig=rig) as writer:
        writer.write(frames)
    return inspect(path)


def evening(*lengths: int) -> Frames:
    """Frames that are black for the first length, lit for the second, and so on. Each lit frame is another one."""
    frames = np.zeros((sum(lengths), 6), np.uint8)
    at = 0
    for number, length in enumerate(lengths):
        if number % 2:
            frames[at : at + length, (at + number) % 6] = np.arange(at, at + length) % 255 + 1
        at += length
    return frames


def lengths_of(info: FrameFileInfo, black_s: str = "3") -> list[int]:
    return [one.until - one.first for one in find_pieces(info, Fraction(black_s)).pieces]


def test_black_of_the_time_or_longer_parts_pieces(tmp_path: Path) -> None:
    """At 40 frames a second 3 s are 120 frames. Black at the beginning and at the end is cut away, however short."""
    info = written(tmp_path / "a.frames", evening(7, 200, 120, 300, 119, 50, 400, 1, 5))
    assert lengths_of(info) == [200, 300 + 119 + 50, 1]
    assert lengths_of(info, "2.9") == [200, 300, 50, 1]
    assert find_pieces(info, Fraction(3)).longest == 119
    assert lengths_of(info, "20") == [7 + 200 + 120 + 300 + 119 + 50 + 400 + 1 - 7]


@settings(max_examples=40, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(1, 90_000), min_size=1, max_size=6))
def test_what_is_cut_and_the_black_between_are_all_of_the_file(tmp_path: Path, lengths: list[int]) -> None:
    """Also where black goes over the ends of chunks of the file."""
    frames = evening(*lengths)
    assert chunk_frames(Fraction(40), 6) < 90_000
    info = written(tmp_path / "a.frames", frames)
    found = find_pieces(info, Fraction(3)).pieces
    paths = [tmp_path / f"{number}.frames" for number in range(len(found))]
    try:
        cut(info, found, paths)
        at = 0
        for piece, path in zip(found, paths, strict=True):
            assert not frames[at : piece.first].any()
            assert np.array_equal(everything(inspect(path)), frames[piece.first : piece.until])
            made = inspect(path)
            assert (made.universes, made.fps, made.rig) == (info.universes, info.fps, RIG)
            assert frames[piece.first].any() and frames[piece.until - 1].any()
            at = piece.until
        assert not frames[at:].any()
    finally:
        for path in paths:
            path.unlink(missing_ok=True)


def test_a_file_that_is_black_has_no_piece_and_one_that_never_is_has_its_universes_named(tmp_path: Path) -> None:
    assert find_pieces(written(tmp_path / "a.frames", evening(500)), Fraction(3)) == split.Cuts((), 0, ())
    lamp = evening(9, 200, 500, 200)
    lamp[:, 1] = 255
    found = find_pieces(written(tmp_path / "b.frames", lamp), Fraction(3))
    assert found == split.Cuts((split.Stretch(0, 909),), 0, (3,))


def test_a_fixture_that_turns_or_smokes_in_the_dark_is_black(tmp_path: Path) -> None:
    """Only its light counts. The rig is the one that the file remembers."""
    frames = np.zeros((909, 6), np.uint8)
    frames[9:209, 2] = frames[709:, 2] = 1
    frames[:, 3:5] = 99
    rows = [{"name": "lamp", "universe": 1, "slot": 1, "channels": ["dimmer", "other", "fog"]}]
    rig = json.dumps({"strings": [], "fixtures": rows})
    assert lengths_of(written(tmp_path / "a.frames", frames, rig)) == [200, 200]
    assert lengths_of(written(tmp_path / "b.frames", frames, rig.replace("other", "amber"))) == [909]
    assert lengths_of(written(tmp_path / "c.frames", frames)) == [909]


def test_names_are_read_one_a_line(tmp_path: Path) -> None:
    path = tmp_path / "songs.txt"
    path.write_bytes("\ufeffHarbour bells\r\n\r\n tide.frames \nfête\n".encode())
    assert read_names(path) == ("Harbour bells", "tide", "fête")


@pytest.mark.parametrize(
    "text, line, problem",
    [
        (b"tide\nbells/low\n", 2, "has a slash"),
        (b"tide\n\n..\n", 3, "begins with a dot"),
        (b"tide\t3:20\n", 1, "cannot be printed"),
        (b"ti\x00de\n", 1, "cannot be printed"),
        (b"x" * 240, 1, "is longer than"),
        (b"tide\nbells\ntide.frames\n", 3, "the name 'tide' is already in line 1; give each piece its own name"),
        (b"\n \n", None, "there is no name in the file; write one name a line"),
        (b"f\xeate\n", None, "not a text file in UTF-8"),
    ],
)
def test_a_name_that_no_file_can_have_is_reported_with_its_line(
    tmp_path: Path, text: bytes, line: int | None, problem: str
) -> None:
    path = tmp_path / "songs.txt"
    path.write_bytes(text)
    with pytest.raises(InputError) as error:
        read_names(path)
    report = str(error.value)
    assert report.startswith(f"{path}:{line}: " if line else f"{path}: ") and problem in report
    assert len(report.splitlines()) == 1
    with pytest.raises(InputError, match="cannot be read"):
        read_names(tmp_path / "none.txt")


def test_pieces_without_a_name_are_numbered_after_those_that_are_there(tmp_path: Path) -> None:
    def names(*given: str, count: int) -> list[str]:
        return [path.name for path in places_of(tmp_path, given, count)]

    assert names(count=3) == ["piece-01.frames", "piece-02.frames", "piece-03.frames"]
    assert names("tide", "bells", count=3) == ["tide.frames", "bells.frames", "piece-03.frames"]
    assert names("tide", "bells", count=1) == ["tide.frames"]
    assert names("piece-03", count=3)[1:] == ["piece-05.frames", "piece-06.frames"]
    assert names(count=101)[::100] == ["piece-001.frames", "piece-101.frames"]
    for name in ("piece-07.frames", "piece-x.frames", "piece-08.frames.1a2b3c4d.part"):
        (tmp_path / name).touch()
    assert names(count=2) == ["piece-08.frames", "piece-09.frames"]


def test_a_file_that_is_there_stays_and_no_piece_is_left_of_a_cut_that_failed(tmp_path: Path) -> None:
    info = written(tmp_path / "a.frames", evening(0, 200, 200, 200))
    there = tmp_path / "bells.frames"
    there.write_bytes(b"mine")
    (tmp_path / "link.frames").symlink_to("nowhere")
    found = find_pieces(info, Fraction(3)).pieces
    for name in ("bells", "link"):
        paths = [tmp_path / "tide.frames", tmp_path / f"{name}.frames"]
        with pytest.raises(InputError, match=f"{name}.frames: there is already a file with this name; move it away"):
            refuse_existing(paths)
        with pytest.raises(InputError, match="there is already a file"):
            cut(info, found, paths)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.frames", "bells.frames", "link.frames"]
    assert there.read_bytes() == b"mine"
