"""Frames from disk, ahead of the clock: a thread of its own reads and unpacks, so that no disk delays a frame."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gloaming.shows.framefile import DamagedChunkError, FrameFileInfo, FrameReader
from gloaming.shows.mistake import MistakeError

Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Hurt:
    """Why a frame cannot be had."""

    text: str


@dataclass(frozen=True, slots=True)
class _Chunk:
    path: str
    first: int
    frames: Bytes | Hurt
    count: int

    def holds(self, path: str, frame: int) -> bool:
        return self.path == path and self.first <= frame < self.first + self.count


class ReadAhead:
    """Holds the chunks that are wanted and nothing else. `wake` is called when a chunk has come."""

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self._changed = threading.Condition()
        self._wanted: tuple[tuple[str, int], ...] = ()
        self._chunks: tuple[_Chunk, ...] = ()
        self._infos: dict[str, FrameFileInfo] = {}
        self._readers: dict[str, FrameReader] = {}
        self._thread = threading.Thread(target=self._run, name="read-ahead", daemon=True)
        self._thread.start()

    def want(self, *frames: tuple[str, int]) -> None:
        """Say which frames `(path, number)` are to be at hand, the most urgent first; others are let go."""
        if frames != self._wanted:
            with self._changed:
                self._wanted = frames
                self._changed.notify()

    def info(self, path: str) -> FrameFileInfo | None:
        """What a file says of itself, once it has been opened."""
        return self._infos.get(path)

    def get(self, path: str, frame: int) -> Bytes | Hurt | None:
        """A frame `(frame_bytes,) uint8`, why there is none, or None where it has not come yet. Never waits."""
        for chunk in self._chunks:
            if chunk.holds(path, frame):
                return chunk.frames if isinstance(chunk.frames, Hurt) else chunk.frames[frame - chunk.first]
        return None

    def chunk_end(self, path: str, frame: int) -> int | None:
        """The number of the first frame after the chunk that holds a frame."""
        return next((chunk.first + chunk.count for chunk in self._chunks if chunk.holds(path, frame)), None)

    def _run(self) -> None:
        while True:
            with self._changed:
                while not (missing := self._missing()):
                    self._changed.wait()
            chunk = self._read(*missing)
            with self._changed:
                kept = [held for held in self._chunks if any(held.holds(*wanted) for wanted in self._wanted)]
                self._chunks = (*kept, chunk)
                open_still = {path for path, _ in self._wanted}
                for path in [path for path in self._readers if path not in open_still]:
                    self._readers.pop(path).close()
            self._wake()

    def _missing(self) -> tuple[str, int] | None:
        for wanted in self._wanted:
            if not any(chunk.holds(*wanted) for chunk in self._chunks):
                return wanted
        return None

    def _read(self, path: str, frame: int) -> _Chunk:
        try:
            reader = self._readers.get(path)
            if reader is None:
                reader = self._readers[path] = FrameReader(Path(path))
                self._infos[path] = reader.info
            first, frames = reader.chunk(frame)
            return _Chunk(path, first, frames, len(frames))
        except DamagedChunkError as error:
            return _Chunk(path, error.first_frame, Hurt(error.text), max(1, error.frames))
        except MistakeError as error:
            self._readers.pop(path, None)
            return _Chunk(path, 0, Hurt(error.mistakes[0].wrong), 1 << 40)
        except (OSError, ValueError, IndexError) as error:
            return _Chunk(path, frame, Hurt(str(error)), 1)
