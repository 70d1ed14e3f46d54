"""Mixes layers into one frame of the whole rig, in one pass, in arrays allocated once. No packets, no clock.

The mixed frame holds the slots of all universes of a setup, ordered by number. Slots that are not scaled are then as
the brightest picture has them. Then pixels that were cut out are left out. `limit` is the last step before the packets.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from gloaming.daemon.score.setup import CutString
from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.rig.zones import Spans

Bytes = npt.NDArray[np.uint8]
Indices = npt.NDArray[np.intp]
Gains = npt.NDArray[np.uint16]
"""The brightness of each slot, in 256ths."""
Runs = tuple[tuple[int, int], ...]
"""Stretches `(begin, end)` of a mixed frame, in order."""
FULL = 256
"""The brightness that leaves a frame as it is."""


class Layer(NamedTuple):
    """A frame `(frame_bytes,) uint8` and its place, or one level `look` for every slot. `brightness` is in 256ths."""

    brightness: int
    place: Place | None = None
    frame: Bytes | None = None
    look: int = 0


@dataclass(frozen=True, slots=True)
class FileStretch:
    """`length` bytes: from `there` in a file's frame to `here` in the mixed frame."""

    there: int
    here: int
    length: int


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """The positions of a file's frames in the mixed frame. `unscaled` has, for each slot that is not scaled, its
    position in the mixed frame and in the file's."""

    info: FrameFileInfo
    stretches: tuple[FileStretch, ...]
    unscaled: tuple[Indices, Indices]

    def light_alone(self) -> Place:
        """The place of a frame whose slots that are not scaled are 0."""
        return replace(self, unscaled=(np.zeros(0, np.intp), np.zeros(0, np.intp)))


class Mixer(ABC):
    """Mixes layers of `size` slots. `unscaled` are the positions of slots that no brightness scales."""

    def __init__(self, size: int, unscaled: Indices) -> None:
        self._bytes = np.zeros(size, np.uint8)
        self._wide = np.zeros(size, np.uint16)
        self._other = np.zeros(0, np.uint16)
        self._unscaled = unscaled
        self._places: dict[Path, Place] = {}

    @abstractmethod
    def mix(self, *layers: Layer, at_ns: int = 0) -> Bytes:
        """Add up all layers, at an instant of the monotonic clock. The brightnesses add up to 256 at most.

        The array is valid until the next call. Do not write to it.
        """

    @abstractmethod
    def _stretches(self, info: FrameFileInfo) -> tuple[FileStretch, ...]:
        """Where the slots of a file are in the mixed frame, in order."""

    def unlimited(self, *layers: Layer) -> Bytes:
        """What the limiter gets, or would get."""
        return self.uncut(*layers)

    def place(self, info: FrameFileInfo) -> Place:
        """The place of a file. Universes that the setup lacks are left out; those that the file lacks stay black.

        A file that replaced another of the same name gets a new place.
        """
        known = self._places.get(info.path)
        if known is None or known.info is not info:
            stretches = self._stretches(info)
            known = self._places[info.path] = Place(info, stretches, self._unscaled_in(stretches))
        return known

    def _unscaled_in(self, stretches: tuple[FileStretch, ...]) -> tuple[Indices, Indices]:
        here, there = [np.zeros(0, np.intp)], [np.zeros(0, np.intp)]
        for one in stretches:
            within = self._unscaled[(one.here <= self._unscaled) & (self._unscaled < one.here + one.length)]
            here.append(within)
            there.append(within - one.here + one.there)
        return np.concatenate(here), np.concatenate(there)

    def uncut(self, *layers: Layer) -> Bytes:
        """The sum of all layers, before pixels are left out and the limiter."""
        finished = self._whole(layers[0]) if len(layers) == 1 else None
        if finished is None:
            for layer in layers:
                self._add(layer, layer is layers[0])
            finished = self._rounded()
        if len(self._unscaled) and finished is self._bytes:
            self._set_unscaled(layers)
        return finished

    def _rounded(self) -> Bytes:
        np.add(self._wide, np.uint16(127), out=self._wide)
        np.right_shift(self._wide, np.uint16(8), out=self._wide)
        np.copyto(self._bytes, self._wide, casting="unsafe")
        return self._bytes

    def _set_unscaled(self, layers: tuple[Layer, ...]) -> None:
        """Give the slots that are not scaled what the brightest picture has there. In the dark and in a look they are
        0. Of two pictures that are equally bright the first counts."""
        self._bytes[self._unscaled] = 0
        brightest = max(layers, key=lambda layer: layer.brightness)
        if brightest.brightness and brightest.place and brightest.frame is not None:
            here, there = brightest.place.unscaled
            self._bytes[here] = brightest.frame[there]

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
        stretches, kept = (layer.place.stretches, layer.place.unscaled[0]) if layer.place else ((), ())
        if self._covers(stretches) and len(kept) == len(self._unscaled):
            return layer.frame[stretches[0].there : stretches[0].there + len(self._bytes)]
        self._bytes.fill(0)
        for one in stretches:
            self._bytes[one.here : one.here + one.length] = layer.frame[one.there : one.there + one.length]
        return self._bytes

    def _covers(self, stretches: tuple[FileStretch, ...]) -> bool:
        return len(stretches) == 1 and stretches[0].length == len(self._bytes)

    def _add(self, layer: Layer, first: bool, gains: Gains | None = None) -> None:
        """Add a layer, times its brightness or that of each slot, to the wide array. The first layer replaces what is
        there."""
        brightness = np.uint16(layer.brightness)
        if layer.frame is None:
            if first:
                self._wide.fill(0)
            np.add(self._wide, (brightness if gains is None else gains) * np.uint16(layer.look), out=self._wide)
            return
        stretches = layer.place.stretches if layer.place else ()
        if first and not self._covers(stretches):
            self._wide.fill(0)
        if not first and not len(self._other):
            self._other = np.zeros(len(self._bytes), np.uint16)
        for one in stretches:
            wide = self._wide[one.here : one.here + one.length]
            part = wide if first else self._other[: one.length]
            by = brightness if gains is None else gains[one.here : one.here + one.length]
            np.multiply(layer.frame[one.there : one.there + one.length], by, out=part, dtype=np.uint16)
            if not first:
                np.add(wide, part, out=wide)


