"""Chunks compressed in threads beside the one that writes: zstd lets go of the interpreter's lock."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import TYPE_CHECKING

import zstandard

from gloaming.shows.framefile_layout import LEVEL, Frames, encode_chunk

if TYPE_CHECKING:
    from concurrent.futures import Future, ThreadPoolExecutor

Chunk = tuple[int, int, bytes]
"""Its first frame, its frames, its data."""


class Packers:
    """Packs the chunks of one file in `threads` threads; none: at once.

    Hands them back in the order in which they came, and holds no more than one chunk a thread, and one.
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
        """A chunk's data, here and now."""
        compressor = self._idle.pop()
        try:
            return encode_chunk(compressor, self._id, first, frames)
        finally:
            self._idle.append(compressor)

    def give(self, first: int, frames: Frames) -> Iterator[Chunk]:
        """Take a chunk whose `frames` nobody changes any more; the chunks that are to be stored by now."""
        if not self._threads:
            yield first, len(frames), self.pack(first, frames)
            return
        if self._pool is None:
            from concurrent.futures import ThreadPoolExecutor  # here: who only reads does without

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
        """Forget what is not stored yet, and end the threads."""
        self._waiting.clear()
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None

    def _oldest(self) -> Chunk:
        first, frames, data = self._waiting.popleft()
        return first, frames, data.result()
