"""Frames from disk, ahead of the clock: read and unpacked by threads, one for each file, so that no disk delays a frame
and no file waits for another's disk."""

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
"""So far ahead a file is read: five seconds, or so many bytes of it, and the next chunk in any case."""
EVERYTHING = 1 << 40
AGAIN_S = 0.1


@dataclass(frozen=True, slots=True)
class DamagedFrames:
    """Why a frame cannot be had; `whole` where the file has none at all."""

    text: str
    whole: bool = False


class FrameCache(NamedTuple):
    """A frame `(frame_bytes,) uint8`, and what its file says of itself."""

    frame: Bytes
    info: FrameFileInfo


@dataclass(frozen=True, slots=True)
class Want:
    """A frame that is needed now or soon, and whether those after it (round and round) will be."""

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
    """Holds the chunks that are wanted and nothing else. `wake` is called when a chunk has come; `begin` at the start
    of each thread."""

    def __init__(self, wake: Callable[[], None], begin: Callable[[], None] = lambda: None) -> None:
        self._wake, self._begin = wake, begin
        self._changed = threading.Condition()
        self._wanted: tuple[Want, ...] = ()
        self._chunks: tuple[_Chunk, ...] = ()
        self._infos: dict[str, FrameFileInfo] = {}
        self._threads: dict[str, threading.Thread] = {}
        self._key: tuple[Want, ...] = ()
        self._looks = 0

    def want(self, *wanted: Want) -> None:
        """Say which frames are to be at hand, the most urgent first; others are let go."""
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
        """The planner knows of other files: one that has been replaced is read anew: its reader would never know. What
        could not be read is tried again."""
        with self._changed:
            self._looks += 1
            self._chunks = tuple(chunk for chunk in self._chunks if not isinstance(chunk.frames, DamagedFrames))
            self._changed.notify_all()

    def get(self, path: str, frame: int) -> FrameCache | DamagedFrames | None:
        """A frame, why there is none, or None where it has not come yet. Never waits."""
        chunk = self._find(path, frame)
        if chunk is None:
            return None
        if isinstance(chunk.frames, DamagedFrames) or chunk.info is None:
            return chunk.frames if isinstance(chunk.frames, DamagedFrames) else None
        return FrameCache(chunk.frames[frame - chunk.first], chunk.info)

    def hurt_after(self, path: str, frame: int) -> tuple[int, str] | None:
        """The first frame from a frame on that cannot be had, as far as the file has been read; and why."""
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
        """One file's thread: it ends when the file is wanted no more."""
        self._begin()
        reader: FrameReader | None = None
        looks, read = self._looks, file_stamp(Path(path))
        while True:
            with self._changed:
                while (missing := self._missing(path)) is None and looks == self._looks:
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
            except MemoryError:  # the last frame stays on the wire until there is some
                time.sleep(AGAIN_S)
                continue
            except (OSError, ValueError, IndexError) as error:
                chunk = _Chunk(path, missing, missing + 1, DamagedFrames(str(error)))
            with self._changed:
                if isinstance(chunk.frames, DamagedFrames) and looks != self._looks:
                    continue  # it may have been mended meanwhile
                kept, _ = self._walk()
                self._chunks = (*(held for held in self._chunks if held in kept), chunk)
            self._wake()

    def _drop(self, path: str) -> None:
        del self._threads[path]
        self._chunks = tuple(chunk for chunk in self._chunks if chunk.path != path)

    def _missing(self, path: str) -> int | None:
        return next((frame for there, frame in self._walk()[1] if there == path), None)

    def _walk(self) -> tuple[set[_Chunk], list[tuple[str, int]]]:
        """From what is wanted onward: the chunks that are to be kept, and the first frames that are not there yet."""
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
