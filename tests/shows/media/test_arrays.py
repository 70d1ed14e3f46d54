"""The plainer kinds of file, written by NumPy and by hand, and what can be wrong with them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import Frames
from gloaming.shows.framefile.source import FrameSource
from gloaming.shows.media.arrays import read_csv, read_npz, read_raw

FRAMES = np.random.default_rng(1).integers(0, 256, (5000, 600), np.uint8)


def all_of(source: FrameSource) -> Frames:
    return np.concatenate(list(source.blocks))


@pytest.mark.parametrize("save", [np.savez, np.savez_compressed])
def test_an_array_of_an_archive_is_read(tmp_path: Path, save: object) -> None:
    path = tmp_path / "a.npz"
    save(path, tide=FRAMES, other=FRAMES[:3])  # type: ignore[operator]  # either of two functions
    source = read_npz(path, "tide")
    assert (source.frames, source.slots) == FRAMES.shape
    assert np.array_equal(all_of(source), FRAMES)
    with pytest.raises(InputError, match="--array"):
        read_npz(path, None)
    with pytest.raises(InputError, match="tide, other"):
        read_npz(path, "ebb")


def test_archives_that_are_not_frames_are_a_mistake(tmp_path: Path) -> None:
    path = tmp_path / "a.npz"
    for array in (np.zeros((3, 6)), np.zeros((3, 2, 3), np.uint8), np.asfortranarray(FRAMES[:3])):
        np.savez(path, array)
        with pytest.raises(InputError, match="the array"):
            read_npz(path, None)
    np.savez(path, FRAMES)
    whole = path.read_bytes()
    for data in (b"", b"text", whole[:1000], b"PK\x05\x06" + bytes(18)):
        path.write_bytes(data)
        with pytest.raises(InputError):
            read_npz(path, None)
    damaged = bytearray(whole)
    damaged[len(whole) // 2] ^= 1
    path.write_bytes(damaged)
    with pytest.raises(InputError, match="damaged at frame"):
        all_of(read_npz(path, None))


def test_bare_bytes_are_read_by_their_width(tmp_path: Path) -> None:
    path = tmp_path / "a.raw"
    path.write_bytes(FRAMES.tobytes())
    assert np.array_equal(all_of(read_raw(path, 600)), FRAMES)
    with pytest.raises(InputError, match="--width"):
        read_raw(path, None)
    with pytest.raises(InputError, match="whole number of frames"):
        read_raw(path, 601)
    source = read_raw(path, 600)
    path.write_bytes(FRAMES[:7].tobytes())
    with pytest.raises(InputError, match="ends at frame 7"):
        all_of(source)


def test_a_table_is_read_line_by_line(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    np.savetxt(path, FRAMES[:50], fmt="%d", delimiter=",")
    source = read_csv(path)
    assert source.slots == 600 and np.array_equal(all_of(source), FRAMES[:50])


@pytest.mark.parametrize(
    "text, line",
    [
        ("0,1\n0,256\n", 2),
        ("0,1\n\n-1,1\n", 3),
        ("0,1\n1\n", 2),
        ("a,b\n0,1\n", 1),
        ("0,1\n0,1.5\n", 2),
        ("0,1\n0,99999999999999999999\n", 2),
        ("0,1\n0,\n", 2),
    ],
)
def test_an_impossible_level_is_reported_with_its_line(tmp_path: Path, text: str, line: int) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text)
    with pytest.raises(InputError) as error:
        all_of(read_csv(path))
    assert str(error.value).startswith(f"{path}:{line}: ") and len(str(error.value).splitlines()) == 1


def test_a_file_that_is_no_table_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    for data in (b"", b"\n\n", b"\xff\xfe\x00", b'"'):
        path.write_bytes(data)
        with pytest.raises(InputError):
            all_of(read_csv(path))
