"""Loudness of a sound: gated integrated loudness and true peak, by ITU-R BS.1770-4 and EBU R 128.

Samples arrive in blocks of any length. A tenth of a second needs eight bytes of memory. It knows no files.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, log10, pi, sin, sqrt, tan

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Samples = npt.NDArray[np.float32]

ABSOLUTE_GATE_LUFS = -70.0
RELATIVE_GATE_LU = -10.0
PEAK_LIMIT_DBTP = -1.0
"""The highest true peak that a gain may cause (EBU R 128)."""
RESPONSE_S = 1 / 8
"""After this time the K filter's impulse response is below 1e-12."""
_HALF = 12


@dataclass(frozen=True, slots=True)
class Loudness:
    """Integrated loudness in LUFS (None: nothing above the absolute gate) and true peak in dBTP (None: silence)."""

    integrated_lufs: float | None
    true_peak_dbtp: float | None

    def gain_db(self, level_lufs: float) -> float:
        """The gain in dB that brings the sound to a level, limited to a true peak of -1 dBTP. 0 for silence."""
        if self.integrated_lufs is None or self.true_peak_dbtp is None:
            return 0.0
        return min(level_lufs - self.integrated_lufs, PEAK_LIMIT_DBTP - self.true_peak_dbtp)

    def held_back(self, level_lufs: float) -> bool:
        """Whether the true peak keeps the sound below a level."""
        return self.integrated_lufs is not None and self.gain_db(level_lufs) < level_lufs - self.integrated_lufs - 0.05


