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
    with pytest.raises(InputError, match=f"whole number of frames of 601 bytes; .* --skip {len(FRAMES) * 600 % 601}"):
        read_raw(path, 601)
    path.write_bytes(b"header" + FRAMES.tobytes())
    assert np.array_equal(all_of(read_raw(path, 600, 6)), FRAMES)
    with pytest.raises(InputError, match="a header of 6 bytes, write --skip 6"):
        read_raw(path, 600)
    for skip, text in ((7, "after the first 7"), (4_000_000, "its 0 bytes after"), (-1, "--skip: -1 is not a number")):
        with pytest.raises(InputError, match=text):
            read_raw(path, 600, skip)
    path.write_bytes(FRAMES.tobytes())
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
    "text",
    [
        "0,128,255\n1,2,3\n",
        "\ufeff0;128;255\r\n1;2;3\r\n",
        "0\t128\t255\n1\t2\t3",
        "0,0;128,00;255\n1;2.0;3,\n",
        '"0,0","128,0","255,0"\n"1","2","3"\n',
        "0.0, 128 ,255.\n\n,,\n+1,2,3\n;;\n",
    ],
)
def test_a_table_of_a_spreadsheet_is_read(tmp_path: Path, text: str) -> None:
    """Commas, semicolons or tabs; a byte order mark; decimal commas; quotes; lines without a value."""
    path = tmp_path / "a.csv"
    path.write_bytes(text.encode())
    source = read_csv(path)
    assert (source.slots, source.frames) == (3, 2) and all_of(source).tolist() == [[0, 128, 255], [1, 2, 3]]


@pytest.mark.parametrize(
    "text, place",
    [
        (b"0,1\n0,256\n", ":2: column 2 (B): '256' is not a level; write whole numbers from 0 to 255"),
        (b"0,1\n\n-1,1\n", ":3: column 1 (A): '-1' is not a level"),
        (b"0,1\n1\n", ":2: there are 1 levels, but 2 in the first line; write the same number in each line"),
        (b"a,b\n0,1\n", ":1: column 1 (A): 'a' is not a level"),
        (b"0,1\n0,1.5\n", ":2: column 2 (B): '1.5' is not a level"),
        (b"0;1\n0;1,5\n", ":2: column 2 (B): '1,5' is not a level"),
        (b"0,1\n0,99999999999999999999\n", ":2: column 2 (B): "),
        (b"0,1\n0,\n", ":2: column 2 (B): '' is not a level"),
        (b"1;2\n" * 900 + b"1;\xe4\n", ":901: column 2 (B): "),
        ("1;2\n".encode("utf-16"), "save the table as CSV in UTF-8"),
        (b"1" * 16_000_000, ":1: the line is longer than 16000000 characters; write one frame a line"),
        (b"1;2\n1;" + b"1" * 200_000, ":2: it cannot be read (field larger than field limit"),
    ],
    ids=range(12),
)
def test_an_impossible_level_is_reported_with_its_line_and_column(tmp_path: Path, text: bytes, place: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(text)
    with pytest.raises(InputError) as error:
        all_of(read_csv(path))
    assert str(error.value).startswith(str(path)) and place in str(error.value)
    assert len(str(error.value).splitlines()) == 1


def test_a_column_has_the_letters_of_a_spreadsheet(tmp_path: Path) -> None:
    """Z is followed by AA, and ZZ (26 + 26 x 26 = 702) by AAA."""
    path = tmp_path / "a.csv"
    for column, letters in ((1, "A"), (26, "Z"), (27, "AA"), (52, "AZ"), (53, "BA"), (702, "ZZ"), (703, "AAA")):
        path.write_text(",".join(["7"] * (column - 1) + ["x", "7"]))
        with pytest.raises(InputError, match=rf":1: column {column} \({letters}\): 'x' is not a level"):
            read_csv(path)


def test_a_file_that_is_no_table_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    for data in (b"", b"\n\n", b"\xff\xfe\x00", b'"'):
        path.write_bytes(data)
        with pytest.raises(InputError):
            all_of(read_csv(path))
