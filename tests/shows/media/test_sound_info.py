"""Sound files of all usual formats, and damaged ones."""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from threading import Event, Thread

import numpy as np
import pytest
import soundfile

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.media.sound_info import _without_stderr, inspect_sound, measure, sound_length_ns

RATE = 44_100


def wave(seconds: float, rate: int = RATE, channels: int = 2) -> np.ndarray:
    at = np.arange(int(seconds * rate)) / rate
    return np.repeat((0.25 * np.sin(2 * np.pi * 440 * at))[:, None], channels, axis=1)


@pytest.mark.parametrize(
    ("name", "format", "subtype"),
    [("a.wav", "WAV", "PCM_16"), ("a.flac", "FLAC", "PCM_24"), ("a.ogg", "OGG", "VORBIS"), ("a.mp3", "MP3", None)],
)
def test_the_formats_of_the_trade_are_known(tmp_path: Path, name: str, format: str, subtype: str | None) -> None:
    soundfile.write(tmp_path / name, wave(2.0), RATE, format=format, subtype=subtype)
    info = inspect_sound(tmp_path / name)
    assert (info.rate_hz, info.channels) == (RATE, 2)
    assert info.length_ns == pytest.approx(2_000_000_000, abs=50_000_000)
    assert measure(tmp_path / name).loudness.true_peak_dbtp == pytest.approx(20 * np.log10(0.25), abs=0.5)


def test_opus_runs_at_48_khz(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.opus", wave(1.0, 48_000), 48_000, format="OGG", subtype="OPUS")
    assert inspect_sound(tmp_path / "a.opus").rate_hz == 48_000


@pytest.mark.parametrize(("rate", "channels"), [(8_000, 1), (44_100, 1), (192_000, 2), (48_000, 6)])
def test_unusual_rates_and_channels_are_taken(tmp_path: Path, rate: int, channels: int) -> None:
    soundfile.write(tmp_path / "a.wav", wave(1.0, rate, channels), rate)
    info = inspect_sound(tmp_path / "a.wav")
    assert (info.rate_hz, info.channels, info.length_ns) == (rate, channels, 1_000_000_000)


def test_a_file_cut_short_counts_what_can_be_decoded(tmp_path: Path) -> None:
    path = tmp_path / "a.flac"
    noise = np.random.default_rng(1).standard_normal((RATE * 4, 2)) * 0.1
    soundfile.write(path, noise, RATE)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    found = measure(path)
    assert found.info.length_ns == 4_000_000_000
    assert 1_000_000_000 < found.length_ns < 3_000_000_000


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "empty"),
        (b"this is no music, only words" * 99, "not a sound file"),
        (b"RIFF\0\0\0\0WAVE", "not a sound file"),
    ],
)
def test_a_file_that_is_no_sound_gives_one_line(tmp_path: Path, content: bytes, said: str) -> None:
    path = tmp_path / "a.wav"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        inspect_sound(path)
    line = str(caught.value)
    assert said in line and "a.wav" in line and "\n" not in line


def test_a_missing_file_and_a_folder_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        inspect_sound(tmp_path / "none.flac")
    with pytest.raises(InputError, match="not a file"):
        inspect_sound(tmp_path)


@pytest.mark.parametrize(("name", "format"), [("a.wav", "WAV"), ("a.flac", "FLAC"), ("a.mp3", "MP3"), ("a.ogg", "OGG")])
def test_a_length_needs_no_decoding_and_damage_prints_nothing_on_stderr(
    name: str, format: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    noise = np.random.default_rng(1).standard_normal((RATE * 4, 2)) * 0.1
    soundfile.write(tmp_path / name, noise, RATE, format=format)
    assert abs(sound_length_ns(tmp_path / name) - 4_000_000_000) < 100_000_000
    content = (tmp_path / name).read_bytes()
    holed = content[: len(content) // 2] + bytes(len(content) // 2 - 50) + content[-50:]
    (tmp_path / name).write_bytes(holed)
    with suppress(InputError):
        assert sound_length_ns(tmp_path / name) < 4_100_000_000
    measure(tmp_path / name)
    assert capfd.readouterr().err == ""


def test_nine_channels_are_too_many(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", wave(0.1, channels=9), RATE)
    with pytest.raises(InputError, match="9 channels"):
        inspect_sound(tmp_path / "a.wav")


def test_without_the_decoder_the_error_says_what_to_install(tmp_path: Path) -> None:
    (tmp_path / "soundfile.py").write_text("raise ImportError('no soundfile')")
    code = (
        "from pathlib import Path; from gloaming.shows.media.sound_info import *\n"
        "try: inspect_sound(Path('x.wav'))\nexcept SoundMissingError as error: print(error)"
    )
    run = subprocess.run(
        [sys.executable, "-c", code], env={"PYTHONPATH": str(tmp_path)}, capture_output=True, text=True, check=True
    )
    assert "the package soundfile is not installed" in run.stdout


def test_two_threads_that_read_sounds_leave_stderr_as_it_was() -> None:
    """The site is read while a text for it is checked. The one that ends last must not put back what the other set."""
    before, inside, over = os.fstat(2), Event(), Event()

    def other() -> None:
        with _without_stderr():
            inside.set()
            over.wait(60)

    thread = Thread(target=other)
    with _without_stderr():
        thread.start()
        inside.wait(0.2)
    over.set()
    thread.join(60)
    found = os.fstat(2)
    assert inside.is_set()
    assert (found.st_dev, found.st_ino) == (before.st_dev, before.st_ino)
