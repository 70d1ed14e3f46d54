"""Mixes parts of a rig's frame, side by side, each with a brightness of its own. No packets, no clock."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

import numpy as np

from gloaming.daemon.transmitter.frame_mixer import (
    FULL,
    Bytes,
    FileStretch,
    FrameMixer,
    Gains,
    Layer,
    Mixer,
    Runs,
    crossed,
    join,
)
from gloaming.shows.framefile.reader import FrameFileInfo


class PartMixer(Mixer):
    """Mixes parts of a rig's frame, side by side, each with a brightness of its own. `parts` has the runs of each.

    `copies` are pairs of slices: of the whole frame, and of what this mixer mixes.
    """

    def __init__(self, rig: FrameMixer, parts: Sequence[Runs]) -> None:
        self._rig = rig
        self.copies: list[tuple[slice, slice]] = []
        self._parts: list[slice] = []
        size = 0
        for runs in parts:
            first = size
            for begin, end in runs:
                last = self.copies[-1][0] if self.copies else slice(-1)
                if last.stop == begin:  # it follows in both frames
                    begin = last.start
                    size -= last.stop - begin
                    self.copies.pop()
                self.copies.append((slice(begin, end), slice(size, size + end - begin)))
                size += end - begin
            self._parts.append(slice(first, size))
        unscaled = [np.zeros(0, np.intp)]
        for rigs, mine in self.copies:
            within = rig._unscaled[(rigs.start <= rig._unscaled) & (rig._unscaled < rigs.stop)]
            unscaled.append(within - rigs.start + mine.start)
        super().__init__(size, np.concatenate(unscaled))
        self._gains = np.zeros(size, np.uint16)
        self._other_gains = np.zeros(0, np.uint16)
        self._levels: tuple[int, ...] = (0,) * len(parts)

    def mix(self, *layers: Layer, at_ns: int = 0) -> Bytes:
        return self.uncut(*layers)

    def mix_parts(self, first: Layer, other: Layer | None, share: float, levels: tuple[int, ...]) -> Bytes:
        """One picture, or two of which `other` has a share 0..1, at the brightness of each part in 256ths."""
        if levels.count(levels[0]) == len(levels):
            return self.uncut(*crossed(first, other, share, levels[0]))
        if levels != self._levels:
            self._levels = levels
            self._fill(self._gains, levels)
        gains = self._gains
        if other:
            if not len(self._other_gains):
                self._other_gains, self._own_gains = np.zeros_like(gains), np.zeros_like(gains)
            self._fill(self._other_gains, tuple(int(level * share) for level in levels))
            gains = np.subtract(gains, self._other_gains, out=self._own_gains)
        self._add(first, True, gains)
        if other:
            self._add(other, False, self._other_gains)
        mixed = self._rounded()
        if len(self._unscaled):
            self._set_unscaled(crossed(first, other, share, FULL))
            mixed[self._unscaled[self._gains[self._unscaled] == 0]] = 0
        return mixed

    def _fill(self, gains: Gains, levels: tuple[int, ...]) -> None:
        for part, level in zip(self._parts, levels, strict=True):
            gains[part] = level

    def _stretches(self, info: FrameFileInfo) -> tuple[FileStretch, ...]:
        rigs = self._rig.place(info).stretches
        begins = [one.here for one in rigs]
        stretches: list[FileStretch] = []
        for here, mine in self.copies:
            at = max(0, bisect_right(begins, here.start) - 1)
            while at < len(rigs) and rigs[at].here < here.stop:
                one = rigs[at]
                begin, end = max(here.start, one.here), min(here.stop, one.here + one.length)
                if begin < end:
                    join(
                        stretches,
                        FileStretch(one.there + begin - one.here, mine.start + begin - here.start, end - begin),
                    )
                at += 1
        return tuple(stretches)
