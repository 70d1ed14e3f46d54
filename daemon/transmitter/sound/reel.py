"""A sound file decoded ahead of the ear, in a thread of its own: a few seconds in memory, however long the file."""

from __future__ import annotations

import threading
from collections import deque
from math import sqrt
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from gloaming.shows.mistake import MistakeError
from gloaming.shows.soundfile_info import SoundMissingError, open_sound

Samples = npt.NDArray[np.float32]

AHEAD_S = 3.0
BLOCK = 8192
POLL_S = 0.1


class Reel:
    """Samples of a file from a position on, at the device's rate and for its channels. Positions count device samples.

    `trouble` says why nothing more comes, once that is so before the file's end.
    """

    def __init__(self, path: str, position: int, rate_hz: int, channels: int) -> None:
        self.path, self.rate_hz, self.channels = path, rate_hz, channels
        self.trouble: str | None = None
        self._chunks: deque[tuple[int, Samples]] = deque()
        self._taken, self._decoded = position, position
        """What has been let go, and what has come; each is written by one thread alone."""
        self._ended = False
        self._closed = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(position,), name="reel", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Let the thread end; does not wait for it."""
        self._closed.set()

    def take(self, position: int, out: Samples) -> int:
        """Add the samples from a position on to `out (frames, channels)`; how many there were. Never waits.

        What lies before the position is let go; where decoding is behind, the count is less than asked for.
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
        """Whether the file has ended before a position, so that silence there is as it should be."""
        return self._ended and (not self._chunks or position >= self._chunks[-1][0] + len(self._chunks[-1][1]))

    def _run(self, position: int) -> None:
        try:
            with open_sound(Path(self.path)) as sound:
                self._decode(sound, position)
        except MistakeError as error:
            self.trouble = error.mistakes[0].wrong
        except (SoundMissingError, RuntimeError, OSError, ValueError, ImportError) as error:
            self.trouble = str(error)
        self._ended = True

    def _decode(self, sound: Any, position: int) -> None:
        rate = sound.samplerate
        frame = max(0, position * rate // self.rate_hz)
        if frame >= sound.frames:
            return
        if frame:
            sound.seek(frame)
        place = round(frame * self.rate_hz / rate)
        convert = self._converter(rate)
        while not self._closed.is_set():
            if self._decoded - self._taken > AHEAD_S * self.rate_hz:
                self._closed.wait(POLL_S)
                continue
            block = self._block(sound)
            frame += len(block)
            samples = convert(to_channels(block, self.channels), not len(block))
            if len(samples):
                self._chunks.append((place, samples))
                place += len(samples)
                self._decoded = place
            if not len(block):
                if frame < sound.frames - rate // 10:
                    self.trouble = f"it can be decoded for {frame / rate:.1f} of its {sound.frames / rate:.1f} s only"
                return

    def _block(self, sound: Any) -> Samples:
        """The next samples as the file has them; none at its end, or where it is damaged."""
        try:
            return np.asarray(sound.read(BLOCK, dtype="float32", always_2d=True))
        except RuntimeError:  # soundfile's errors are
            return np.zeros((0, sound.channels), dtype=np.float32)

    def _converter(self, rate: int) -> Any:
        if rate == self.rate_hz:
            return lambda block, last: block
        import soxr

        stream = soxr.ResampleStream(rate, self.rate_hz, self.channels, dtype="float32")
        return lambda block, last: stream.resample_chunk(block, last=last)


def to_channels(block: Samples, channels: int) -> Samples:
    """Samples `(frames, any channels)` for a device of one or two channels.

    Mono goes to both. More than two in the order of WAV files: centre and surrounds at -3 dB to the sides, without the
    low frequency channel (ITU-R BS.775-3, annex 4, table 2), made quieter so that it cannot clip.
    """
    have = block.shape[1]
    if have > 2:
        half = sqrt(0.5)
        left = np.zeros(have, dtype=np.float32)
        left[0], left[2] = 1.0, half
        right = np.zeros(have, dtype=np.float32)
        right[1], right[2] = 1.0, half
        surrounds = range(3, have) if have < 6 else range(4, have)
        for place, channel in enumerate(surrounds):
            (left if place % 2 == 0 else right)[channel] = half
        mix = np.stack([left, right], axis=1)
        block = block @ (mix / mix.sum(axis=0).max())
    if channels == 1:
        return np.ascontiguousarray(block.mean(axis=1, keepdims=True), dtype=np.float32)
    if block.shape[1] == 1:
        return np.repeat(block, 2, axis=1)
    return block
