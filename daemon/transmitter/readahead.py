"""Reads frames from disk ahead of time, in one thread for each file: a slow disk delays no frame of another file."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.config_files.file_stamp import file_stamp
from gloaming.shows.framefile.reader import DamagedChunkError, FrameFileInfo, FrameReader

Bytes = npt.NDArray[np.uint8]

AHEAD_S = 5
AHEAD_BYTES = 16 << 20
"""A file is read this far ahead: AHEAD_S or AHEAD_BYTES, whichever is less, and at least the next chunk."""
EVERYTHING = 1 << 40
RETRY_S = 0.1


@dataclass(frozen=True, slots=True)
class DamagedFrames:
    """Why a frame cannot be read. `whole` if no frame of the file can be."""

    text: str
    whole: bool = False


class FrameCache(NamedTuple):
    """A frame `(frame_bytes,) uint8`, and the description of its file."""

    frame: Bytes
    info: FrameFileInfo


@dataclass(frozen=True, slots=True)
class Want:
    """A frame that is needed now or soon. `onward` if the frames after it are too; the first follows the last."""

    path: str
    frame: int
    onward: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class _Chunk:
    path: str
    first: int
    end: int
    frames: Bytes | DamagedFrames
    info: FrameFileInfo | None = None

    def holds(self, path: str, frame: int) -> bool:
        return self.path == path and self.first <= frame < self.end


class ReadAhead:
    """Holds only the chunks that are wanted. Calls `wake` for each new chunk; each thread first calls `begin`."""

    def __init__(self, wake: Callable[[], None], begin: Callable[[], None] = lambda: None) -> None:
        self._wake, self._begin = wake, begin
        self._changed = threading.Condition()
        self._wanted: tuple[Want, ...] = ()
        self._chunks: tuple[_Chunk, ...] = ()
        self._replaced: tuple[_Chunk, ...] = ()
        """Chunks of replaced files. They count until those of the new file are read, so that no frame is missed."""
        self._infos: dict[str, FrameFileInfo] = {}
        self._threads: dict[str, threading.Thread] = {}
        self._key: tuple[Want, ...] = ()
        self._looks = 0

    def want(self, *wanted: Want) -> None:
        """Set which frames to hold, the most urgent first. Drops all others."""
        key = tuple(Want(one.path, self._chunk_begin(one), one.onward) for one in wanted)
        if key == self._key:
            return
        with self._changed:
            self._wanted, self._key = wanted, key
            for path in {one.path for one in wanted} - self._threads.keys():
                thread = threading.Thread(target=self._run, args=(path,), name="read-ahead", daemon=True)
                self._threads[path] = thread
                thread.start()
            self._changed.notify_all()

    def look_again(self) -> None:
        """Reopen each file that was replaced, and try damaged frames again."""
        with self._changed:
            self._looks += 1
            self._chunks = tuple(chunk for chunk in self._chunks if not isinstance(chunk.frames, DamagedFrames))
            self._changed.notify_all()

    def get(self, path: str, frame: int) -> FrameCache | DamagedFrames | None:
        """A frame, or why it cannot be read; None if it is not read yet. Never waits."""
        chunk = self._find(path, frame) or next((one for one in self._replaced if one.holds(path, frame)), None)
        if chunk is None:
            return None
        if isinstance(chunk.frames, DamagedFrames) or chunk.info is None:
            return chunk.frames if isinstance(chunk.frames, DamagedFrames) else None
        return FrameCache(chunk.frames[frame - chunk.first], chunk.info)

    def damaged_after(self, path: str, frame: int) -> tuple[int, str] | None:
        """The first damaged frame from `frame` on, and why, among what has been read; None without one."""
        chunks = [chunk for chunk in self._chunks if chunk.path == path and chunk.end > frame]
        damaged = [(max(frame, one.first), one.frames.text) for one in chunks if isinstance(one.frames, DamagedFrames)]
        return min(damaged, default=None)

    def _find(self, path: str, frame: int) -> _Chunk | None:
        for chunk in self._chunks:
            if chunk.holds(path, frame):
                return chunk
        return None

    def _chunk_begin(self, want: Want) -> int:
        chunk = self._find(want.path, want.frame)
        return chunk.first if chunk else want.frame

    def _run(self, path: str) -> None:
        """The thread of a file. It ends when the file is no longer wanted."""
        self._begin()
        reader: FrameReader | None = None
        looks, read = self._looks, file_stamp(Path(path))
        while True:
            with self._changed:
                while (missing := self._missing(path)) is None and looks == self._looks:
                    self._replaced = tuple(chunk for chunk in self._replaced if chunk.path != path)
                    if path not in {one.path for one in self._wanted}:
                        self._drop(path)
                        if reader:
                            reader.close()
                        return
                    self._changed.wait()
                again, looks = looks != self._looks, self._looks
            if again and (there := file_stamp(Path(path))) != read and any(there[1:]):
                read = there
                if reader:
                    reader.close()
                    reader = None
                with self._changed:
                    own = tuple(chunk for chunk in self._chunks if chunk.path == path)
                    others = tuple(chunk for chunk in self._replaced if chunk.path != path)
                    self._replaced = (*others, *(one for one in own if not isinstance(one.frames, DamagedFrames)))
                    self._chunks = tuple(chunk for chunk in self._chunks if chunk.path != path)
                continue
            if missing is None:
                continue
            try:
                if reader is None:
                    reader = FrameReader(Path(path))
                    self._infos[path] = reader.info
                first, frames = reader.chunk(missing)
                chunk = _Chunk(path, first, first + len(frames), frames, reader.info)
            except DamagedChunkError as error:
                chunk = _Chunk(
                    path, error.first_frame, error.first_frame + max(1, error.frames), DamagedFrames(error.text)
                )
            except InputError as error:
                chunk = _Chunk(path, 0, EVERYTHING, DamagedFrames(error.errors[0].problem, whole=True))
            except MemoryError:  # the last frame stays on the wire until memory is free
                time.sleep(RETRY_S)
                continue
            except (OSError, ValueError, IndexError) as error:
                chunk = _Chunk(path, missing, missing + 1, DamagedFrames(str(error)))
            with self._changed:
                if isinstance(chunk.frames, DamagedFrames) and looks != self._looks:
                    continue  # the file may be whole again by now
                kept, _ = self._walk()
                self._chunks = (*(held for held in self._chunks if held in kept), chunk)
            self._wake()

    def _drop(self, path: str) -> None:
        del self._threads[path]
        self._chunks, self._replaced = (
            tuple(chunk for chunk in chunks if chunk.path != path) for chunks in (self._chunks, self._replaced)
        )

    def _missing(self, path: str) -> int | None:
        return next((frame for there, frame in self._walk()[1] if there == path), None)

    def _walk(self) -> tuple[set[_Chunk], list[tuple[str, int]]]:
        """The chunks to keep for what is wanted, and for each want the first frame that is missing."""
        kept: set[_Chunk] = set()
        missing: list[tuple[str, int]] = []
        for want in self._wanted:
            frame, size, passed, info = want.frame, 0, 0, self._infos.get(want.path)
            fps = info.fps if info else Fraction(1)
            while True:
                chunk = self._find(want.path, frame)
                if chunk is None:
                    missing.append((want.path, frame))
                    break
                again = chunk in kept and passed > 0
                kept.add(chunk)
                if again or isinstance(chunk.frames, DamagedFrames) or not want.onward or info is None:
                    break
                ahead = passed > 0
                size, passed = size + chunk.frames.nbytes, passed + chunk.end - frame
                if ahead and (size > AHEAD_BYTES or passed > fps * AHEAD_S):
                    break
                frame = chunk.end % info.frames
        return kept, missing