class Meter:
    """Measures samples `(frames, channels) float32`, full scale 1.0. `result` can be called at any time.

    `weights` are those of the channels (BS.1770-4 table 3), by default in the order of WAV files.
    """

    def __init__(self, rate_hz: int, channels: int, weights: tuple[float, ...] | None = None) -> None:
        self.rate_hz = rate_hz
        self.weights = np.array(weights or channel_weights(channels))
        taps = int(rate_hz * RESPONSE_S)
        self._size = 1 << (8 * taps).bit_length()
        self._fresh = self._size - taps + 1
        self._response = np.fft.rfft(k_impulse_response(rate_hz, taps), self._size)
        self._past = np.zeros((taps - 1, channels))
        self._waiting: list[Samples] = []
        self._waits = 0
        self._tenth = rate_hz / 10
        self._energy: list[float] = []
        self._sum, self._at = 0.0, 0
        self._peak = _Peak(rate_hz, channels)

    def add(self, samples: Samples) -> None:
        """Add samples."""
        self._waiting.append(np.asarray(samples, dtype=np.float32))
        self._waits += len(samples)
        if self._waits >= self._fresh:
            waiting = np.concatenate(self._waiting)
            for begin in range(0, len(waiting) - self._fresh + 1, self._fresh):
                self._weigh(waiting[begin : begin + self._fresh])
            rest = waiting[len(waiting) // self._fresh * self._fresh :]
            self._waiting, self._waits = [rest], len(rest)

    def result(self) -> Loudness:
        """Loudness and true peak of all samples so far."""
        if self._waits:
            self._weigh(np.concatenate(self._waiting))
            self._waiting, self._waits = [], 0
        peak = self._peak.highest()
        return Loudness(integrated(np.array(self._energy)), 20 * log10(peak) if peak > 1e-10 else None)

    def _weigh(self, block: Samples) -> None:
        """K-weight a block by overlap-save, and add its energy to tenths of a second."""
        self._peak.add(block)
        joined = np.concatenate([self._past, block])
        spectrum = np.fft.rfft(joined, self._size, axis=0) * self._response[:, None]
        weighted = np.fft.irfft(spectrum, self._size, axis=0)[len(self._past) : len(joined)]
        self._past = joined[len(joined) - len(self._past) :]
        power = np.square(weighted) @ self.weights
        begin = 0
        while begin < len(power):
            end_at = round((len(self._energy) + 1) * self._tenth)
            end = min(len(power), begin + end_at - self._at)
            self._sum += float(power[begin:end].sum())
            self._at += end - begin
            begin = end
            if self._at == end_at:
                length = end_at - round(len(self._energy) * self._tenth)
                self._energy.append(self._sum / length)
                self._sum = 0.0


def integrated(tenths: Floats) -> float | None:
    """Gated loudness from mean squares of 100 ms: blocks of 400 ms that overlap by 75 % (BS.1770-4, annex 1).

    The absolute gate is -70 LUFS. The relative gate is 10 LU below the loudness of the blocks above the absolute one.
    """
    if len(tenths) < 4:
        return None
    blocks = np.convolve(tenths, np.full(4, 0.25), "valid")
    blocks = blocks[blocks > 10 ** ((ABSOLUTE_GATE_LUFS + 0.691) / 10)]
    if not len(blocks):
        return None
    gate = blocks.mean() * 10 ** (RELATIVE_GATE_LU / 10)
    return -0.691 + 10 * log10(float(blocks[blocks > gate].mean()))


def channel_weights(channels: int) -> tuple[float, ...]:
    """Weights (BS.1770-4 table 3) in the order of WAV files: left, right, centre, low frequency, surrounds."""
    if channels < 5:
        return (1.0,) * channels
    front = (1.0, 1.0, 1.0)
    return (*front, 1.41, 1.41) if channels == 5 else (*front, 0.0, *(1.41,) * (channels - 4))


def k_impulse_response(rate_hz: int, taps: int) -> Floats:
    """The K filter's impulse response `(taps,)`: the shelf, then the high pass, of BS.1770-4 tables 1 and 2.

    The tables have coefficients for 48 kHz. Other rates use the same analogue filters by the bilinear transform.
    """
    response = np.zeros(taps)
    response[0] = 1.0
    for b, a in (_shelf(rate_hz), _high_pass(rate_hz)):
        response = _biquad(response, b, a)
    return response


Coefficients = tuple[tuple[float, float, float], tuple[float, float]]


def _shelf(rate_hz: int) -> Coefficients:
    """The analogue shelf behind table 1: 1681.97 Hz, +4 dB, Q 0.7072."""
    k = tan(pi * 1681.974450955533 / rate_hz)
    high, q = 10 ** (3.999843853973347 / 20), 0.7071752369554196
    band = high**0.4996667741545416
    a0 = 1 + k / q + k * k
    b = ((high + band * k / q + k * k) / a0, 2 * (k * k - high) / a0, (high - band * k / q + k * k) / a0)
    return b, (2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0)


def _high_pass(rate_hz: int) -> Coefficients:
    """The analogue high pass behind table 2: 38.14 Hz, Q 0.5003."""
    k = tan(pi * 38.13547087602444 / rate_hz)
    q = 0.5003270373238773
    a0 = 1 + k / q + k * k
    return (1.0, -2.0, 1.0), (2 * (k * k - 1) / a0, (1 - k / q + k * k) / a0)


def _biquad(x: Floats, b: tuple[float, float, float], a: tuple[float, float]) -> Floats:
    y = np.zeros_like(x)
    x1 = x2 = y1 = y2 = 0.0
    for index, value in enumerate(x.tolist()):
        out = b[0] * value + b[1] * x1 + b[2] * x2 - a[0] * y1 - a[1] * y2
        x2, x1, y2, y1 = x1, value, y1, out
        y[index] = out
    return y


class _Peak:
    """The true peak: four times oversampled below 96 kHz, twice below 192 kHz (annex 2)."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._times = 4 if rate_hz < 96_000 else 2 if rate_hz < 192_000 else 1
        self._phases = [_fractional_delay(phase / self._times) for phase in range(1, self._times)]
        self._past = np.zeros((2 * _HALF - 1, channels), dtype=np.float32)
        self._highest = 0.0

    def add(self, block: Samples) -> None:
        self._highest = max(self._highest, float(np.abs(block).max(initial=0.0)))
        joined = np.concatenate([self._past, block])
        self._past = joined[len(joined) - len(self._past) :]
        for taps in self._phases:
            # A block far below the highest peak so far cannot exceed it between two samples.
            if np.abs(joined).max(initial=0.0) * np.abs(taps).sum() <= self._highest:
                continue
            for channel in joined.T:
                self._highest = max(self._highest, float(np.abs(np.convolve(channel, taps, "valid")).max(initial=0.0)))

    def highest(self) -> float:
        self.add(np.zeros((2 * _HALF, self._past.shape[1]), dtype=np.float32))
        return self._highest


def _fractional_delay(part: float) -> Samples:
    """Taps that delay a signal by a part of a sample: a windowed sinc with gain 1 at 0 Hz."""
    at = [index - _HALF + part for index in range(2 * _HALF)]
    taps = np.array([(sin(pi * x) / (pi * x) if x else 1.0) * _window(x) for x in at])
    return np.asarray(taps / taps.sum(), dtype=np.float32)


def _window(x: float) -> float:
    return 0.0 if abs(x) >= _HALF else sqrt(max(0.0, 0.5 + 0.5 * cos(pi * x / _HALF)))
