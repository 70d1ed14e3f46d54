"""Frames from arrays: NumPy's .npy and .npz, bare bytes, CSV. Each is read as a stream."""

from __future__ import annotations

import csv
import re
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO

import numpy as np

from gloaming.shows.config_files.errors import ConfigError, InputError, input_error
from gloaming.shows.framefile.layout import CHUNK_BYTES_MAX
from gloaming.shows.framefile.reader import Frames
from gloaming.shows.framefile.source import FrameSource, blocks_of

LEVELS = "write whole numbers from 0 to 255, with commas between them"


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


def read_raw(path: Path, width: int | None) -> FrameSource:
    """Bare bytes, `width` of them a frame."""
    if width is None or width < 1:
        raise input_error(path, "a .raw file does not say how many bytes a frame has", "add it: --width 6144")
    try:
        size = path.stat().st_size
        file = path.open("rb")
    except OSError as error:
        raise input_error(path, f"it cannot be read ({error.strerror or error})") from None
    frames, rest = divmod(size, width)
    if rest or not frames:
        raise input_error(path, f"its {size} bytes are not a whole number of frames of {width} bytes")
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
    """One frame a line, one whole number 0 to 255 a slot, commas between. All lines have the length of the first."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = next(_rows(path, file), None)
    except OSError as error:
        raise input_error(path, f"it cannot be read ({error.strerror or error})") from None
    if first is None:
        raise input_error(path, "there are no frames in the file")
    slots = first.shape[1]
    return FrameSource(slots, None, None, _csv_blocks(path, slots))


def _csv_blocks(path: Path, slots: int) -> Iterator[Frames]:
    step = max(1, CHUNK_BYTES_MAX // slots)
    rows: list[Frames] = []
    with path.open(encoding="utf-8-sig", newline="") as file:
        for row in _rows(path, file):
            rows.append(row)
            if len(rows) == step:
                yield np.concatenate(rows)
                rows.clear()
    if rows:
        yield np.concatenate(rows)


def _not_whole(row: list[str]) -> str:
    """The first value of a line that is not a whole number."""
    return next((one for one in row if not re.fullmatch(r"\s*[+-]?[0-9]{1,18}\s*", one, re.ASCII)), row[0])[:40]


def _rows(path: Path, file: IO[str]) -> Iterator[Frames]:
    reader = csv.reader(file)
    slots = 0
    try:
        for row in reader:
            if not row:
                continue
            slots = slots or len(row)
            if len(row) != slots:
                problem = f"there are {len(row)} levels, but {slots} in the first line"
                raise InputError(ConfigError(path, reader.line_num, None, problem))
            try:
                levels = np.array(row, dtype=np.int64)
            except (ValueError, OverflowError):
                problem = f"{_not_whole(row)!r} is not a level"
                raise InputError(ConfigError(path, reader.line_num, None, problem, LEVELS)) from None
            if levels.min() < 0 or levels.max() > 255:
                problem = f"{levels.max() if levels.max() > 255 else levels.min()} is not a level"
                raise InputError(ConfigError(path, reader.line_num, None, problem, LEVELS))
            yield levels.astype(np.uint8)[None]
    except UnicodeDecodeError:
        raise input_error(path, "this is not a text file") from None
    except csv.Error as error:
        raise InputError(ConfigError(path, reader.line_num, None, f"it cannot be read ({error})")) from None
