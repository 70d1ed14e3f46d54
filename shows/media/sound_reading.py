"""Reads sound files: samples block by block, from any place, past damage; and mixes them to a device's channels.

The decoder (the package soundfile) is imported when a file is opened. Without it the rest of the program works.
"""

from __future__ import annotations

from io import BytesIO
from math import sqrt
from pathlib import Path
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.media.mp3_frames import mend_holes

Samples = npt.NDArray[np.float32]

RATES_HZ = range(8_000, 192_001)
CHANNELS_MAX = 8
FORMATS = "WAV, FLAC, Ogg Vorbis, Opus or MP3"
MISSING = "the package soundfile is not installed, so no sound file can be played"
PACKED = ("MP3", "OGG")
PREROLL_S = 0.25
"""Packed formats are right only a while after a seek. MP3's frames have data in earlier frames (ISO/IEC 11172-3,
2.4.2.7). Opus converges in 80 ms (RFC 7845, 4.6)."""
SMALL = 1024
"""How many samples are decoded at once near damage, so that little is lost."""
STEP_S = 0.05
"""The precision with which the end of a damaged place is found."""
MENDED_BYTES_MAX = 64 << 20
ALIKE_S = 0.1
"""Lengths that differ by less count as equal: packed formats round to blocks."""


class SoundMissingError(Exception):
    """The decoder for sound files is not installed."""


class OpenSound:
    """An open sound file. Damaged parts are silent. The parts after them keep their time."""

    def __init__(self, path: Path, mend: bool = True) -> None:
        """Open a file. `mend` fills holes in an MP3. InputError, SoundMissingError."""
        self.path = path
        self.frame = 0
        """The sample (of each channel) at which the next `read` begins."""
        self.holes: list[tuple[float, float]] = []
        """The seconds that cannot be decoded, as far as known."""
        self.ends: int | None = None
        """The sample from which on nothing can be decoded, if that is before the end."""
        self._silent = 0
        self._lost = False
        """Whether the decoder's place is unknown."""
        self._source: Path | bytes = path
        self._sound = _open(path, self._source)
        self.rate_hz, self.channels, self.frames = self._sound.samplerate, self._sound.channels, self._sound.frames
        self.format = f"{self._sound.format} {self._sound.subtype}"
        self._preroll = round(PREROLL_S * self.rate_hz) if self._sound.format in PACKED else 0
        try:
            self._check()
            if mend and self._sound.format == "MP3":
                self._mend()
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._sound.close()

    @property
    def damage(self) -> str:
        """A text about the parts that cannot be decoded, as far as known. Empty for a whole file."""
        if self.ends is not None:
            can, says = self.ends / self.rate_hz, self.frames / self.rate_hz
            return f"it is cut short or damaged: only {can:.1f} s of its {says:.1f} s can be decoded"
        if not self.holes:
            return ""
        (begin_s, end_s), more = self.holes[0], len(self.holes) - 1
        places = f"; so are {more} more places" if more else ""
        return f"it is damaged: from {begin_s:.1f} s to {end_s:.1f} s it cannot be decoded and is silent{places}"

    def seek(self, frame: int) -> None:
        """Continue at a sample."""
        self.frame = min(frame, self.frames)
        self._silent = 0
        self._place(self.frame)

    def read(self, size: int) -> Samples:
        """The next samples `(frames, channels) float32`, full scale 1.0, at most `size`. Empty at the end."""
        if not self._silent:
            block = self._decode(size)
            if len(block) or self.frame >= self.frames - ALIKE_S * self.rate_hz:
                self.frame += len(block)
                return block
            after = self._next_good()
            if after is None:
                self.ends = self.frame
                return block
            self.holes.append((self.frame / self.rate_hz, after / self.rate_hz))
            self._silent = after - self.frame
        count = min(size, self._silent)
        self._silent -= count
        self.frame += count
        return np.zeros((count, self.channels), dtype=np.float32)

    def _decode(self, size: int) -> Samples:
        """The next samples, fewer before damage. Empty at the end, or if the next sample is damaged."""
        nothing = np.zeros((0, self.channels), dtype=np.float32)
        if self._lost and not self._place(self.frame):
            return nothing
        try:
            return np.asarray(self._sound.read(size, dtype="float32", always_2d=True))
        except RuntimeError:  # soundfile raises these
            self._lost = True
            return self._decode(SMALL) if size > SMALL else nothing

    def _place(self, frame: int) -> bool:
        """Move the decoder to a sample. False if that is impossible."""
        before = min(frame, self._preroll)
        if self._lost:  # after damage FLAC's decoder cannot seek any more
            self._open_again()
        try:
            self._sound.seek(frame - before)
            self._lost = len(self._sound.read(before, dtype="float32")) < before
        except RuntimeError:
            self._lost = True
        return not self._lost

    def _mend(self) -> None:
        """Fill the holes of an MP3. A file too long for a board's memory stays as it is."""
        try:
            if self.path.stat().st_size > MENDED_BYTES_MAX:
                return
            mended = mend_holes(self.path.read_bytes())
        except OSError as error:
            problem = f"it cannot be read ({error.strerror or error})"
            raise InputError(ConfigError(self.path, None, None, problem)) from None
        if mended:
            self._source = mended.content
            self.holes += mended.holes
            self._open_again()
            self.frames = self._sound.frames

    def _open_again(self) -> None:
        self._sound.close()
        self._sound = _open(self.path, self._source)
        self._lost = False

    def _readable(self, frame: int) -> bool:
        return self._place(frame) and len(self._decode(SMALL)) > 0

    def _next_good(self) -> int | None:
        """The first sample after damage that can be decoded. The decoder is moved there."""
        step = reach = round(STEP_S * self.rate_hz)
        while not self._readable(self.frame + reach):
            reach *= 2
            if self.frame + reach >= self.frames:
                return None
        good, bad = self.frame + reach, self.frame + reach // 2
        while good - bad > step:
            middle = (good + bad) // 2
            good, bad = (middle, bad) if self._readable(middle) else (good, middle)
        return good if self._place(good) else None

    def _check(self) -> None:
        problem = ""
        if self.rate_hz not in RATES_HZ:
            problem = f"it has {self.rate_hz} samples a second, outside 8000 to 192000"
        elif self.channels > CHANNELS_MAX:
            problem = f"it has {self.channels} channels, more than {CHANNELS_MAX}"
        elif self.frames <= 0:
            problem = "there is no sound in the file"
        if problem:
            hint = "save it as stereo at 44100 or 48000 samples a second"
            raise InputError(ConfigError(self.path, None, None, problem, hint))


