"""Reading sound files: samples block by block, from any place on, past damage; and their mix to a device's channels.

What decodes them (the package soundfile) is imported when a file is opened: without it the rest works on.
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
"""Packed formats sound right only a while after a place that was sought: MP3's frames have data in earlier ones
(ISO/IEC 11172-3, 2.4.2.7), Opus converges in 80 ms (RFC 7845, 4.6)."""
SMALL = 1024
"""Near damage so many samples are decoded at once, so that little is lost."""
STEP_S = 0.05
"""How exactly the end of a damaged place is found."""
MENDED_BYTES_MAX = 64 << 20
ALIKE_S = 0.1
"""Lengths that differ by less are alike: packed formats round to blocks."""


class SoundMissingError(Exception):
    """What decodes sound files is not on this machine."""


class OpenSound:
    """An open sound file. What cannot be decoded is silent, and what follows it comes at its time."""

    def __init__(self, path: Path, mend: bool = True) -> None:
        """Open it; where `mend` is not set, holes in an MP3 are not looked for. InputError, SoundMissingError."""
        self.path = path
        self.frame = 0
        """Of which sample (of each channel) `read` gives the next block."""
        self.holes: list[tuple[float, float]] = []
        """Which seconds cannot be decoded, as far as that is known."""
        self.ends: int | None = None
        """From which sample on nothing more can be decoded, where that is before the end."""
        self._silent = 0
        self._lost = False
        """Whether it is not known where the decoder is."""
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
        """What of it cannot be decoded, as far as that is known; else nothing."""
        if self.ends is not None:
            can, says = self.ends / self.rate_hz, self.frames / self.rate_hz
            return f"it is cut short or damaged: it can be decoded for {can:.1f} of its {says:.1f} s only"
        if not self.holes:
            return ""
        (begin_s, end_s), more = self.holes[0], len(self.holes) - 1
        places = f"; so are {more} more places" if more else ""
        return f"it is damaged: from {begin_s:.1f} s to {end_s:.1f} s it cannot be decoded and is silent{places}"

    def seek(self, frame: int) -> None:
        """Go on reading from a sample on."""
        self.frame = min(frame, self.frames)
        self._silent = 0
        self._place(self.frame)

    def read(self, size: int) -> Samples:
        """The next samples `(frames, channels) float32`, full scale 1.0, at most `size` frames; none at the end."""
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
        """What comes next, less where it is damaged soon; none at the end, or where it is damaged now."""
        nothing = np.zeros((0, self.channels), dtype=np.float32)
        if self._lost and not self._place(self.frame):
            return nothing
        try:
            return np.asarray(self._sound.read(size, dtype="float32", always_2d=True))
        except RuntimeError:  # soundfile's errors are
            self._lost = True
            return self._decode(SMALL) if size > SMALL else nothing

    def _place(self, frame: int) -> bool:
        """Have the decoder at a sample; whether that was possible."""
        before = min(frame, self._preroll)
        if self._lost:  # after damage, FLAC's decoder finds no place any more
            self._open_again()
        try:
            self._sound.seek(frame - before)
            self._lost = len(self._sound.read(before, dtype="float32")) < before
        except RuntimeError:
            self._lost = True
        return not self._lost

    def _mend(self) -> None:
        """Have an MP3's holes filled; one that is too long for this board's memory is left as it is."""
        try:
            if self.path.stat().st_size > MENDED_BYTES_MAX:
                return
            mended = mend_holes(self.path.read_bytes())
        except OSError as error:
            wrong = f"it cannot be read ({error.strerror or error})"
            raise InputError(ConfigError(self.path, None, None, wrong)) from None
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
        """The first sample after a damaged one from which it goes on; the decoder is there then."""
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
        wrong = ""
        if self.rate_hz not in RATES_HZ:
            wrong = f"it has {self.rate_hz} samples a second, outside 8000 to 192000"
        elif self.channels > CHANNELS_MAX:
            wrong = f"it has {self.channels} channels, more than {CHANNELS_MAX}"
        elif self.frames <= 0:
            wrong = "there is no sound in it"
        if wrong:
            hint = "save it as stereo at 44100 or 48000 samples a second"
            raise InputError(ConfigError(self.path, None, None, wrong, hint))


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
        wrong = f"it cannot be read ({getattr(error, 'strerror', None) or error})"
        raise InputError(ConfigError(path, None, None, wrong)) from None
    if not head:
        raise InputError(ConfigError(path, None, None, "the file is empty", "copy it again"))
    try:
        sound = soundfile.SoundFile(BytesIO(source) if isinstance(source, bytes) else source)
    except (soundfile.LibsndfileError, TypeError, ValueError) as error:
        wrong = f"this is not sound that can be played ({_said(error)})"
        raise InputError(ConfigError(path, None, None, wrong, f"save it as {FORMATS}")) from None
    # What says that it is seekable is sought by soundfile after every block read, which tears holes into MP3.
    sound.seekable = lambda: False
    return sound


def _said(error: Exception) -> str:
    """What libsndfile says, without the path it repeats."""
    text = str(getattr(error, "error_string", error)).strip().rstrip(".")
    return text[:1].lower() + text[1:]


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
