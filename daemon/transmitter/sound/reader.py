"""Decodes a sound file ahead of time, in a thread of its own. A few seconds are in memory, whatever its length."""

from __future__ import annotations

import threading
from collections import deque
from pathlib import Path
from typing import Any

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.media.sound_reading import OpenSound, Samples, SoundMissingError, to_channels

AHEAD_S = 3.0
BLOCK = 8192
POLL_S = 0.1


class SoundReader:
    """The samples of a file from a position on, at the device's rate and channels. Positions count device samples.

    `trouble` is the problem with the file, once one is known.
    """

    def __init__(self, path: str, position: int, rate_hz: int, channels: int) -> None:
        self.path, self.rate_hz, self.channels = path, rate_hz, channels
        self.trouble: str | None = None
        self._chunks: deque[tuple[int, Samples]] = deque()
        self._taken, self._decoded = position, position
        """The ends of what was taken and of what was decoded. One thread writes each."""
        self._ended = False
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(position,), name="sound-reader", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Let the thread end, without waiting."""
        self._closed.set()

    def take(self, position: int, out: Samples) -> int:
        """Add the samples from a position on to `out (frames, channels)`. Returns how many. Never waits.

        Drops the samples before the position. Returns fewer than asked for if decoding is behind.
        """
        done = 0
        while done < len(out) and self._chunks:
            begin, chunk = self._chunks[0]
            skip = position + done - begin
            if skip < 0:
                break
            if skip >= len(chunk):
                self._chunks.popleft()
                self._taken = begin + len(chunk)
                continue
            part = chunk[skip : skip + len(out) - done]
            out[done : done + len(part)] += part
            done += len(part)
        return done

    def ended(self, position: int) -> bool:
        """Whether the file ends before a position, so that silence there is right."""
        return self._ended and (not self._chunks or position >= self._chunks[-1][0] + len(self._chunks[-1][1]))

    def _run(self, position: int) -> None:
        try:
            with OpenSound(Path(self.path)) as sound:
                self._decode(sound, position)
        except InputError as error:
            self.trouble = error.errors[0].problem
        except (SoundMissingError, RuntimeError, OSError, ValueError, ImportError) as error:
            self.trouble = str(error)
        self._ended = True

    def _decode(self, sound: OpenSound, position: int) -> None:
        rate = sound.rate_hz
        frame = max(0, position * rate // self.rate_hz)
        if frame:
            sound.seek(frame)
        place = round(frame * self.rate_hz / rate)
        convert = self._converter(rate)
        while not self._closed.is_set():
            if self._decoded - self._taken > AHEAD_S * self.rate_hz:
                self._closed.wait(POLL_S)
                continue
            block = sound.read(BLOCK)
            self.trouble = sound.damage or None
            samples = convert(to_channels(block, self.channels), not len(block))
            if len(samples):
                self._chunks.append((place, samples))
                place += len(samples)
                self._decoded = place
            if not len(block):
                return

    def _converter(self, rate: int) -> Any:
        if rate == self.rate_hz:
            return lambda block, last: block
        import soxr

        stream = soxr.ResampleStream(rate, self.rate_hz, self.channels, dtype="float32")
        return lambda block, last: stream.resample_chunk(block, last=last)
