"""Sound files: rate, channels, length, format, loudness and damage."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from threading import Lock

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.media.loudness import Loudness, Meter
from gloaming.shows.media.low_priority import lower_priority
from gloaming.shows.media.sound_reading import ALIKE_S, OpenSound, SoundMissingError, to_channels
from gloaming.shows.time_units import SECOND_NS

BLOCK = 1 << 16
ALIKE_NS = round(ALIKE_S * SECOND_NS)
HOW = "pip install 'gloaming[sound]'"


@dataclass(frozen=True, slots=True)
class SoundFileInfo:
    """The header of a sound file."""

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
    """A sound file decoded from end to end.

    `frames` is the number of samples of each channel that are really there. The loudness is that after the mix to the
    channels of a device. `damage` is empty for a whole file.
    """

    info: SoundFileInfo
    frames: int
    loudness: Loudness
    damage: str

    @property
    def length_ns(self) -> int:
        return self.frames * SECOND_NS // self.info.rate_hz


def inspect_sound(path: Path) -> SoundFileInfo:
    """The header of a sound file. InputError, SoundMissingError."""
    with OpenSound(path, mend=False) as sound:
        return _info(sound)


def sound_length_ns(path: Path) -> int:
    """The length of a sound file by its header. Only its end is decoded.

    InputError if the end is missing. SoundMissingError.
    """
    with _without_stderr(), OpenSound(path, mend=False) as sound:
        sound.seek(sound.frames - 1)
        if not len(sound.read(1)):
            problem = "it is cut short or damaged: its end cannot be decoded"
            raise InputError(ConfigError(path, None, None, problem, "copy it again"))
        return _info(sound).length_ns


def measure(path: Path, channels: int = 2) -> Measured:
    """Decode a sound file for a device of one or two channels. InputError, SoundMissingError."""
    with _without_stderr(), OpenSound(path) as sound:
        meter = Meter(sound.rate_hz, channels)
        while len(block := sound.read(BLOCK)):
            meter.add(to_channels(block, channels))
        return Measured(_info(sound), sound.frame, meter.result(), sound.damage)


_STDERR = Lock()
"""Held while stderr is another one: two threads would put it back in the wrong order."""


@contextmanager
def _without_stderr() -> Iterator[None]:
    """Discard stderr meanwhile: the MP3 decoder prints hundreds of lines about a damaged file."""
    with _STDERR:
        yield from _discarded()


def _discarded() -> Iterator[None]:
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


def _info(sound: OpenSound) -> SoundFileInfo:
    return SoundFileInfo(sound.path, sound.rate_hz, sound.channels, sound.frames, sound.format)


def main() -> None:
    """`python -m gloaming.shows.media.sound_info FILE CHANNELS`: loudness and damage as one JSON object."""
    import json
    import sys

    lower_priority()
    path = Path(sys.argv[1])
    found: dict[str, object] = {"lufs": None, "dbtp": None, "wrong": ""}
    try:
        measured = measure(path, int(sys.argv[2]))
    except InputError as error:
        found["wrong"] = error.errors[0].problem
    except SoundMissingError as error:
        found["wrong"] = str(error)
    else:
        loudness = measured.loudness
        found |= {"lufs": loudness.integrated_lufs, "dbtp": loudness.true_peak_dbtp, "wrong": measured.damage}
    print(json.dumps(found))


if __name__ == "__main__":
    main()