def _open(path: Path, source: Path | bytes) -> Any:
    """A `soundfile.SoundFile`. InputError, SoundMissingError."""
    try:
        import soundfile
    except (ImportError, OSError) as error:
        raise SoundMissingError(f"{MISSING} ({error})") from None
    try:
        if path.exists() and not path.is_file():
            raise InputError(ConfigError(path, None, None, "this is not a file", f"name a file in {FORMATS}"))
        with path.open("rb") as file:
            head = file.read(12)
    except FileNotFoundError:
        raise InputError(ConfigError(path, None, None, "there is no such file", f"name a file in {FORMATS}")) from None
    except (OSError, ValueError) as error:
        problem = f"it cannot be read ({getattr(error, 'strerror', None) or error})"
        raise InputError(ConfigError(path, None, None, problem)) from None
    if not head:
        raise InputError(ConfigError(path, None, None, "the file is empty", "copy it again"))
    try:
        sound = soundfile.SoundFile(BytesIO(source) if isinstance(source, bytes) else source)
    except (soundfile.LibsndfileError, TypeError, ValueError) as error:
        problem = f"this is not a sound file that can be played ({_reason(error)})"
        raise InputError(ConfigError(path, None, None, problem, f"save it as {FORMATS}")) from None
    # soundfile seeks after every block of a seekable file, which tears holes into MP3. So deny that it is seekable.
    sound.seekable = lambda: False
    return sound


def _reason(error: Exception) -> str:
    """The text of libsndfile, without the path that it repeats."""
    text = str(getattr(error, "error_string", error)).strip().rstrip(".")
    return text[:1].lower() + text[1:]


def to_channels(block: Samples, channels: int) -> Samples:
    """Samples `(frames, any channels)` for a device of one or two channels.

    Mono goes to both. More than two channels have the order of WAV files. Centre and surrounds go to the sides at
    -3 dB, without the low frequency channel (ITU-R BS.775-3, annex 4, table 2). The mix is quieter, so it cannot clip.
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
