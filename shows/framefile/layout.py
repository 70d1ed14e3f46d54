"""The layout of a frame file, byte by byte: tables, seal, chunks. FORMAT.md describes it in prose.

The reader and the writer use it. It opens no file. Chunks are compressed in threads: zstd releases the interpreter's
lock.
"""

from __future__ import annotations

import hashlib
import math
import struct
from collections import deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import zstandard

from gloaming.shows.protocols.e131 import SLOTS_MAX, UNIVERSE_MAX
from gloaming.shows.time_units import FPS_MAX, SECOND_NS

if TYPE_CHECKING:
    from concurrent.futures import Future, ThreadPoolExecutor


Frames = npt.NDArray[np.uint8]
"""An array `(frames, frame_bytes) uint8`."""

APPLICATION_ID = 0x476C6F61  # "Gloa"
VERSION = 1
SCHEMA = (
    "CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID",
    "CREATE TABLE universe (number INTEGER PRIMARY KEY, slots INTEGER NOT NULL, offset INTEGER NOT NULL)",
    "CREATE TABLE chunk (first_frame INTEGER PRIMARY KEY, frames INTEGER NOT NULL, data BLOB NOT NULL)",
    "CREATE INDEX chunk_extent ON chunk (first_frame, frames)",
)
CHUNK_S = 1
CHUNK_BYTES_MIN = 256 * 1024  # in smaller chunks SQLite may add more than 1 %
CHUNK_BYTES_MAX = 2 * 1024 * 1024
LEVEL = 3
SAMPLE_BYTES, SAMPLE_STRIPS = 64 * 1024, 8
SAMPLE_NOISE, SAMPLE_CALM, SAMPLE_NEAR = 0.97, 0.1, 1.2
"""A sample that compresses to more than the first share is noise. One that compresses to less than the second is too
calm to judge, and compression is fast. A filter is worth a try if its size is within the third factor of the best."""


BREAK_US = 92
MARK_AFTER_BREAK_US = 12
SLOT_US = 44


def max_refresh_hz(slots: int) -> float:
    """The highest rate at which a DMX512 line can carry `slots` slots.

    ANSI E1.11 (from memory): break 92 us, mark after break 12 us, 44 us a slot. The start code is one more slot.
    """
    return 1e6 / (BREAK_US + MARK_AFTER_BREAK_US + SLOT_US * (slots + 1))


def every_nth(fps: Fraction, limit_hz: float) -> int:
    """The least n for which every n-th frame stays within `limit_hz` (E1.31 6.6.1)."""
    return max(1, math.ceil(fps / limit_hz))


@dataclass(frozen=True, slots=True)
class Universe:
    """A universe of a frame file. Its slots 1..`slots` begin at byte `offset` of a frame."""

    number: int
    slots: int
    offset: int


@dataclass(frozen=True, slots=True)
class FrameFileInfo:
    """The metadata of a frame file. `frame_bytes` is the sum of the universes' slots.

    `rig` is the JSON of the rig that it was made for, as it stands in the file, or empty. `rig.made_for` reads it. `id`
    is that of the file.
    """

    path: Path
    fps: Fraction
    frames: int
    frame_bytes: int
    universes: tuple[Universe, ...]
    rig: str = ""
    id: str = field(default="", compare=False)

    @property
    def length_ns(self) -> int:
        """Its length in nanoseconds, rounded down."""
        return self.frames * self.fps.denominator * SECOND_NS // self.fps.numerator


def bytes_of(spans: Iterable[tuple[int, int, int]], universes: Mapping[int, Universe]) -> npt.NDArray[np.intp]:
    """The byte of a frame for each slot of some spans `(universe, first slot, last slot)`. -1: the frame has none."""
    parts = [np.empty(0, np.intp)]
    for number, first, last in spans:
        one = universes.get(number, Universe(number, 0, 0))
        slots = np.arange(first, last + 1)
        parts.append(np.where(slots <= one.slots, one.offset + slots - 1, -1))
    return np.concatenate(parts)


