"""Frames from arrays: NumPy's .npy and .npz, bare bytes, CSV. Each is read as a stream."""

from __future__ import annotations

import csv
import re
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO

import numpy as np

from gloaming.shows.config_files.errors import ConfigError, InputError, input_error
from gloaming.shows.framefile.layout import CHUNK_BYTES_MAX
from gloaming.shows.framefile.reader import Frames
from gloaming.shows.framefile.source import FrameSource, blocks_of

LEVELS = "write whole numbers from 0 to 255, with commas, semicolons or tabs between them"
LINE_CHARS_MAX = 16_000_000
"""More than 4096 universes need."""


def read_npy(path: Path) -> FrameSource:
    """The frames of a .npy file `(frames, slots) uint8`, mapped into memory and read block by block."""
    try:
        with path.open("rb") as file:
            head = file.read(6)
        if not head:
            raise input_error(path, "the file is empty")
        if head != b"\x93NUMPY":
            raise input_error(path, "this is not a NumPy .npy file")
        array = np.load(path, mmap_mode="r", allow_pickle=False)
    except OSError as error:
        raise input_error(path, f"it cannot be read ({error.strerror or error})") from None
    except (ValueError, EOFError, SyntaxError) as error:
        if "Python objects" in str(error):
            check_kind(path, np.dtype(object), ())
        raise input_error(path, f"the .npy file is damaged ({error})") from None
    check_array(path, array)
    return FrameSource(array.shape[1], len(array), None, blocks_of(array))


def check_array(path: Path, array: np.ndarray) -> None:
    """InputError unless an array is `(frames, slots) uint8` with at least one of each."""
    nan = array.dtype.kind == "f" and bool(np.isnan(array).any())
    check_kind(path, array.dtype, array.shape, " (and has values that are not numbers)" if nan else "")


def check_kind(path: Path, dtype: np.dtype, shape: tuple[int, ...], more: str = "") -> None:
    """InputError unless this type and shape mean `(frames, slots) uint8` with at least one of each."""
    if dtype != np.uint8:
        hint = "levels are whole numbers from 0 to 255: save np.clip(array, 0, 255).astype('uint8')"
        hint += "; if its levels are 0 to 1, do so after a multiplication by 255" if dtype.kind == "f" else ""
        raise input_error(path, f"the array is of type {dtype}{more}, not uint8", hint)
    if len(shape) != 2:
        hint = "save it with .reshape(len(frames), -1)"
        raise input_error(path, f"the array has the shape {shape}, not (frames, slots)", hint)
    if 0 in shape:
        raise input_error(path, f"the array is empty: its shape is {shape}")


def read_npz(path: Path, name: str | None) -> FrameSource:
    """An array `(frames, slots) uint8` of an .npz file: the one with this name, or the only one."""
    try:
        archive = zipfile.ZipFile(path)
        names = [one.removesuffix(".npy") for one in archive.namelist() if one.endswith(".npy")]
        if not names:
            raise input_error(path, "there is no array in the file")
        if name is None and len(names) > 1:
            raise input_error(path, f"there are {len(names)} arrays in the file", f"choose one: --array {names[0]}")
        if name is not None and name not in names:
            raise input_error(path, f"there is no array {name!r} in the file", f"it has {', '.join(names[:20])}")
        file = archive.open(f"{name or names[0]}.npy")
        version = np.lib.format.read_magic(file)
        header = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape, by_columns, dtype = header(file)
    except OSError as error:
        raise input_error(path, f"it cannot be read ({error.strerror or error})") from None
    except (ValueError, SyntaxError, zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError) as error:
        raise input_error(path, f"the .npz file is damaged ({error})") from None
    check_kind(path, dtype, shape)
    if by_columns:
        raise input_error(path, "the array is stored column after column", "save it with np.ascontiguousarray")
    return FrameSource(shape[1], shape[0], None, _blocks(path, file, shape[1], shape[0]))


def read_raw(path: Path, width: int | None, skip: int = 0) -> FrameSource:
    """Bare bytes, `width` of them a frame, after `skip` bytes that are no frames."""
    if width is None or width < 1:
        hint = "add it: --slots 6144, or --width 6144"
        raise input_error(path, "a file of bare bytes does not say how many of them a frame has", hint)
    if skip < 0:
        raise input_error("--skip", f"{skip} is not a number of bytes", "write how long the header is, as 32")
    try:
        size = path.stat().st_size - skip
        file = path.open("rb")
        file.seek(skip)
    except OSError as error:
        raise input_error(path, f"it cannot be read ({error.strerror or error})") from None
    frames, rest = divmod(size, width)
    if rest or frames < 1:
        file.close()
        after = f" after the first {skip}" if skip else ""
        problem = f"its {max(0, size)} bytes{after} are not a whole number of frames of {width} bytes"
        hint = f"if it begins with a header of {skip + rest} bytes, write --skip {skip + rest}"
        raise input_error(path, problem, hint if frames > 0 else None)
    return FrameSource(width, frames, None, _blocks(path, file, width, frames))


