"""A skip in a show with sound: on the wire, and at the monitor of a sound server."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import stft

from tests.daemon.broken_evening import broken_evening
from tests.daemon.numbered import FPS, PIECES, name_of
from tests.daemon.transmitter.quay import RATE, SOUND_SERVER, Recording, quay_at
from tests.tools import needs
from tests.waiting import wait_until

pytestmark = needs(*SOUND_SERVER)
BOUND_S = 0.2
FIRST_S = 1.0
TONES = {"tide": (500.0, 1500.0), "lanterns": (3000.0, 6000.0)}
"""The tones of each piece in Hz: of its first FIRST_S, and of the rest."""
LAST = 400
"""Chunks of a recording: two seconds or more."""


def sound_of(name: str) -> np.ndarray:
    at = np.arange(PIECES[name] * RATE // FPS) / RATE
    first, rest = TONES[name]
    return 0.3 * np.sin(2 * np.pi * np.where(at < FIRST_S, first, rest) * at)


def times_of(recording: Recording, hz: float, chunks: int = 0) -> np.ndarray:
    """The times of the recording, in s, at which there is a tone. Of the last chunks alone, if so asked."""
    bins, times, found = stft(recording.samples(chunks), RATE, nperseg=441, noverlap=220)
    return times[np.abs(found[np.abs(bins - hz).argmin()]) > 0.05]


def test_light_and_sound_of_the_next_piece_begin_together_and_from_their_beginnings(tmp_path: Path) -> None:
    (tmp_path / "quay").mkdir()
    with (
        quay_at(tmp_path / "quay") as quay,
        broken_evening(tmp_path, "127.0.74.41", start=False, environment=quay.environment) as broken,
    ):
        text = (broken.folder / "site.toml").read_text()
        for name in PIECES:
            soundfile.write(broken.folder / "pieces" / f"{name}.flac", sound_of(name), RATE)
            line = f'frames = "pieces/{name}.frames"\n'
            text = text.replace(line, f'{line}sound = "pieces/{name}.flac"\n')
        (broken.folder / "site.toml").write_text(text)
        recording = Recording(quay)
        with broken.evening.running():
            old = name_of(broken.wait_until_lit()[-1])
            wait_until(lambda: len(times_of(recording, TONES[old][1], LAST)) > 100, "its sound", every_s=0.2)
            new = next(name for name in PIECES if name != old)
            asked_ns = time.time_ns()
            code, answer = broken.evening.ask("POST", "/api/overrides", {"kind": "skip"})
            assert code == 201, answer
            wait_until(lambda: len(times_of(recording, TONES[new][1], LAST)) > 100, "the next sound", every_s=0.2)
            lit = [packet for packet in broken.lit(asked_ns) if name_of(packet) == new]
        recording.end()
    # A busy machine may leave out some frames: what counts is when the first was due.
    light_s = (lit[0].at_ns - asked_ns) / 1e9 - (lit[0].frame - 1) / FPS
    zero = recording.place_at(asked_ns + time.monotonic_ns() - time.time_ns()) / RATE
    ended_s = times_of(recording, TONES[old][1])[-1] - zero
    first = times_of(recording, TONES[new][0]) - zero
    assert lit[0].frame < FPS // 2
    assert first[0] == pytest.approx(light_s, abs=BOUND_S)
    assert first[-1] - first[0] == pytest.approx(FIRST_S, abs=BOUND_S), "from its beginning"
    assert ended_s == pytest.approx(light_s, abs=BOUND_S)
