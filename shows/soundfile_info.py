"""Sound files: what one is (rate, channels, length, format), what is wrong with it, and its samples block by block.

What decodes them (the package soundfile) is imported when a file is opened: without it the rest works on.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gloaming.shows.loudness import Loudness, Meter
from gloaming.shows.mistake import Mistake, MistakeError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

SECOND_NS = 1_000_000_000
BLOCK = 1 << 16
ALIKE_NS = SECOND_NS // 10
"""Lengths that differ by less are alike: packed formats round to blocks."""
RATES_HZ = range(8_000, 192_001)
CHANNELS_MAX = 8
FORMATS = "WAV, FLAC, Ogg Vorbis, Opus or MP3"
MISSING = "the package soundfile is not installed, so no sound file can be played"
HOW = "pip install 'gloaming[sound]'"


class SoundMissingError(Exception):
    """What decodes sound files is not on this machine."""


@dataclass(frozen=True, slots=True)
class SoundFileInfo:
    """What a sound file says of itself."""

    path: Path
    rate_hz: int
    channels: int
    frames: int
    format: str

    @property
    def length_ns(self) -> int:
        return self.frames * SECOND_NS // self.rate_hz


@dataclass(frozen=True, slots=True)
class Measured:
    """A sound file decoded from end to end: its loudness, and how many samples (of each channel) there really are."""

    info: SoundFileInfo
    frames: int
    loudness: Loudness

    @property
    def length_ns(self) -> int:
        return self.frames * SECOND_NS // self.info.rate_hz


def open_sound(path: Path) -> Any:
    """A `soundfile.SoundFile` to read from. MistakeError, SoundMissingError."""
    try:
        import soundfile
    except (ImportError, OSError) as error:
        raise SoundMissingError(f"{MISSING} ({error})") from None
    try:
        if path.exists() and not path.is_file():
            raise MistakeError(Mistake(path, None, None, "this is not a file", f"name a file in {FORMATS}"))
        with path.open("rb") as file:
            head = file.read(12)
    except FileNotFoundError:
        raise MistakeError(Mistake(path, None, None, "there is no such file", f"name a file in {FORMATS}")) from None
    except (OSError, ValueError) as error:
        wrong = f"it cannot be read ({getattr(error, 'strerror', None) or error})"
        raise MistakeError(Mistake(path, None, None, wrong)) from None
    if not head:
        raise MistakeError(Mistake(path, None, None, "the file is empty", "copy it again"))
    try:
        sound = soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, TypeError, ValueError) as error:
        wrong = f"this is not sound that can be played ({_said(error)})"
        raise MistakeError(Mistake(path, None, None, wrong, f"save it as {FORMATS}")) from None
    wrong = ""
    if sound.samplerate not in RATES_HZ:
        wrong = f"it has {sound.samplerate} samples a second, outside 8000 to 192000"
    elif sound.channels > CHANNELS_MAX:
        wrong = f"it has {sound.channels} channels, more than {CHANNELS_MAX}"
    elif sound.frames <= 0:
        wrong = "there is no sound in it"
    if wrong:
        sound.close()
        raise MistakeError(Mistake(path, None, None, wrong, "save it as stereo at 44100 or 48000 samples a second"))
    # What says that it is seekable is sought by soundfile after every block read, which tears holes into MP3.
    sound.seekable = lambda: False
    return sound


def inspect_sound(path: Path) -> SoundFileInfo:
    """What a sound file says of itself. MistakeError, SoundMissingError."""
    with open_sound(path) as sound:
        return _info(path, sound)


def sound_length_ns(path: Path) -> int:
    """How long a sound file lasts, by what it says of itself, where its end is really there. It is not decoded.

    MistakeError, SoundMissingError.
    """
    with _hushed(), open_sound(path) as sound:
        try:
            sound.seek(sound.frames - 1)
            there = len(sound.read(1))
        except RuntimeError:  # soundfile's errors are
            there = 0
        if not there:
            wrong = "it is cut short or damaged: its end cannot be decoded"
            raise MistakeError(Mistake(path, None, None, wrong, "copy it again"))
        return _info(path, sound).length_ns


def measure(path: Path) -> Measured:
    """A sound file decoded from end to end. MistakeError, SoundMissingError; what cannot be decoded ends it early."""
    with _hushed(), open_sound(path) as sound:
        info = _info(path, sound)
        meter = Meter(info.rate_hz, info.channels)
        frames = 0
        for block in blocks(sound):
            meter.add(block)
            frames += len(block)
        return Measured(info, frames, meter.result())


@contextmanager
def _hushed() -> Iterator[None]:
    """What reads MP3 prints hundreds of lines about a damaged one: meanwhile they go nowhere."""
    try:
        before = os.dup(2)
    except OSError:  # there is no stderr
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(before, 2)
        os.close(before)
        os.close(nowhere)


def blocks(sound: Any, size: int = BLOCK) -> Iterator[npt.NDArray[np.float32]]:
    """The samples of an open sound file, `(frames, channels) float32`, up to its end or to where it is damaged."""
    import soundfile

    while True:
        try:
            block = sound.read(size, dtype="float32", always_2d=True)
        except soundfile.LibsndfileError:
            return  # what follows cannot be decoded: `measure` counts what came, and the survey says so
        if not len(block):
            return
        yield block


def _info(path: Path, sound: Any) -> SoundFileInfo:
    return SoundFileInfo(path, sound.samplerate, sound.channels, sound.frames, f"{sound.format} {sound.subtype}")


def _said(error: Exception) -> str:
    """What libsndfile says, without the path it repeats."""
    text = str(getattr(error, "error_string", error)).strip().rstrip(".")
    return text[:1].lower() + text[1:]


def main() -> None:
    """`python -m gloaming.shows.soundfile_info FILE`: loudness, and what is wrong with it, as one JSON object."""
    import json
    import sys

    os.nice(10)
    path = Path(sys.argv[1])
    found: dict[str, object] = {"lufs": None, "dbtp": None, "wrong": ""}
    try:
        measured = measure(path)
    except MistakeError as error:
        found["wrong"] = error.mistakes[0].wrong
    except SoundMissingError as error:
        found["wrong"] = str(error)
    else:
        loudness = measured.loudness
        found |= {"lufs": loudness.integrated_lufs, "dbtp": loudness.true_peak_dbtp, "wrong": cut_short(measured)}
    print(json.dumps(found))


def cut_short(measured: Measured) -> str:
    """How much of a sound file can be decoded, where that is not all; else nothing."""
    if measured.length_ns > measured.info.length_ns - ALIKE_NS:
        return ""
    can, says = measured.length_ns / SECOND_NS, measured.info.length_ns / SECOND_NS
    return f"it is cut short or damaged: {can:.1f} of its {says:.1f} s can be decoded"


if __name__ == "__main__":
    main()
