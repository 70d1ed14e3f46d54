"""The limiter: no frame leaves that would draw more than a string's fuse or a supply allows. In place, made beforehand.

It looks at the finished slots, the brightness in them. A string that would draw too much is lowered at once, in that
same frame, and comes back little by little; a supply that would be overloaded has all its strings lowered alike. What
stays within its limits is left as it is, byte for byte.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

RELEASE = 1 / 64
"""How much of its light a string gets back with each frame, once it may: all of it in a second and a half."""
SHY = 1 - 1e-5
"""Limits are kept by this much, for what floating point rounds."""
TOLD_MAX = 20


@dataclass(frozen=True, slots=True)
class StringLimit:
    """A string: what a slot at 255 draws, its fuse and supply (None: not given), `(universe, first, last)` slots."""

    name: str
    ma: float
    fuse_ma: float | None
    supply: str | None
    spans: tuple[tuple[int, int, int], ...]


@dataclass(frozen=True, slots=True)
class Limits:
    """What a setup has the limiter keep."""

    strings: tuple[StringLimit, ...]
    supplies: tuple[tuple[str, float], ...]


def read_limits(message: Mapping[str, Any] | None) -> Limits | None:
    """The `limits` of a `setup` message. KeyError, TypeError or ValueError where they are none."""
    if not message or not message["strings"]:
        return None
    strings = tuple(
        StringLimit(
            str(one["name"]),
            float(one["ma"]),
            None if one["fuse_ma"] is None else float(one["fuse_ma"]),
            one["supply"],
            tuple((int(universe), int(first), int(last)) for universe, first, last in one["spans"]),
        )
        for one in message["strings"]
    )
    return Limits(strings, tuple((str(one["name"]), float(one["ma"])) for one in message["supplies"]))


class Limiter:
    """Keeps the limits of a canvas whose universes begin at `offsets` and have `slots`."""

    def __init__(self, limits: Limits, offsets: Mapping[int, int], slots: Mapping[int, int]) -> None:
        self.limits = limits
        size = sum(slots.values())
        count = len(limits.strings)
        stretches = _stretches(limits, offsets, slots)
        edges, self._taken = _edges(stretches, size)
        self._edges = np.array(edges, np.intp)
        self._of_string, self._firsts = _by_string(stretches, count)
        self._owner: npt.NDArray[np.intp] = np.full(size, count, np.intp)  # past the strings: nobody's slots
        for begin, end, string in stretches:
            self._owner[begin:end] = string
        self._gains: Floats = np.zeros(size, np.float32)
        self._edge_sums = np.zeros(len(edges), np.uint32)
        self._sums = np.zeros(len(stretches) + 1, np.uint32)
        self._ordered = np.zeros(len(self._of_string), np.uint32)
        self._added = np.zeros(count, np.uint32)
        self._ma = np.array([one.ma / 255 for one in limits.strings], np.float32)
        names = [name for name, _ in limits.supplies]
        self._fed = np.array([[one.supply == name for one in limits.strings] for name in names], np.float32).reshape(
            len(names), count
        )
        self._supply_of = np.array(
            [names.index(one.supply) if one.supply in names else len(names) for one in limits.strings], np.intp
        )
        fuses = [np.inf if one.fuse_ma is None else one.fuse_ma for one in limits.strings]
        self.strings = _Guard(np.array(fuses, np.float32))
        self.supplies = _Guard(np.array([ma for _, ma in limits.supplies], np.float32))
        self._quick = _Quick(self, stretches)
        self._string_gains: Floats = np.ones(count + 1, np.float32)
        self._supply_gains: Floats = np.ones(len(names) + 1, np.float32)
        self._of_supply: Floats = np.ones(count, np.float32)

    @property
    def needed(self) -> bool:
        """Whether anything could ever draw too much."""
        return self._quick.needed

    def limit(self, canvas: Bytes) -> None:
        """Lower, in place, what would draw too much."""
        if not (self.strings.lowered or self.supplies.lowered) and self._quick.fine(canvas):
            return
        self.add_up(canvas)
        strings, supplies = self.strings, self.supplies
        over = strings.over()
        np.multiply(strings.drawn, strings.gains, out=strings.after)
        np.dot(self._fed, strings.after, out=supplies.drawn)
        if not supplies.over() and not over:
            return
        self._lower(canvas)

    def add_up(self, canvas: Bytes) -> None:
        """What each string would draw, in mA."""
        np.add.reduceat(canvas, self._edges, dtype=np.uint32, out=self._edge_sums)
        np.take(self._edge_sums, self._taken, out=self._sums[:-1], mode="clip")
        np.take(self._sums, self._of_string, out=self._ordered, mode="clip")
        np.add.reduceat(self._ordered, self._firsts, out=self._added)
        np.multiply(self._added, self._ma, out=self.strings.drawn, casting="unsafe")

    def _lower(self, canvas: Bytes) -> None:
        self._supply_gains[:-1] = self.supplies.gains
        np.take(self._supply_gains, self._supply_of, out=self._of_supply, mode="clip")
        np.multiply(self.strings.gains, self._of_supply, out=self._string_gains[:-1])
        np.take(self._string_gains, self._owner, out=self._gains, mode="clip")
        np.multiply(canvas, self._gains, out=self._gains)
        np.copyto(canvas, self._gains, casting="unsafe")  # cut off, never rounded up

    def figures(self) -> list[dict[str, Any]]:
        """What has been lowered since the beginning: in how many frames, by how much at most. The worst first."""
        names = [one.name for one in self.limits.strings], [name for name, _ in self.limits.supplies]
        told: list[dict[str, Any]] = []
        for kind, guard, named in (("string", self.strings, names[0]), ("supply", self.supplies, names[1])):
            for at in np.flatnonzero(guard.frames):
                told.append(
                    {
                        "kind": kind,
                        "name": named[at],
                        "frames": int(guard.frames[at]),
                        "lowest": round(float(guard.lowest[at]), 4),
                        "ma": round(float(guard.most[at])),
                        "limit_ma": round(float(guard.limit[at])),
                    }
                )
        return sorted(told, key=lambda one: one["lowest"])[:TOLD_MAX]


class _Quick:
    """Whether nothing at all draws too much, in as few steps as can be: it is asked with every frame.

    What a stretch draws is held against its string's fuse; what several draw, of a string or supply, is added up first.
    What can never be too much, with every slot at 255, is not looked at.
    """

    def __init__(self, limiter: Limiter, stretches: list[tuple[int, int, int]]) -> None:
        limits, edges = limiter.limits, limiter._edges
        count = len(edges)
        place = dict(zip(range(len(stretches)), limiter._taken.tolist(), strict=True))
        of_string: dict[int, list[int]] = {}
        full = np.zeros(count)
        ma = np.zeros(count)
        for number, (begin, end, string) in enumerate(stretches):
            at = place[number]
            of_string.setdefault(string, []).append(at)
            ma[at] = limits.strings[string].ma / 255
            full[at] = (end - begin) * limits.strings[string].ma
        kept = np.full(count, np.inf)
        groups: list[tuple[list[int], float]] = []
        for string, own in of_string.items():
            fuse = limits.strings[string].fuse_ma
            if fuse is not None and len(own) == 1:
                kept[own[0]] = fuse
            elif fuse is not None:
                groups.append((own, fuse))
        for name, most in limits.supplies:
            fed = [at for string, own in of_string.items() if limits.strings[string].supply == name for at in own]
            groups.append((fed, most))
        groups = [(own, most) for own, most in groups if own and full[own].sum() > most]
        kept[full <= kept] = np.inf
        self.needed = bool(groups) or bool(np.isfinite(kept).any())
        self._edges = edges
        self._sums = np.zeros(count, np.uint32)
        self._ma = ma.astype(np.float32)
        self._order = np.array([at for own, _ in groups for at in own], np.intp)
        self._firsts = np.cumsum([0, *(len(own) for own, _ in groups)])[:-1].astype(np.intp)
        self._ordered: Floats = np.zeros(len(self._order), np.float32)
        drawn: Floats = np.zeros(count + len(groups), np.float32)
        self._drawn, self._single, self._several = drawn, drawn[:count], drawn[count:]
        self._kept = (np.array([*kept, *(most for _, most in groups)]) * SHY).astype(np.float32)
        self._over = np.zeros(len(drawn), np.bool_)

    def fine(self, canvas: Bytes) -> bool:
        """Whether the canvas can leave as it is."""
        np.add.reduceat(canvas, self._edges, dtype=np.uint32, out=self._sums)
        np.multiply(self._sums, self._ma, out=self._single, casting="unsafe")
        if len(self._order):
            np.take(self._single, self._order, out=self._ordered, mode="clip")
            np.add.reduceat(self._ordered, self._firsts, out=self._several)
        np.greater(self._drawn, self._kept, out=self._over)
        return not np.count_nonzero(self._over)


class _Guard:
    """Strings, or supplies: what each would draw, may draw, and by how much it is lowered; counted."""

    def __init__(self, limit: Floats) -> None:
        count = len(limit)
        self.limit = limit
        self._kept = (limit * SHY).astype(np.float32)
        self.drawn: Floats = np.zeros(count, np.float32)
        self.after: Floats = np.zeros(count, np.float32)
        self.gains: Floats = np.ones(count, np.float32)
        self.frames = np.zeros(count, np.int64)
        self.lowest: Floats = np.ones(count, np.float32)
        self.most: Floats = np.zeros(count, np.float32)
        self._allowed: Floats = np.ones(count, np.float32)
        self._too_much = np.zeros(count, np.bool_)
        self.lowered = False

    def over(self) -> bool:
        """Work out the gains for what is drawn now; whether any is not 1."""
        np.greater(self.drawn, self._kept, out=self._too_much)
        if not self._too_much.any():
            if self.lowered:
                np.add(self.gains, RELEASE, out=self.gains)
                np.minimum(self.gains, 1, out=self.gains)
                self.lowered = bool(self.gains.min() < 1)
            return self.lowered
        np.maximum(self.drawn, 1e-3, out=self._allowed)
        np.divide(self._kept, self._allowed, out=self._allowed)
        np.add(self.gains, RELEASE, out=self.gains)
        np.minimum(self.gains, 1, out=self.gains)
        np.minimum(self.gains, self._allowed, out=self.gains)
        self.lowered = True
        np.add(self.frames, self._too_much, out=self.frames)
        np.minimum(self.lowest, self.gains, out=self.lowest)
        np.maximum(self.most, self.drawn, out=self.most)
        return True


def _stretches(limits: Limits, offsets: Mapping[int, int], slots: Mapping[int, int]) -> list[tuple[int, int, int]]:
    """Where strings lie on the canvas, `(begin, end, string)` in order; what side by side belongs to one, as one."""
    found: list[tuple[int, int, int]] = []
    for string, one in enumerate(limits.strings):
        for universe, first, last in one.spans:
            end = min(last, slots.get(universe, 0))
            if universe in offsets and end >= first:
                found.append((offsets[universe] + first - 1, offsets[universe] + end, string))
    found.sort()
    joined: list[tuple[int, int, int]] = []
    for begin, end, string in found:
        begin = max(begin, joined[-1][1] if joined else 0)  # slots that two strings name are the first one's
        if joined and joined[-1][1:] == (begin, string):
            joined[-1] = (joined[-1][0], end, string)
        elif begin < end:
            joined.append((begin, end, string))
    return joined


def _edges(stretches: list[tuple[int, int, int]], size: int) -> tuple[list[int], npt.NDArray[np.intp]]:
    """Where sums begin (of stretches, and of the gaps after them), and which of the sums are stretches."""
    edges: list[int] = []
    taken: list[int] = []
    for number, (begin, end, _) in enumerate(stretches):
        taken.append(len(edges))
        edges.append(begin)
        following = stretches[number + 1][0] if number + 1 < len(stretches) else size
        if end < following:
            edges.append(end)
    return edges or [0], np.array(taken, np.intp)


def _by_string(stretches: list[tuple[int, int, int]], count: int) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]:
    """The places of the stretches, string by string, and where each string's begin; one without has the last, 0."""
    order: list[int] = []
    firsts: list[int] = []
    own: dict[int, list[int]] = {}
    for number, (_, _, string) in enumerate(stretches):
        own.setdefault(string, []).append(number)
    for string in range(count):
        firsts.append(len(order))
        order += own.get(string, [len(stretches)])
    return np.array(order, np.intp), np.array(firsts, np.intp)