def universes_problem(universes: Sequence[Universe]) -> str | None:
    """The problem with the universes of a frame file, or None.

    Universe numbers are 1..63999 (E1.31 9.1.1), slots 1..512 (E1.11).
    """
    if not universes:
        return "there are no universes"
    offset = 0
    numbers = set()
    for universe in sorted(universes, key=lambda one: one.offset):
        if not 1 <= universe.number <= UNIVERSE_MAX:
            return f"universe {universe.number} is not one of 1 to {UNIVERSE_MAX}"
        if not 1 <= universe.slots <= SLOTS_MAX:
            return f"universe {universe.number} has {universe.slots} slots, not 1 to {SLOTS_MAX}"
        if universe.number in numbers:
            return f"universe {universe.number} is there twice"
        if universe.offset != offset:
            return f"universe {universe.number} begins at byte {universe.offset} of the frame, not at {offset}"
        numbers.add(universe.number)
        offset += universe.slots
    return None


def fps_problem(fps: Fraction) -> str | None:
    """The problem with a frame rate, or None."""
    if not 0 < fps <= FPS_MAX or max(fps.numerator, fps.denominator) >= 2**31:
        return f"{fps} frames a second is not above 0 and at most {FPS_MAX}"
    return None


def seal(meta: Mapping[str, str], universes: Iterable[Universe]) -> str:
    """The seal of a finished file: SHA-256, in hexadecimal, of all universes and all metadata except the seal."""
    lines = [f"{key}={value}" for key, value in sorted(meta.items()) if key != "seal"]
    lines += [f"{one.number} {one.slots} {one.offset}" for one in sorted(universes, key=lambda one: one.number)]
    return hashlib.sha256("".join(f"{line}\n" for line in lines).encode()).hexdigest()


