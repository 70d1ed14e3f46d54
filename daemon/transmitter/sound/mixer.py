"""Mixes voices into blocks of samples for the device, under one level. No device, no clock, no threads."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from gloaming.daemon.transmitter.sound.plan import SoundPass
from gloaming.daemon.transmitter.sound.reader import SoundReader

Samples = npt.NDArray[np.float32]

SOFT_S = 0.01
"""The fade of a voice that begins or ends in the middle of its sound, against clicks."""
ONSET_S = 0.001
"""The fade of a voice that begins at the start of its file."""
GAIN_S = 0.5


class SoundVoice:
    """A pass on the device: its `position` plays at the device's sample `begins`, and it ends at `ends`."""

    def __init__(self, sound_pass: SoundPass, reader: SoundReader, begins: int, position: int, ends: int) -> None:
        self.sound_pass, self.reader = sound_pass, reader
        self.begins, self.position, self.ends = begins, position, ends
        self.gain = sound_pass.gain
        self.leaving = False
        self.missed = 0
        """The number of samples that were not decoded in time."""
        self._rise = max(1, round((SOFT_S if position > 0 else ONSET_S) * reader.rate_hz))
        self._soft = max(1, round(SOFT_S * reader.rate_hz))
        self._step = 1 / (GAIN_S * reader.rate_hz)
        self._resumes = begins

    def add_to(self, out: Samples, first: int) -> None:
        """Add the voice to the block that begins with the device's sample `first`."""
        begin, end = max(first, self.begins), min(first + len(out), self.ends)
        if begin >= end:
            return
        part = np.zeros((end - begin, out.shape[1]), dtype=np.float32)
        place = begin - self.begins + self.position
        came = self.reader.take(place, part)
        at = np.arange(begin, end, dtype=np.float64)
        edge = np.minimum((at - self._resumes + 1) / self._rise, (self.ends - at) / self._soft)
        if came < len(part) and not self.reader.ended(place + came):
            self.missed += len(part) - came
            edge[:came] = np.minimum(edge[:came], np.arange(came, 0, -1) / max(1, min(came, self._soft)))
            self._resumes, self._rise = end, self._soft
        reach = self._step * len(part)
        after = self.gain + max(-reach, min(reach, self.sound_pass.gain - self.gain))
        edge = np.clip(edge, 0, 1) * np.linspace(self.gain, after, len(part))
        self.gain = after
        part *= edge[:, None].astype(np.float32)
        out[begin - first : end - first] += part

    def leave(self, index: int) -> None:
        """Fade out, beginning at a sample of the device."""
        self.leaving, self.ends = True, min(self.ends, index + self._soft)


def mix(out: Samples, first: int, voices: Iterable[SoundVoice], begin: float, end: float) -> None:
    """Fill a block `(frames, channels)` with the voices. The level goes from `begin` to `end`. Clips at full scale."""
    out.fill(0)
    if not begin and not end:
        # The readers go on, so that the sound is ready when the level rises.
        for voice in voices:
            voice.add_to(np.zeros_like(out), first)
        return
    for voice in voices:
        voice.add_to(out, first)
    if begin != 1.0 or end != 1.0:
        out *= np.linspace(begin, end, len(out), dtype=np.float32)[:, None]
    np.clip(out, -1.0, 1.0, out=out)
