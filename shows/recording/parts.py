"""A frame file to which universes are added while it is written: one part for each layout, joined at the end."""

from __future__ import annotations

import secrets
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np

from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.layout import chunk_frames
from gloaming.shows.framefile.reader import Frames, FrameWriter
from gloaming.shows.framefile.source import FrameSource, universes_of, write_source
from gloaming.shows.protocols.datagrams import Integers
from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.protocols.packets import Bytes

PARTS_MAX = 100
_RUNS_MAX = 8


class Parts:
    """Writes frames from rows `(universes, 512)`. `slots` maps each universe, in the order of the rows, to its slots.

    Rows from before a universe was added are shorter. The universe is black in them. `rig` is as of `FrameWriter`.
    """

    def __init__(self, out: Path, fps: Fraction, slots: Mapping[int, int], crash_safe: bool, rig: str = "") -> None:
        self._out, self._fps, self._crash_safe, self._rig = out, fps, crash_safe, rig
        self._slots = dict(slots)
        self._earlier: list[tuple[FrameWriter, dict[int, int]]] = []
        self._unsafe = 0
        self._writer = self._begin()

    def _begin(self) -> FrameWriter:
        self._frame = _framed(tuple(self._slots.values()))
        frame_bytes = sum(self._slots.values())
        long = chunk_frames(self._fps, frame_bytes) > 1.5 * self._fps
        self._safe_each = round(self._fps) if long else None
        return FrameWriter(self._out, self._fps, universes_of(self._slots), self._crash_safe, self._rig)

    @property
    def temporary(self) -> Path:
        """The file of the newest frames until the recording is finished."""
        return self._writer.temporary

    @property
    def full(self) -> bool:
        """Whether no more universes can be added."""
        return len(self._earlier) >= PARTS_MAX

    def add(self, slots: Mapping[int, int]) -> None:
        """Add universes. InputError as `FrameWriter`."""
        self._writer.flush()
        if self._writer.empty:
            self._writer.discard()
        else:
            self._earlier.append((self._writer, dict(self._slots)))
        self._slots.update(slots)
        self._writer = self._begin()

    def write(self, row: Bytes) -> None:
        """Write one frame. If `crash_safe`, it is safe on the disk in about a second. InputError as `FrameWriter`."""
        if len(row) < len(self._slots):
            row = np.concatenate([row, np.zeros((len(self._slots) - len(row), SLOTS_MAX), np.uint8)])
        self._writer.write(self._frame(row))
        self._unsafe += 1
        if self._safe_each is not None and self._unsafe >= self._safe_each:
            self.flush()
            self._unsafe = 0

    def flush(self) -> None:
        """Make all frames safe on the disk. InputError as `FrameWriter`."""
        self._writer.flush()

    def drop_tail(self) -> None:
        """Discard the frames that are not safe yet."""
        self._writer.drop_tail()

    def discard(self) -> None:
        """Remove all files of the recording."""
        for writer, _ in [*self._earlier, (self._writer, self._slots)]:
            writer.discard()

    def close(self, fps: Fraction) -> list[str]:
        """Finish the file at this rate. Returns lines about failed steps. InputError if there is no frame."""
        parts = [*self._earlier, (self._writer, self._slots)]
        for writer, _ in parts:
            if writer.empty and len(parts) > 1:
                writer.discard()
        parts = [part for part in parts if not part[0].empty] or parts[:1]
        if len(parts) > 1:
            self._put_together(parts, fps)
            return []
        notes, (writer, _) = [], parts[0]
        if fps != self._fps:
            try:
                writer.retime(fps)
            except InputError as error:
                notes.append(f"the rate stays {float(self._fps):g}: {error.errors[0].problem}")
        writer.close()
        return notes

    def _put_together(self, parts: Sequence[tuple[FrameWriter, Mapping[int, int]]], fps: Fraction) -> None:
        """Join the parts into one file of all universes, in the order of their numbers."""
        whole = dict(sorted(self._slots.items()))
        token = secrets.token_hex(4)
        for number, (writer, _) in enumerate(parts, start=1):
            writer.path = self._out.with_name(f"{self._out.stem}-{token}-{number}{self._out.suffix}")
            writer.close()
        paths = [writer.path for writer, _ in parts]

        def blocks() -> Iterator[Frames]:
            for path, (_, slots) in zip(paths, parts, strict=True):
                places = _places(whole, slots)
                for block in frames_of(path):
                    yield np.concatenate([block, np.zeros((len(block), 1), np.uint8)], axis=1)[:, places]

        try:
            source = FrameSource(sum(whole.values()), None, fps, blocks())
            write_source(source, self._out, fps, universes_of(whole), None, self._rig)
        except InputError as error:
            names = ", ".join(path.name for path in paths)
            raise input_error(self._out, f"{error.errors[0].problem}; its parts are kept as {names}") from None
        for path in paths:
            path.unlink()


def _framed(slots: Sequence[int]) -> Callable[[Bytes], Frames]:
    """A function from a row `(universes, 512)` to a frame `(1, frame_bytes)`."""
    runs: list[tuple[int, int, int]] = []  # first row, end row, slots
    for row, length in enumerate(slots):
        if runs and runs[-1][2] == length:
            runs[-1] = (runs[-1][0], row + 1, length)
        else:
            runs.append((row, row + 1, length))
    if len(runs) <= _RUNS_MAX:
        return lambda row: np.concatenate([row[a:b, :length].reshape(1, -1) for a, b, length in runs], axis=1)
    places = np.concatenate([np.arange(length) + SLOTS_MAX * row for row, length in enumerate(slots)])
    return lambda row: row.reshape(1, -1)[:, places]


def _places(whole: Mapping[int, int], part: Mapping[int, int]) -> Integers:
    """The place in a frame of a part of each byte of a whole frame. After the end if the part does not have it."""
    offsets = {one.number: one.offset for one in universes_of(part)}
    nothing = sum(part.values())
    return np.concatenate(
        [
            np.arange(length) + offsets[number] if number in offsets else np.full(length, nothing)
            for number, length in whole.items()
        ]
    )