def chunk_frames(fps: Fraction, frame_bytes: int) -> int:
    """Frames in a chunk: about a second, more if frames are small. At most 2 MiB, unless a single frame is larger."""
    wanted = max(math.ceil(fps * CHUNK_S), CHUNK_BYTES_MIN // frame_bytes)
    return max(1, min(wanted, CHUNK_BYTES_MAX // frame_bytes))


class Filter(IntEnum):
    """How a chunk's frames are arranged before they are compressed."""

    PLAIN = 0
    DIFFERENCE = 1
    BY_SLOT = 2


# The head of every chunk's content: the file's id, first frame, frames, filter. The checksum of zstd covers it, so a
# chunk in the wrong place or from another file is detected.
HEAD = struct.Struct("<8sQII")


def _filtered(frames: Frames, filter_: Filter, out: Frames) -> None:
    if filter_ is Filter.PLAIN:
        out[:] = frames.reshape(-1)
    elif filter_ is Filter.DIFFERENCE:
        rows = out.reshape(frames.shape)
        rows[0] = frames[0]
        np.subtract(frames[1:], frames[:-1], out=rows[1:])
    else:
        out.reshape(frames.shape[::-1])[:] = frames.T


def _unfiltered(content: Frames, shape: tuple[int, int], filter_: Filter) -> Frames:
    if filter_ is Filter.PLAIN:
        return content.reshape(shape)
    if filter_ is Filter.BY_SLOT:
        return np.ascontiguousarray(content.reshape(shape[::-1]).T)
    differences = content.reshape(shape)
    frames = np.empty(shape, np.uint8)
    frames[0] = differences[0]
    for number in range(1, shape[0]):  # many times faster than np.add.accumulate along this axis
        np.add(frames[number - 1], differences[number], out=frames[number])
    return frames


def _promising(compressor: zstandard.ZstdCompressor, frames: Frames) -> Sequence[Filter]:
    """The filters to try. For a large chunk: those that do well on a sample, strips of all its frames."""
    if len(frames) == 1:
        return (Filter.PLAIN,)
    width = max(1, SAMPLE_BYTES // len(frames) // SAMPLE_STRIPS)
    if frames.shape[1] < 2 * width * SAMPLE_STRIPS:
        return tuple(Filter)
    begins = np.linspace(0, frames.shape[1] - width, SAMPLE_STRIPS).astype(np.int64).tolist()
    sample = np.concatenate([frames[:, begin : begin + width] for begin in begins], axis=1)
    body = np.empty(sample.size, np.uint8)
    shares = {}
    for filter_ in Filter:
        _filtered(sample, filter_, body)
        shares[filter_] = len(compressor.compress(body.data)) / sample.size
    best = min(shares.values())
    if best > SAMPLE_NOISE:
        return (Filter.PLAIN,)
    return [filter_ for filter_, share in shares.items() if share <= best * SAMPLE_NEAR or best < SAMPLE_CALM]


def encode_chunk(
    compressor: zstandard.ZstdCompressor,
    id_: bytes,
    first_frame: int,
    frames: Frames,
    filters: Sequence[Filter] | None = None,
) -> bytes:
    """A chunk's data: one zstd frame with the filter that makes it smallest. For a large chunk a sample decides."""
    filters = _promising(compressor, frames) if filters is None else filters
    content = bytearray(HEAD.size + frames.size)
    body = np.frombuffer(content, np.uint8, offset=HEAD.size)
    best = b""
    for filter_ in filters:
        HEAD.pack_into(content, 0, id_, first_frame, len(frames), filter_)
        _filtered(frames, filter_, body)
        data = compressor.compress(content)
        if not best or len(data) < len(best):
            best = data
    return best


def decode_chunk(
    decompressor: zstandard.ZstdDecompressor, id_: bytes, first_frame: int, shape: tuple[int, int], data: bytes
) -> Frames:
    """The frames of a chunk, C-contiguous. ValueError names the damage."""
    size = HEAD.size + shape[0] * shape[1]
    try:
        parameters = zstandard.get_frame_parameters(data)
        if parameters.content_size != size or not parameters.has_checksum:
            raise ValueError("its length or its kind is not the one that was written")
        content = decompressor.decompress(data, max_output_size=size, allow_extra_data=False)
    except zstandard.ZstdError as error:
        raise ValueError(f"it cannot be decompressed ({error})") from None
    if len(content) != size:
        raise ValueError("it is shorter than was written")
    head_id, head_first, head_frames, head_filter = HEAD.unpack_from(content)
    if (head_id, head_first, head_frames) != (id_, first_frame, shape[0]):
        raise ValueError("it belongs to another place or to another file")
    if head_filter not in Filter.__members__.values():
        raise ValueError(f"its filter {head_filter} is unknown")
    return _unfiltered(np.frombuffer(content, np.uint8, offset=HEAD.size), shape, Filter(head_filter))


Chunk = tuple[int, int, bytes]
"""First frame, number of frames, data."""


class Packers:
    """Compresses the chunks of one file in `threads` threads. With 0 threads it compresses at once.

    It returns the chunks in order. It holds at most one chunk a thread, plus one.
    """

    def __init__(self, id_: bytes, threads: int) -> None:
        self._id, self._threads = id_, threads
        self._pool: ThreadPoolExecutor | None = None
        self._idle = [
            zstandard.ZstdCompressor(level=LEVEL, write_checksum=True, write_content_size=True)
            for _ in range(threads + 1)
        ]
        self._waiting: deque[tuple[int, int, Future[bytes]]] = deque()

    def pack(self, first: int, frames: Frames) -> bytes:
        """The data of a chunk, compressed in this thread."""
        compressor = self._idle.pop()
        try:
            return encode_chunk(compressor, self._id, first, frames)
        finally:
            self._idle.append(compressor)

    def give(self, first: int, frames: Frames) -> Iterator[Chunk]:
        """Take a chunk; return the chunks that are ready to be stored. `frames` must not change after this."""
        if not self._threads:
            yield first, len(frames), self.pack(first, frames)
            return
        if self._pool is None:
            from concurrent.futures import ThreadPoolExecutor  # imported here, because a reader does not need it

            self._pool = ThreadPoolExecutor(self._threads)
        self._waiting.append((first, len(frames), self._pool.submit(self.pack, first, frames)))
        while len(self._waiting) > self._threads + 1:
            yield self._oldest()

    def finish(self) -> Iterator[Chunk]:
        """The chunks that are not stored yet."""
        while self._waiting:
            yield self._oldest()
        self.drop()

    def drop(self) -> None:
        """Discard the chunks that are not stored yet, and end the threads."""
        self._waiting.clear()
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None

    def _oldest(self) -> Chunk:
        first, frames, data = self._waiting.popleft()
        return first, frames, data.result()
