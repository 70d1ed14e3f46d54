"""The sound of "harbour-bells", from sine waves and noise. Every stroke of `bells.py` comes from its bell's place."""

from __future__ import annotations

import importlib.util
import wave
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gloaming.shows.demonstration.bells import BELLS, LENGTH_S, Bell, strokes
from gloaming.shows.demonstration.boathouse import LEFT_M, RIGHT_M
from gloaming.shows.replacing import replacing

Samples = npt.NDArray[np.float32]
"""Sound, `(samples, 2)`, left and right, -1..1."""

RATE_HZ = 44_100
PEAK = 10 ** (-3 / 20)
"""-3 dBFS."""
RISE_S, FALL_S = 3.0, 6.0
RINGS_S, ROOM_S = 9.0, 2.2
PARTIALS = (
    (0.5, 0.35, 3.2),
    (1.0, 0.55, 1.9),
    (1.2, 0.5, 1.6),
    (1.5, 0.16, 1.0),
    (2.0, 0.75, 1.1),
    (2.67, 0.22, 0.6),
    (3.01, 0.32, 0.5),
    (4.17, 0.2, 0.3),
    (5.43, 0.16, 0.18),
    (6.8, 0.1, 0.12),
    (8.2, 0.07, 0.09),
)
"""The partials of a tuned bell (hum, prime, minor tierce, quint, nominal and above): ratio to the note, loudness, and
the seconds to 1/e. The ratios are from memory of how founders tune bells, no source. The decays are by ear."""


def harbour_bells() -> Samples:
    """The whole piece."""
    samples = round(LENGTH_S * RATE_HZ)
    random = np.random.default_rng(61)
    dry = np.zeros((samples, 2), np.float32)
    notes = {bell: _note(bell, random) for bell in BELLS}
    for at_s, bell in strokes():
        first = round(at_s * RATE_HZ)
        note = notes[bell][: samples - first]
        dry[first : first + len(note)] += note
    sound = dry + np.float32(0.5) * _in_the_harbour(dry, random)
    sound /= np.abs(sound).max()
    sound += np.float32(0.05) * _sea(samples, random)
    times = np.arange(samples) / RATE_HZ
    fade = np.clip(np.minimum(times / RISE_S, (times[-1] - times) / FALL_S), 0, 1)
    sound *= (fade * fade * (3 - 2 * fade)).astype(np.float32)[:, None]
    result: Samples = sound * np.float32(PEAK / np.abs(sound).max())
    return result


def _note(bell: Bell, random: np.random.Generator) -> Samples:
    """One stroke. Each partial is a pair that beats slowly, as no bell is quite round. The clapper's blow is noise."""
    at_s = np.arange(round(RINGS_S * RATE_HZ)) / RATE_HZ
    note = np.zeros(len(at_s))
    lower = (330 / bell.hz) ** 0.5  # a larger bell sounds longer
    for ratio, loud, decay_s in PARTIALS:
        beat_hz = random.uniform(0.2, 0.9)
        pair = np.sin(2 * np.pi * bell.hz * ratio * at_s) + 0.4 * np.sin(2 * np.pi * (bell.hz * ratio + beat_hz) * at_s)
        note += loud * np.exp(-at_s / (decay_s * lower)) * pair
    blow = random.normal(0, 1, len(at_s)) * np.exp(-at_s / 0.012)
    note += 0.5 * np.convolve(blow, np.ones(12) / 12, mode="same")
    note *= np.clip(at_s / 0.004, 0, 1) * np.clip((RINGS_S - at_s) / 1.5, 0, 1)
    pan = 0.15 + 0.7 * (bell.x - LEFT_M) / (RIGHT_M - LEFT_M)
    sides = np.cos(pan * np.pi / 2), np.sin(pan * np.pi / 2)
    return np.stack([note * side for side in sides], axis=1).astype(np.float32) * np.float32(0.8)


def _in_the_harbour(dry: Samples, random: np.random.Generator) -> Samples:
    """The reverberation of walls and water: the sound convolved with noise that decays and becomes duller."""
    at_s = np.arange(round(ROOM_S * RATE_HZ)) / RATE_HZ
    tail = random.normal(0, 1, (len(at_s), 2)) * np.exp(-at_s / 0.5)[:, None] * np.clip(at_s / 0.03, 0, 1)[:, None]
    tail = np.apply_along_axis(np.convolve, 0, tail, np.hanning(24), "same")
    tail /= np.sqrt((tail**2).sum(axis=0))
    size = 1 << (len(dry) + len(tail)).bit_length()
    wet = [
        np.fft.irfft(np.fft.rfft(dry[:, side], size) * np.fft.rfft(tail[:, side], size), size)[: len(dry)]
        for side in range(2)
    ]
    return np.stack(wet, axis=1).astype(np.float32)


def _sea(samples: int, random: np.random.Generator) -> Samples:
    """Small waves on the quay: dull noise that rises and falls, a little different on both sides."""
    size = 1 << samples.bit_length()
    hz = np.fft.rfftfreq(size, 1 / RATE_HZ)
    shape = (hz / (hz + 90)) ** 2 / (1 + (hz / 420) ** 2) ** 1.25
    at_s = np.arange(samples) / RATE_HZ
    sides = []
    for late_s in (0.0, 0.9):
        noise = np.fft.irfft(np.fft.rfft(random.normal(0, 1, size)) * shape, size)[:samples]
        swell = (
            0.55 + 0.3 * np.sin(2 * np.pi * (at_s - late_s) / 7.9) + 0.15 * np.sin(2 * np.pi * (at_s - late_s) / 4.7)
        )
        sides.append(noise / np.sqrt((noise**2).mean()) * swell)
    return np.stack(sides, axis=1).astype(np.float32)


def suffix() -> str:
    """The suffix of a sound file that this machine can write: FLAC with the package soundfile, else WAV."""
    return ".flac" if importlib.util.find_spec("soundfile") else ".wav"


def write_sound(path: Path, sound: Samples) -> None:
    """Write a sound file of 16 bits, FLAC or WAV by its name. InputError if it cannot be written."""
    levels = (sound * 32767).round().astype("<i2")
    with replacing(path) as temporary:
        if path.suffix == ".flac":
            import soundfile

            soundfile.write(temporary, levels, RATE_HZ, subtype="PCM_16", format="FLAC")
        else:
            with temporary.open("wb") as raw, wave.open(raw, "wb") as file:
                file.setnchannels(2)
                file.setsampwidth(2)
                file.setframerate(RATE_HZ)
                file.writeframes(levels.tobytes())
