"""Areas in which flashing pixels count together: a string, a group of strings, ten degrees of view, the whole rig.

WCAG 2.2, 2.3.1 permits a flash that fills no more than a quarter of any ten degrees of view. Here an area is the share
of its pixels, of those that light up in the piece.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from math import radians, tan

import numpy as np
import numpy.typing as npt

from gloaming.shows.analysis.flashes import Mask
from gloaming.shows.analysis.pixels import Plane, string_of_pixel
from gloaming.shows.rig.model import Rig, positions

Places = npt.NDArray[np.intp]
AREA_MAX = 0.25
VIEW_DEGREES = 10
WINDOW_PIXELS_MIN = 20
"""A part of the view with fewer pixels is not judged alone."""


@dataclass(frozen=True)
class Partition:
    """Areas that do not overlap: their names, and the area of each pixel (-1 for none)."""

    kind: str
    names: tuple[str, ...]
    area: Places


@dataclass(frozen=True, slots=True)
class Flashing:
    """An area in which more than a quarter of the lit pixels flash more than three times in a second.

    `seconds` are these seconds, counted from the beginning of the piece. `share` is the largest share of the pixels.
    """

    rule: str
    kind: str
    area: str
    share: float
    seconds: tuple[int, ...]


def partitions(rig: Rig, made: Sequence[Plane], seen_from_m: float) -> tuple[Partition, ...]:
    """All areas to judge. Parts of the view are among them only if every string has a position."""
    string = string_of_pixel(made, rig)
    found = [Partition("string", tuple(one.name for one in rig.string), string)]
    groups: dict[str, int] = {}
    for one in rig.string:
        if one.group:
            groups.setdefault(one.group, len(groups))
    if groups:
        of_string = np.array([groups.get(one.group or "", -1) for one in rig.string])
        found.append(Partition("group", tuple(groups), of_string[string]))
    found += _views(rig, made, seen_from_m)
    found.append(Partition("rig", ("the whole rig",), np.zeros(len(string), np.intp)))
    return tuple(found)


def _views(rig: Rig, made: Sequence[Plane], seen_from_m: float) -> Iterator[Partition]:
    """Squares as wide as ten degrees of view, in four grids that are half a square apart."""
    hung = [positions(rig.string[place]) for plane in made for place in plane.strings]
    if any(one is None for one in hung):
        return
    points = np.concatenate([one for one in hung if one is not None])
    side = 2 * seen_from_m * tan(radians(VIEW_DEGREES / 2))
    low = points.min(axis=0)
    for right in (0.0, 0.5):
        for up in (0.0, 0.5):
            columns, rows = np.floor((points - low) / side + (right, up)).astype(np.intp).T
            height = rows.max() + 1
            known, area, counts = np.unique(columns * height + rows, return_inverse=True, return_counts=True)
            middles = (np.stack(np.divmod(known, height), axis=1) + 0.5 - (right, up)) * side + low
            names = tuple(f"{side:.1f} m around ({x:.1f}, {y:.1f})" for x, y in middles)
            yield Partition("view", names, np.where(counts[area] >= WINDOW_PIXELS_MIN, area, -1))


@dataclass
class AreaCounts:
    """For one rule and each second: the most pixels of each area that flash too often. Sparse, so it stays small."""

    rule: str
    parts: tuple[Partition, ...]
    fps: Fraction
    _worst: list[dict[int, npt.NDArray[np.uint32]]] = field(default_factory=list)
    _last: Mask | None = None
    _counts: list[npt.NDArray[np.uint32]] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._worst = [{} for _ in self.parts]

    def add(self, frame: int, over: Mask | None) -> None:
        """Add the pixels that flashed too often in the second that ends with a frame."""
        if over is None:
            return
        second = frame * self.fps.denominator // self.fps.numerator
        if self._last is None or not np.array_equal(over, self._last):
            self._last = over.copy()
            self._counts = list(self._count(np.flatnonzero(over)))
        elif second in self._worst[0]:
            return
        for worst, counts in zip(self._worst, self._counts, strict=True):
            worst[second] = np.maximum(worst[second], counts) if second in worst else counts

    def _count(self, pixels: Places) -> Iterator[npt.NDArray[np.uint32]]:
        for part in self.parts:
            areas = part.area[pixels]
            yield np.bincount(areas[areas >= 0], minlength=len(part.names)).astype(np.uint32)

    def flashing(self, lit: Mask) -> Iterator[Flashing]:
        """The areas that flash too much. `lit` are the pixels that light up in the piece."""
        for part, worst in zip(self.parts, self._worst, strict=True):
            own = part.area[lit]
            most = np.bincount(own[own >= 0], minlength=len(part.names))
            shares = {second: counts / np.maximum(most, 1) for second, counts in worst.items()}
            for at, name in enumerate(part.names):
                seconds = tuple(sorted(second for second, share in shares.items() if share[at] > AREA_MAX))
                if seconds:
                    share = max(float(shares[second][at]) for second in seconds)
                    yield Flashing(self.rule, part.kind, name, share, seconds)