class FrameMixer(Mixer):
    """Mixes frames of universes `{number: slots}`. Universe n begins at `offsets[n]` of the mixed frame.

    `unscaled` are slots that no brightness scales, `cuts` the strings with pixels to leave out.
    """

    def __init__(self, slots: Mapping[int, int], unscaled: Spans = (), cuts: Iterable[CutString] = ()) -> None:
        self.slots = dict(sorted(slots.items()))
        self.offsets: dict[int, int] = {}
        self.size = 0
        for number, count in self.slots.items():
            self.offsets[number] = self.size
            self.size += count
        self.limit: Callable[[Bytes, int], None] | None = None
        positions = self._positions(unscaled)
        super().__init__(self.size, positions[positions >= 0])
        strings = [(self._positions(cut.spans).reshape(-1, cut.slots_per_pixel), cut.missing) for cut in cuts]
        self._cuts = [_moves(pixels, missing) for pixels, missing in strings if (pixels >= 0).all()]

    def mix(self, *layers: Layer, at_ns: int = 0) -> Bytes:
        mixed = self.uncut(*layers)
        return self.finish(mixed, at_ns) if self._cuts or self.limit else mixed

    def finish(self, mixed: Bytes, at_ns: int) -> Bytes:
        """Leave out what was cut out of an uncut frame, and limit the rest. The frame itself stays as it is."""
        if self._cuts:
            mixed = self._cut_out(mixed)
        if self.limit:
            if mixed is not self._bytes:
                np.copyto(self._bytes, mixed)
                mixed = self._bytes
            self.limit(mixed, at_ns)
        return mixed

    def unlimited(self, *layers: Layer) -> Bytes:
        mixed = self.uncut(*layers)
        return self._cut_out(mixed) if self._cuts else mixed

    def runs(self, spans: Spans) -> Runs:
        """Where the slots of some spans are in a mixed frame, without those that the setup does not have."""
        found: list[tuple[int, int]] = []
        for number, first, last in sorted(spans):
            offset, end = self.offsets.get(number, 0), min(last, self.slots.get(number, 0))
            if end < first:
                continue
            if found and found[-1][1] == offset + first - 1:
                found[-1] = found[-1][0], offset + end
            else:
                found.append((offset + first - 1, offset + end))
        return tuple(found)

    def _positions(self, spans: Spans) -> Indices:
        """The position of each slot in the mixed frame; -1 for one that the setup does not have."""
        found = [np.zeros(0, np.intp)]
        for number, first, last in spans:
            slots = np.arange(first, last + 1)
            found.append(np.where(slots <= self.slots.get(number, 0), self.offsets.get(number, 0) + slots - 1, -1))
        return np.concatenate(found)

    def _stretches(self, info: FrameFileInfo) -> tuple[FileStretch, ...]:
        stretches: list[FileStretch] = []
        for universe in sorted(info.universes, key=lambda one: one.number):
            if universe.number not in self.offsets:
                continue
            here, length = self.offsets[universe.number], min(universe.slots, self.slots[universe.number])
            join(stretches, FileStretch(universe.offset, here, length))
        return tuple(stretches)

    def _cut_out(self, finished: Bytes) -> Bytes:
        """Move up what follows a pixel that was cut out. The slots at the string's end become 0."""
        if finished is not self._bytes:
            np.copyto(self._bytes, finished)
        for from_, to, ends in self._cuts:
            self._bytes[to] = self._bytes[from_]
            self._bytes[ends] = 0
        return self._bytes


def crossed(first: Layer, other: Layer | None, share: float, brightness: int) -> tuple[Layer, ...]:
    """One picture at a brightness in 256ths, or two of which `other` has a share 0..1."""
    if other is None:
        return (first._replace(brightness=brightness),)
    theirs = int(brightness * share)
    return first._replace(brightness=brightness - theirs), other._replace(brightness=theirs)


def join(stretches: list[FileStretch], new: FileStretch) -> None:
    """Add a stretch, as a part of the last one if it follows it in both frames."""
    last = stretches[-1] if stretches else None
    if last and (last.there + last.length, last.here + last.length) == (new.there, new.here):
        stretches[-1] = FileStretch(last.there, last.here, last.length + new.length)
    else:
        stretches.append(new)


def _moves(pixels: Indices, missing: tuple[int, ...]) -> tuple[Indices, Indices, Indices]:
    """What moves in a mixed frame, from where and to where, and what becomes 0. `pixels` are positions, a row each."""
    kept, first = np.delete(pixels, np.array(missing, np.intp) - 1, axis=0), min(missing, default=1) - 1
    return kept[first:].ravel(), pixels[first : len(kept)].ravel(), pixels[len(kept) :].ravel()
