"""Loudness against EBU Tech 3341's cases that can be synthesised, BS.1770-4's own coefficients, and pyloudnorm."""

from __future__ import annotations

import numpy as np
import pyloudnorm
import pytest

from gloaming.shows.media.loudness import Loudness, Meter, channel_weights, k_impulse_response

RATE = 48_000


def tone(*parts: tuple[float, float], rate: int = RATE, hz: float = 1000.0) -> np.ndarray:
    """Parts `(level in dBFS, seconds)` of a sine on both channels."""
    levels = np.concatenate([np.full(round(seconds * rate), 10 ** (level / 20)) for level, seconds in parts])
    wave = levels * np.sin(2 * np.pi * hz * np.arange(len(levels)) / rate)
    return np.repeat(wave[:, None], 2, axis=1).astype(np.float32)


def measured(samples: np.ndarray, rate: int = RATE, block: int = 10_000) -> Loudness:
    meter = Meter(rate, samples.shape[1])
    for begin in range(0, len(samples), block):
        meter.add(samples[begin : begin + block])
    return meter.result()


# EBU Tech 3341, table 1, minimum requirements test signals 1 to 5: stereo sines of 1000 Hz, integrated loudness
# within 0.1 LU (levels and lengths from memory).
EBU_3341 = {
    "1": (((-23, 20),), -23.0),
    "2": (((-33, 20),), -33.0),
    "3": (((-36, 10), (-23, 60), (-36, 10)), -23.0),
    "4": (((-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)), -23.0),
    "5": (((-26, 20), (-20, 20.1), (-26, 20)), -23.0),
}


@pytest.mark.parametrize(("case", "rate"), [*((case, RATE) for case in EBU_3341), ("1", 44_100), ("5", 44_100)])
def test_integrated_loudness_of_the_ebu_cases(case: str, rate: int) -> None:
    parts, expected = EBU_3341[case]
    assert measured(tone(*parts, rate=rate), rate).integrated_lufs == pytest.approx(expected, abs=0.1)


def test_five_channels_are_weighted_as_ebu_case_6_says() -> None:
    """EBU Tech 3341 case 6 (from memory): -28 dBFS left and right, -24 centre, -30 surrounds, together -23 LUFS."""
    wave = tone((0, 20))[:, :1]
    levels = 10 ** (np.array([-28, -28, -24, -30, -30]) / 20)
    assert measured((wave * levels).astype(np.float32)).integrated_lufs == pytest.approx(-23.0, abs=0.1)


# EBU Tech 3341, true-peak cases 15 to 19 (from memory): a sine at a part of the sampling rate, a starting phase in
# degrees, an amplitude; the true peak within +0.2 and -0.4 dB. Faded in and out: a sine that begins abruptly rings.
@pytest.mark.parametrize(
    ("part", "degrees", "amplitude", "expected"),
    [(4, 0, 0.5, -6.0), (4, 45, 0.5, -6.0), (6, 60, 0.5, -6.0), (8, 67.5, 0.5, -6.0), (4, 45, 1.41, 3.0)],
)
def test_true_peaks_lie_between_the_samples(part: int, degrees: float, amplitude: float, expected: float) -> None:
    at = np.arange(RATE)
    wave = amplitude * np.sin(2 * np.pi * at / part + np.radians(degrees)) * np.hanning(RATE) ** 0.1
    peak = measured(np.repeat(wave[:, None], 2, axis=1).astype(np.float32)).true_peak_dbtp
    assert peak is not None
    assert expected - 0.4 <= peak <= expected + 0.2


def test_the_filters_at_48_khz_are_those_of_the_standard() -> None:
    """ITU-R BS.1770-4, annex 1, tables 1 and 2 (coefficients from memory), run over an impulse."""
    stages = [
        ((1.53512485958697, -2.69169618940638, 1.19839281085285), (-1.69065929318241, 0.73248077421585)),
        ((1.0, -2.0, 1.0), (-1.99004745483398, 0.99007225036621)),
    ]
    wave = [1.0] + [0.0] * 999
    for b, a in stages:
        out: list[float] = []
        for n in range(len(wave)):
            past = sum(b[k] * wave[n - k] for k in range(3) if n >= k)
            out.append(past - sum(a[k - 1] * out[n - k] for k in (1, 2) if n >= k))
        wave = out
    assert k_impulse_response(RATE, 1000) == pytest.approx(wave, abs=1e-9)


@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000, 96_000])
def test_loudness_agrees_with_an_independent_package(rate: int) -> None:
    """pyloudnorm, its K filter by De Man: gated loudness of noise that swells and falls silent."""
    random = np.random.default_rng(rate)
    swell = np.abs(np.sin(np.arange(rate * 20) / rate / 2.5)) ** 3
    samples = (random.standard_normal((rate * 20, 2)) * 0.2 * swell[:, None]).astype(np.float32)
    samples[rate * 8 : rate * 12] = 0
    other = pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(samples)
    assert measured(samples, rate).integrated_lufs == pytest.approx(other, abs=0.05)


def test_blocks_of_any_length_give_the_same_figures() -> None:
    samples = tone((-20, 3), (-40, 2))
    whole = measured(samples, block=len(samples))
    for block in (7_919, 100_000):
        assert measured(samples, block=block).integrated_lufs == pytest.approx(whole.integrated_lufs, abs=1e-6)


def test_silence_has_no_loudness_and_needs_no_gain() -> None:
    silent = measured(np.zeros((RATE * 2, 2), dtype=np.float32))
    assert silent == Loudness(None, None)
    assert silent.gain_db(-16) == 0


def test_a_gain_stops_where_the_true_peak_would_clip() -> None:
    quiet = Loudness(-30.0, -5.0)
    assert quiet.gain_db(-16) == pytest.approx(4.0)
    assert quiet.held_back(-16)
    assert Loudness(-10.0, 0.5).gain_db(-16) == pytest.approx(-6.0)


def test_the_low_frequency_channel_does_not_count() -> None:
    """ITU-R BS.1770-4: the LFE channel is not in the sum, the surrounds weigh 1.41."""
    assert channel_weights(6) == (1.0, 1.0, 1.0, 0.0, 1.41, 1.41)
