"""Editing frame files, compared with the same operation by NumPy on the array."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.edit import export, gained, joined, renamed, trimmed, whole
from gloaming.shows.framefile.reader import FrameReader, Frames, FrameWriter, Universe, inspect
from gloaming.shows.framefile.source import FrameSource, write_source
from tests.places import MOVING_PICTURE

RIG = (Universe(5, 400, 0), Universe(2, 500, 400))


@pytest.fixture
def picture() -> Frames:
    frames: Frames = np.load(MOVING_PICTURE)[:, 1000:1900]
    return frames


@pytest.fixture
def path(tmp_path: Path, picture: Frames) -> Path:
    return made(tmp_path / "a.frames", picture)


def made(path: Path, frames: Frames, rig: Sequence[Universe] = RIG, fps: Fraction = Fraction(25)) -> Path:
    with FrameWriter(path, fps, rig) as writer:
        writer.write(frames)
    return path


def all_of(source: FrameSource) -> Frames:
    frames = np.concatenate(list(source.blocks))
    assert len(frames) == source.frames and source.fps == 25
    return frames


@pytest.mark.parametrize(
    "from_s, until_s, first, until",
    [
        ("0", None, 0, 132),
        ("1", "2", 25, 50),
        ("4.99", None, 125, 132),
        ("0", "0.04", 0, 1),
        ("1.019", "1.021", 25, 26),
    ],
)
def test_trimming_rounds_to_the_nearest_frame(
    path: Path, picture: Frames, from_s: str, until_s: str | None, first: int, until: int
) -> None:
    source = trimmed(inspect(path), Fraction(from_s), Fraction(until_s) if until_s else None)
    assert np.array_equal(all_of(source), picture[first:until])


@pytest.mark.parametrize("from_s, until_s", [(6, None), (0, 6), (2, 2), (2, 1)])
def test_a_time_outside_the_file_is_refused(path: Path, from_s: int, until_s: int | None) -> None:
    with pytest.raises(InputError, match=r"5.28 s long"):
        trimmed(inspect(path), Fraction(from_s), None if until_s is None else Fraction(until_s))


def test_files_with_other_offsets_are_joined(path: Path, picture: Frames, tmp_path: Path) -> None:
    turned = np.concatenate([picture[:, 400:], picture[:, :400]], axis=1)
    other = made(tmp_path / "b.frames", turned, (Universe(2, 500, 0), Universe(5, 400, 500)))
    first, source = joined([path, other, path])
    assert first.universes == inspect(path).universes
    assert np.array_equal(all_of(source), np.concatenate([picture] * 3))


def test_files_that_do_not_fit_are_not_joined(path: Path, picture: Frames, tmp_path: Path) -> None:
    faster = made(tmp_path / "b.frames", picture, fps=Fraction(40))
    elsewhere = made(tmp_path / "c.frames", picture, (Universe(5, 400, 0), Universe(3, 500, 400)))
    for other, text in ((faster, "40 frames a second"), (elsewhere, "universes")):
        with pytest.raises(InputError, match=text):
            joined([path, other])


@pytest.mark.parametrize("gain", [0, 0.5, 1, 1.7, 255])
def test_a_gain_multiplies_rounds_and_holds_at_the_top(path: Path, picture: Frames, gain: float) -> None:
    wanted = np.minimum(np.rint(picture.astype(float) * gain), 255)
    assert np.array_equal(all_of(gained(inspect(path), gain)), wanted)
    some = all_of(gained(inspect(path), gain, [2]))
    assert np.array_equal(some[:, 400:], wanted[:, 400:]) and np.array_equal(some[:, :400], picture[:, :400])


def test_gains_that_cannot_be_are_a_mistake(path: Path) -> None:
    for gain in (-0.1, 256.0, float("nan"), float("inf")):
        with pytest.raises(InputError, match="--by"):
            gained(inspect(path), gain)
    with pytest.raises(InputError, match="universe 9 is not in the file"):
        gained(inspect(path), 1, [9])


def test_universes_get_other_numbers_and_keep_their_slots(path: Path, picture: Frames, tmp_path: Path) -> None:
    info, out = inspect(path), tmp_path / "b.frames"
    write_source(whole(info), out, info.fps, renamed(info, None, [101]))
    assert set(inspect(out).universes) == {Universe(101, 500, 400), Universe(102, 400, 0)}
    with FrameReader(out) as reader:
        assert np.array_equal(reader.frame(77), picture[77])
    assert {one.number for one in renamed(info, [5], [7])} == {2, 7}
    assert {(one.number, one.slots) for one in renamed(info, [2, 5], [5, 2])} == {(5, 500), (2, 400)}


@pytest.mark.parametrize(
    "numbers, to, text",
    [
        (None, [1, 2, 3], "3 numbers"),
        ([5], [2], "same number"),
        ([9], [1], "not in the file"),
        (None, [63999], "63999"),
    ],
)
def test_numbers_that_cannot_be_given_are_a_mistake(path: Path, numbers: list[int], to: list[int], text: str) -> None:
    with pytest.raises(InputError, match=text):
        renamed(inspect(path), numbers, to)


def test_an_export_is_the_array_that_came_in(path: Path, picture: Frames, tmp_path: Path) -> None:
    export(inspect(path), tmp_path / "b.npy")
    export(inspect(path), tmp_path / "b.raw")
    assert np.array_equal(np.load(tmp_path / "b.npy"), picture)
    assert (tmp_path / "b.raw").read_bytes() == picture.tobytes()
    for wrong in (tmp_path / "b.xyz", tmp_path / "none" / "b.npy"):
        with pytest.raises(InputError):
            export(inspect(path), wrong)


def test_damage_stops_an_export_and_leaves_nothing_behind(path: Path, tmp_path: Path) -> None:
    data = bytearray(path.read_bytes())
    info = inspect(path)
    data[data.rindex(b"\x28\xb5\x2f\xfd") + 200] ^= 1  # in the last chunk: RFC 8878, 3.1.1, magic number
    path.write_bytes(data)
    with pytest.raises(InputError, match="is damaged"):
        export(info, tmp_path / "b.npy")
    assert list(tmp_path.iterdir()) == [path]
