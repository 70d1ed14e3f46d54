"""Sound files: what one is (rate, channels, length, format), how loud it is played, and what is wrong with it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.media.loudness import Loudness, Meter
from gloaming.shows.media.sound_reading import ALIKE_S, OpenSound, SoundMissingError, to_channels
from gloaming.shows.time_units import SECOND_NS

BLOCK = 1 << 16
ALIKE_NS = round(ALIKE_S * SECOND_NS)
HOW = "pip install 'gloaming[sound]'"


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
    """A sound file decoded from end to end: how many samples (of each channel) there really are, its loudness after the
    mix to a device's channels, and what of it cannot be decoded (else nothing)."""

    info: SoundFileInfo
    frames: int
    loudness: Loudness
    damage: str

    @property
    def length_ns(self) -> int:
        return self.frames * SECOND_NS // self.info.rate_hz


def inspect_sound(path: Path) -> SoundFileInfo:
    """What a sound file says of itself. InputError, SoundMissingError."""
    with OpenSound(path, mend=False) as sound:
        return _info(sound)


def sound_length_ns(path: Path) -> int:
    """How long a sound file lasts, by what it says of itself, where its end is really there. It is not decoded.

    InputError, SoundMissingError.
    """
    with _hushed(), OpenSound(path, mend=False) as sound:
        sound.seek(sound.frames - 1)
        if not len(sound.read(1)):
            wrong = "it is cut short or damaged: its end cannot be decoded"
            raise InputError(ConfigError(path, None, None, wrong, "copy it again"))
        return _info(sound).length_ns


def measure(path: Path, channels: int = 2) -> Measured:
    """A sound file decoded from end to end, for a device of one or two channels. InputError, SoundMissingError."""
    with _hushed(), OpenSound(path) as sound:
        meter = Meter(sound.rate_hz, channels)
        while len(block := sound.read(BLOCK)):
            meter.add(to_channels(block, channels))
        return Measured(_info(sound), sound.frame, meter.result(), sound.damage)


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


def _info(sound: OpenSound) -> SoundFileInfo:
    return SoundFileInfo(sound.path, sound.rate_hz, sound.channels, sound.frames, sound.format)


def main() -> None:
    """`python -m gloaming.shows.media.sound_info FILE CHANNELS`: loudness, and what is wrong, as one JSON object."""
    import json
    import sys

    os.nice(10)
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
