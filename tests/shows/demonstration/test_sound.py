"""The sound of "harbour-bells": as long as the piece, at a safe level, each stroke at its time."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.demonstration.bells import BELLS, LENGTH_S, Bell, strokes, strokes_of
from gloaming.shows.demonstration.sound import RATE_HZ, Samples, harbour_bells, write_sound


@pytest.fixture(scope="module")
def sound() -> Samples:
    return harbour_bells()


def power(sound: Samples, begin_s: float, end_s: float, low_hz: float, high_hz: float) -> float:
    """The mean power of a band between two times."""
    part = sound[round(begin_s * RATE_HZ) : round(end_s * RATE_HZ)].mean(axis=1)
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)))) ** 2
    hz = np.fft.rfftfreq(len(part), 1 / RATE_HZ)
    return float(spectrum[(hz >= low_hz) & (hz < high_hz)].sum() / len(part) ** 2)


def test_it_is_stereo_and_as_long_as_the_piece(sound: Samples) -> None:
    assert sound.shape == (LENGTH_S * RATE_HZ, 2)
    assert np.isfinite(sound).all()


def test_it_peaks_3_db_below_full_and_is_nowhere_cut(sound: Samples) -> None:
    peak = np.abs(sound).max()
    assert 20 * np.log10(peak) == pytest.approx(-3, abs=0.01)
    assert (np.abs(sound) > 0.999 * peak).sum() < 10, "a flat top is a cut one"
    assert np.abs(sound.mean(axis=0)).max() < 0.001


def test_it_is_as_loud_as_music_in_the_open_may_be(sound: Samples) -> None:
    """Integrated loudness by ITU-R BS.1770, measured by pyloudnorm: well below the -14 LUFS of loud music."""
    assert -26 < pyloudnorm.Meter(RATE_HZ).integrated_loudness(sound.astype(np.float64)) < -14


def test_it_comes_out_of_silence_and_goes_back_into_it(sound: Samples) -> None:
    assert np.abs(sound[:400]).max() < 0.001 and np.abs(sound[-400:]).max() < 0.001


def test_every_stroke_sounds_at_its_time(sound: Samples) -> None:
    """The clapper's blow: more in the high tones in the 50 ms from the stroke on than in the 50 ms before it."""
    for at_s, bell in strokes():
        before, after = (power(sound, begin, begin + 0.05, 1000, 9000) for begin in (at_s - 0.05, at_s))
        assert after > 2 * before, f"{bell.name} at {at_s:.2f} s"


@pytest.mark.parametrize("bell", BELLS, ids=lambda bell: bell.name)
def test_a_bell_sounds_the_note_it_is_named_for(bell: Bell, sound: Samples) -> None:
    """After its stroke there is more at its prime and its nominal (an octave above) than before, against the sea's own
    rise and fall: within 3 % around them, a quarter of a tone on both sides."""
    stroke_s = strokes_of(bell)[0]
    for hz in (bell.hz, 2 * bell.hz):
        before, after = (
            power(sound, begin, begin + 0.4, 0.97 * hz, 1.03 * hz) for begin in (stroke_s - 0.41, stroke_s)
        )
        assert after > 3 * before


def test_the_lighthouse_bell_is_on_the_right_and_the_boat_bell_on_the_left(sound: Samples) -> None:
    boat, light = (next(bell for bell in BELLS if bell.name == name) for name in ("boat", "light"))
    for bell, side in ((boat, 0), (light, 1)):
        stroke_s = strokes_of(bell)[0]
        part = sound[round(stroke_s * RATE_HZ) : round((stroke_s + 0.05) * RATE_HZ)]
        blow = np.diff(part, n=3, axis=0) ** 2  # what is high: the blow, not the other bells that still ring
        assert blow[:, side].mean() > 1.5 * blow[:, 1 - side].mean()


def test_the_same_bytes_are_made_again(sound: Samples) -> None:
    assert np.array_equal(sound, harbour_bells())


def test_flac_and_wav_hold_the_same_samples(sound: Samples, tmp_path: Path) -> None:
    """Read back by libsndfile and by the standard library's wave."""
    part = sound[10 * RATE_HZ : 12 * RATE_HZ]
    for name in ("bells.flac", "bells.wav"):
        write_sound(tmp_path / name, part)
    read, rate = soundfile.read(tmp_path / "bells.flac", dtype="int16")
    assert rate == RATE_HZ
    with wave.open(str(tmp_path / "bells.wav")) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (2, 2, RATE_HZ)
        plain = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 2)
    assert np.array_equal(read, plain)
    assert np.abs(read / 32767 - part).max() < 1 / 32767
    assert sorted(path.name for path in tmp_path.iterdir()) == ["bells.flac", "bells.wav"]


def test_a_full_disk_leaves_no_half_file(sound: Samples, tmp_path: Path) -> None:
    with pytest.raises((InputError, RuntimeError)):
        write_sound(tmp_path / "no-such-folder" / "bells.flac", sound[:RATE_HZ])
    with pytest.raises(InputError):
        write_sound(tmp_path / "no-such-folder" / "bells.wav", sound[:RATE_HZ])
    assert list(tmp_path.iterdir()) == []
