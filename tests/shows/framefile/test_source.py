"""Arrays into frame files: the universes a person writes down, and every array that cannot be one."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import FrameReader, inspect
from gloaming.shows.framefile.source import lay_out, parse_fps, parse_universes, refresh_warning, write_source
from gloaming.shows.media.arrays import read_npy
from tests.places import MOVING_PICTURE


def test_the_moving_picture_fills_thirteen_universes(tmp_path: Path) -> None:
    out = tmp_path / "a.frames"
    source = read_npy(MOVING_PICTURE)
    text: list[tuple[int, int | None]] = []
    done = write_source(source, out, Fraction(25), lay_out("1", source.slots), lambda *now: text.append(now))
    info = inspect(out)
    assert done == info.frames == 132 and text[-1] == (132, 132)
    assert [one.number for one in info.universes] == list(range(1, 14))
    assert [one.slots for one in info.universes] == [510] * 12 + [24]
    picture = np.load(MOVING_PICTURE)
    with FrameReader(out) as reader:
        assert all(np.array_equal(reader.frame(number), picture[number]) for number in range(132))


@pytest.mark.parametrize(
    "text, numbers",
    [("1", (1,)), ("1-3", (1, 2, 3)), ("1-4,8", (1, 2, 3, 4, 8)), (" 8 , 2 - 3 ", (8, 2, 3)), ("63999", (63999,))],
)
def test_universes_are_read_as_written(text: str, numbers: tuple[int, ...]) -> None:
    assert parse_universes(text) == numbers


@pytest.mark.parametrize(
    "text", ["", "a", "1-", "-1", "1,,2", "0", "64000", "1-64000", "3-1", "1,1", "1-3,2", "1.5", "²", "9" * 40]
)
def test_universes_that_cannot_be_read_are_a_mistake(text: str) -> None:
    with pytest.raises(InputError, match="--universes"):
        parse_universes(text)


@given(st.integers(1, 20000), st.integers(1, 512), st.integers(1, 1000))
def test_universes_carry_every_slot_once(frame_bytes: int, slots: int, first: int) -> None:
    rig = lay_out(str(first), frame_bytes, slots)
    carried = [one.offset + slot for one in rig for slot in range(one.slots)]
    assert carried == list(range(frame_bytes))
    assert [one.number for one in rig] == list(range(first, first + len(rig)))
    assert {one.slots for one in rig[:-1]} <= {slots}


@pytest.mark.parametrize(
    "text, slots, wrong",
    [
        ("1-12", 510, "12 universes"),
        ("1-14", 510, "14 universes"),
        ("63990", 510, "64002"),
        ("1", 513, "513 slots"),
        ("1", 0, "0 slots"),
    ],
)
def test_universes_that_do_not_fit_are_a_mistake(text: str, slots: int, wrong: str) -> None:
    with pytest.raises(InputError, match=wrong):
        lay_out(text, 6144, slots)


@pytest.mark.parametrize("text", ["", "x", "0", "-25", "1/0", "nan", "inf", "2000", "1e400", "1/9999999999999"])
def test_rates_that_cannot_be_are_a_mistake(text: str) -> None:
    with pytest.raises(InputError, match="--fps"):
        parse_fps(text)


def test_rates_are_exact() -> None:
    assert parse_fps("29.97") == Fraction(2997, 100)
    assert parse_fps("30000/1001") == Fraction(30000, 1001)


def test_a_rate_no_line_can_carry_is_warned_of_with_its_sections() -> None:
    """ANSI E1.11: 44 Hz for 512 slots; a source keeps to it by E1.31 6.6.1."""
    warning = refresh_warning(Fraction(60), lay_out("1", 512, 512))
    assert warning and "E1.11" in warning and "E1.31 6.6.1" in warning and "44.1" in warning
    assert refresh_warning(Fraction(44), lay_out("1", 512, 512)) is None
    assert refresh_warning(Fraction(60), lay_out("1", 300, 300)) is None


def _with_nan() -> np.ndarray:
    return np.full((3, 6), np.nan, np.float32)


ARRAYS: dict[str, tuple[Callable[[], np.ndarray], str]] = {
    "floats": (lambda: np.zeros((3, 6)), "type float64, not uint8"),
    "not numbers": (_with_nan, "not numbers"),
    "signed": (lambda: np.zeros((3, 6), np.int8), "type int8"),
    "wide": (lambda: np.zeros((3, 6), np.uint16), "type uint16"),
    "objects": (lambda: np.array([[None]]), "type object"),
    "records": (lambda: np.zeros(3, [("a", "u1")]), "not uint8"),
    "flat": (lambda: np.zeros(6, np.uint8), r"shape \(6,\)"),
    "cubic": (lambda: np.zeros((3, 2, 3), np.uint8), r"shape \(3, 2, 3\)"),
    "a number": (lambda: np.uint8(7), r"shape \(\)"),
    "no frames": (lambda: np.zeros((0, 6), np.uint8), "the array is empty"),
    "no slots": (lambda: np.zeros((6, 0), np.uint8), "the array is empty"),
}


@pytest.mark.parametrize("kind", ARRAYS)
def test_an_array_that_is_not_frames_is_a_mistake_on_one_line(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "a.npy"
    make, text = ARRAYS[kind]
    np.save(path, make())
    with pytest.raises(InputError, match=text) as error:
        read_npy(path)
    assert len(str(error.value).splitlines()) == 1


def test_files_that_are_not_arrays_are_a_mistake(tmp_path: Path) -> None:
    path = tmp_path / "a.npy"
    whole = MOVING_PICTURE.read_bytes()
    for data in (b"", b"text", b"PK\x03\x04", whole[:7], whole[:50], whole[:-1], b"\x93NUMPY\x01\x00\x05\x00{1:2}"):
        path.write_bytes(data)
        with pytest.raises(InputError) as error:
            read_npy(path)
        assert len(str(error.value).splitlines()) == 1
    for missing in (tmp_path / "none.npy", tmp_path):
        with pytest.raises(InputError, match="cannot be read"):
            read_npy(missing)


def test_columns_first_is_as_good_as_rows_first(tmp_path: Path) -> None:
    frames = np.random.default_rng(1).integers(0, 256, (300, 700), np.uint8)
    np.save(tmp_path / "a.npy", np.asfortranarray(frames))
    assert np.array_equal(np.concatenate(list(read_npy(tmp_path / "a.npy").blocks)), frames)