def _blocks(path: Path, file: IO[bytes], slots: int, frames: int) -> Iterator[Frames]:
    step = max(1, CHUNK_BYTES_MAX // slots)
    with file:
        for first in range(0, frames, step):
            count = min(step, frames - first)
            try:
                data = file.read(count * slots)
            except (OSError, EOFError, zlib.error, zipfile.BadZipFile) as error:
                raise input_error(path, f"it is damaged at frame {first} ({error})") from None
            if len(data) < count * slots:
                raise input_error(path, f"it ends at frame {first + len(data) // slots} of {frames}")
            yield np.frombuffer(data, np.uint8).reshape(count, slots)


def read_csv(path: Path) -> FrameSource:
    """One frame a line, one whole number 0 to 255 a slot. All lines have the length of the first.

    Between the numbers are commas, semicolons or tabs, as in the first line. `12.0` is a whole number, and `12,0` too
    where it is not two. Empty lines are left out.
    """
    frames = sum(1 for _ in _lines(path))
    if not frames:
        raise input_error(path, "there are no frames in the file")
    slots = next(_rows(path)).shape[1]
    return FrameSource(slots, frames, None, _csv_blocks(path, slots))


def _csv_blocks(path: Path, slots: int) -> Iterator[Frames]:
    step = max(1, CHUNK_BYTES_MAX // slots)
    rows: list[Frames] = []
    for row in _rows(path):
        rows.append(row)
        if len(rows) == step:
            yield np.concatenate(rows)
            rows.clear()
    if rows:
        yield np.concatenate(rows)


def _lines(path: Path) -> Iterator[tuple[int, str]]:
    """The lines of a table that have a value, each with its number."""
    try:
        with path.open(encoding="utf-8-sig", errors="surrogateescape") as file:  # so that a wrong byte has its column
            for number, line in enumerate(iter(lambda: file.readline(LINE_CHARS_MAX), ""), start=1):
                if len(line) == LINE_CHARS_MAX:
                    problem = f"the line is longer than {LINE_CHARS_MAX} characters"
                    raise InputError(ConfigError(path, number, None, problem, "write one frame a line"))
                if line.strip(" \t\r\n,;"):
                    yield number, line
    except OSError as error:
        raise input_error(path, f"it cannot be read ({error.strerror or error})") from None


def _rows(path: Path) -> Iterator[Frames]:
    """The frames of a table, `(1, slots)` each. InputError with line and column of a value that is no level."""
    separator = ""
    slots = 0
    for number, line in _lines(path):
        separator = separator or (";" if ";" in line else "\t" if "\t" in line else ",")
        try:
            values = next(csv.reader([line], delimiter=separator))
        except csv.Error as error:
            raise InputError(ConfigError(path, number, None, f"it cannot be read ({error})", LEVELS)) from None
        slots = slots or len(values)
        if len(values) != slots:
            problem = f"there are {len(values)} levels, but {slots} in the first line"
            raise InputError(ConfigError(path, number, None, problem, "write the same number in each line"))
        yield _levels(path, number, values)


def _levels(path: Path, line: int, values: Sequence[str]) -> Frames:
    try:
        levels = np.array(values, np.int64)
    except (ValueError, OverflowError):
        levels = np.array([_whole(value) for value in values], np.int64)
    wrong = np.flatnonzero((levels < 0) | (levels > 255))
    if len(wrong):
        column = int(wrong[0])
        value = values[column][:40]
        hint = LEVELS if value.isascii() else f"{LEVELS}; save the table as CSV in UTF-8"
        place = f"column {column + 1} ({_letters(column)})"
        raise InputError(ConfigError(path, line, place, f"{value!r} is not a level", hint))
    return levels.astype(np.uint8)[None]


def _whole(value: str) -> int:
    """A whole number, perhaps with a decimal mark and zeros after it. -1 for any other text."""
    match = re.fullmatch(r"\s*\+?([0-9]{1,18})(?:[.,]0*)?\s*", value, re.ASCII)
    return int(match[1]) if match else -1


def _letters(column: int) -> str:
    """The name of a column, from 0, in a spreadsheet: A to Z, then AA."""
    return (_letters(column // 26 - 1) if column >= 26 else "") + chr(ord("A") + column % 26)
