"""Mixes layers into one frame of the whole rig, in one pass, in arrays allocated once. No packets, no clock.

The mixed frame holds the slots of all universes of a setup, ordered by number. `limit` is the last step before the
packets.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from gloaming.shows.framefile.reader import FrameFileInfo

Bytes = npt.NDArray[np.uint8]
FULL = 256
"""The brightness that leaves a frame as it is."""


class Layer(NamedTuple):
    """A frame `(frame_bytes,) uint8` and its place, or one level `look` for every slot. `brightness` is in 256ths."""

    brightness: int
    place: Place | None = None
    frame: Bytes | None = None
    look: int = 0


@dataclass(frozen=True, slots=True)
class _Span:
    """`length` bytes: from `there` in a file's frame to `here` in the mixed frame."""

    there: int
    here: int
    length: int


@dataclass(frozen=True, slots=True)
class Place:
    """The positions of a file's frames in the mixed frame."""

    info: FrameFileInfo
    stretches: tuple[_Span, ...]


class FrameMixer:
    """Mixes frames of universes `{number: slots}`. Universe n begins at `offsets[n]` of the mixed frame."""

    def __init__(self, slots: Mapping[int, int]) -> None:
        self.slots = dict(sorted(slots.items()))
        self.offsets: dict[int, int] = {}
        size = 0
        for number, count in self.slots.items():
            self.offsets[number] = size
            size += count
        self.limit: Callable[[Bytes, int], None] | None = None
        self._bytes = np.zeros(size, np.uint8)
        self._wide = np.zeros(size, np.uint16)
        self._other = np.zeros(0, np.uint16)
        self._places: dict[Path, Place] = {}

    def place(self, info: FrameFileInfo) -> Place:
        """The place of a file. Universes that the setup lacks are left out; those that the file lacks stay black.

        A file that replaced another of the same name gets a new place.
        """
        known = self._places.get(info.path)
        if known is None or known.info is not info:
            known = self._places[info.path] = Place(info, self._stretches(info))
        return known

    def _stretches(self, info: FrameFileInfo) -> tuple[_Span, ...]:
        stretches: list[_Span] = []
        for universe in sorted(info.universes, key=lambda one: one.number):
            if universe.number not in self.offsets:
                continue
            here, length = self.offsets[universe.number], min(universe.slots, self.slots[universe.number])
            last = stretches[-1] if stretches else None
            if last and (last.there + last.length, last.here + last.length) == (universe.offset, here):
                stretches[-1] = _Span(last.there, last.here, last.length + length)
            else:
                stretches.append(_Span(universe.offset, here, length))
        return tuple(stretches)

    def mix(self, *layers: Layer, at_ns: int = 0) -> Bytes:
        """Add up all layers and limit the result, at an instant of the monotonic clock.

        The array is valid until the next call. Do not write to it.
        """
        finished = self.unlimited(*layers)
        if self.limit:
            if finished is not self._bytes:
                np.copyto(self._bytes, finished)
                finished = self._bytes
            self.limit(finished, at_ns)
        return finished

    def unlimited(self, *layers: Layer) -> Bytes:
        """The sum of all layers before the limiter. Their brightnesses add up to 256 at most."""
        finished = self._whole(layers[0]) if len(layers) == 1 else None
        if finished is None:
            finished = self._bytes
            for layer in layers:
                self._add(layer, layer is layers[0])
            np.add(self._wide, np.uint16(127), out=self._wide)
            np.right_shift(self._wide, np.uint16(8), out=self._wide)
            np.copyto(finished, self._wide, casting="unsafe")
        return finished

    def blank(self) -> Bytes:
        """A black frame."""
        self._bytes.fill(0)
        return self._bytes

    def _whole(self, layer: Layer) -> Bytes | None:
        """The frame of a single layer that needs no arithmetic; None if it needs some."""
        if layer.frame is None:
            self._bytes.fill((layer.look * layer.brightness + 127) >> 8)
            return self._bytes
        if layer.brightness < FULL:
            return None
        stretches = layer.place.stretches if layer.place else ()
        if self._covers(stretches):
            return layer.frame[stretches[0].there : stretches[0].there + len(self._bytes)]
        self._bytes.fill(0)
        for one in stretches:
            self._bytes[one.here : one.here + one.length] = layer.frame[one.there : one.there + one.length]
        return self._bytes

    def _covers(self, stretches: tuple[_Span, ...]) -> bool:
        return len(stretches) == 1 and stretches[0].length == len(self._bytes)

    def _add(self, layer: Layer, first: bool) -> None:
        """Add a layer, times its brightness, to the wide array. The first layer replaces what is there."""
        brightness = np.uint16(layer.brightness)
        if layer.frame is None:
            if first:
                self._wide.fill(0)
            np.add(self._wide, brightness * np.uint16(layer.look), out=self._wide)
            return
        stretches = layer.place.stretches if layer.place else ()
        if first and not self._covers(stretches):
            self._wide.fill(0)
        if not first and not len(self._other):
            self._other = np.zeros(len(self._bytes), np.uint16)
        for one in stretches:
            wide = self._wide[one.here : one.here + one.length]
            part = wide if first else self._other[: one.length]
            np.multiply(layer.frame[one.there : one.there + one.length], brightness, out=part, dtype=np.uint16)
            if not first:
                np.add(wide, part, out=wide)
