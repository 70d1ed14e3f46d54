"""The limiter: lowers, in place, each frame that would draw more than a fuse or a supply allows.

It works on finished slots, after the brightness. Strings that share a limit and would draw too much are lowered alike
in the same frame, and rise again slowly. Fuses come before supplies: a supply counts what the fuses have left. What
dark pixels and fixtures always draw leaves less for light. Slots within their limits stay as they are, byte for byte.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from gloaming.daemon.score.limits import CurrentLimit, Limits

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

RELEASE_NS = 1_600_000_000
"""The time in which a string rises from nothing to its full light, at any frame rate."""
MARGIN = 1 - 1e-5
"""Limits are lowered by this factor, against rounding errors."""
LEAST_MA = 1e-6
"""Where nothing is left for light: less than any slot draws."""
LISTED_MAX = 20


class Limiter:
    """Limits frames whose universes begin at `offsets` and have `slots`."""

    def __init__(self, limits: Limits, offsets: Mapping[int, int], slots: Mapping[int, int]) -> None:
        self.limits = limits
        size = sum(slots.values())
        count = len(limits.strings)
        stretches = _stretches(limits, offsets, slots)
        edges, self._taken = _edges(stretches, size)
        self._edges = np.array(edges, np.intp)
        of_string, self._firsts = _by_string(stretches, count)
        self._of_string = np.append(self._taken, len(edges))[of_string]
        self._lengths: npt.NDArray[np.intp] = np.diff(self._edges, append=size)
        self._owners: npt.NDArray[np.intp] = np.full(len(edges), count, np.intp)  # `count` marks slots of no string
        self._owners[self._taken] = [string for _, _, string in stretches]
        self._sums = np.zeros(len(edges) + 1, np.uint32)  # the last stays 0
        self._ordered = np.zeros(len(self._of_string), np.uint32)
        self._added = np.zeros(count, np.uint32)
        self._ma = np.array([one.ma / 255 for one in limits.strings])
        self.drawn: Doubles = np.zeros(count)
        levels = [[one for one in level if one.strings] for level in limits.levels]
        self.levels = [_Level(level, count) for level in levels if level]
        self._quick = _Quick(self, stretches)
        self._factors: Doubles = np.ones(count)
        self._gains: Floats = np.ones(count + 1, np.float32)  # the last stays 1
        self._at_ns = 0

    @property
    def needed(self) -> bool:
        """Whether anything could draw too much with all slots at 255."""
        return self._quick.needed

    def limit(self, frame: Bytes, at_ns: int) -> None:
        """Lower, in place, the strings that draw too much, at an instant of the monotonic clock."""
        release, self._at_ns = (at_ns - self._at_ns) / RELEASE_NS, at_ns
        if not any(level.lowered for level in self.levels) and self._quick.fine(frame):
            return
        self.add_up(frame)
        gains, lowered = self._gains[:-1], False
        gains.fill(1)
        for level in self.levels:
            if level.over(self.drawn, release):
                np.take(level.gains, level.of_string, out=self._factors, mode="clip")
                np.multiply(self.drawn, self._factors, out=self.drawn)
                np.multiply(gains, self._factors, out=gains, casting="unsafe")
                lowered = True
        if lowered:
            self._lower(frame)

    def add_up(self, frame: Bytes) -> None:
        """Work out what the light of each string would draw, in mA."""
        np.add.reduceat(frame, self._edges, dtype=np.uint32, out=self._sums[:-1])
        np.take(self._sums, self._of_string, out=self._ordered, mode="clip")
        np.add.reduceat(self._ordered, self._firsts, out=self._added)
        np.multiply(self._added, self._ma, out=self.drawn)

    def _lower(self, frame: Bytes) -> None:
        # Ten times faster than a look-up for each slot. The allocator keeps this memory (process.py).
        finished = np.repeat(self._gains[self._owners], self._lengths)
        held = frame[self._edges[0] :]
        np.multiply(held, finished, out=finished)
        np.copyto(held, finished, casting="unsafe")  # truncates, never rounds up

    def figures(self, send_groups: int) -> list[dict[str, Any]]:
        """What was lowered: in how many frames, and by how much at most. The worst first.

        Each of the `send_groups` mixes every frame once, so the counts are divided by their number.
        """
        lowered = [
            (float(lowest), level, at)
            for level in self.levels
            for at, lowest in enumerate(level.lowest)
            if level.frames[at]
        ]
        return [
            {
                "kind": level.limits[at].kind,
                "name": level.limits[at].name,
                "frames": -(-int(level.frames[at]) // send_groups),
                "lowest": round(lowest, 4),
                "ma": round(float(level.most[at]) + level.limits[at].always_ma),
                "limit_ma": round(level.limits[at].ma),
            }
            for lowest, level, at in sorted(lowered, key=lambda one: one[0])[:LISTED_MAX]
        ]


class _Quick:
    """A fast test, for every frame, of whether nothing draws too much.

    It compares sums of slots with whole numbers. It may reject a good frame, which is then worked out in full, but it
    never accepts a bad one: within a limit all strings count like the one that draws most, and slots between its
    strings count as its own. It leaves out what stays within its limit with every slot at 255.
    """

    def __init__(self, limiter: Limiter, stretches: list[tuple[int, int, int]]) -> None:
        limits, self._edges = limiter.limits, limiter._edges
        ma = np.zeros(len(self._edges))
        full = np.zeros(len(self._edges))
        of_string: dict[int, list[int]] = {}
        for at, (begin, end, string) in zip(limiter._taken.tolist(), stretches, strict=True):
            of_string.setdefault(string, []).append(at)
            ma[at], full[at] = limits.strings[string].ma, (end - begin) * limits.strings[string].ma
        groups = [
            ([at for string in one.strings for at in of_string.get(string, ())], one.light_ma)
            for level in limiter.levels
            for one in level.limits
        ]
        groups = [(own, most) for own, most in groups if full[own].sum() > most]
        self.needed = bool(groups)
        single = [(own[0], most) for own, most in groups if len(own) == 1]
        several = [(own, most) for own, most in groups if len(own) > 1]
        count = len(self._edges) + 1  # and one past the end
        self._sums = np.zeros(count + 2 * len(several), np.uint32)
        self._single, self._several = self._sums[: count - 1], self._sums[count:]
        self._padded = self._sums[:count]
        self._pairs = np.array([at for own, _ in several for at in (min(own), max(own) + 1)], np.intp)
        self._kept = np.full(len(self._sums), 0xFFFFFFFF, np.uint32)
        for at, most in single:
            self._kept[at] = min(self._kept[at], most * MARGIN / ma[at] * 255)
        for number, (own, most) in enumerate(several):
            self._kept[count + 2 * number] = most * MARGIN / ma[own].max() * 255
        self._over = np.zeros(len(self._sums), np.bool_)

    def fine(self, frame: Bytes) -> bool:
        """Whether a frame can leave without changes."""
        np.add.reduceat(frame, self._edges, dtype=np.uint32, out=self._single)
        if len(self._pairs):
            np.add.reduceat(self._padded, self._pairs, out=self._several)
        np.greater(self._sums, self._kept, out=self._over)
        return not np.count_nonzero(self._over)


class _Level:
    """Limits that share no string: what the light of each would draw, its gain, and counts."""

    def __init__(self, limits: list[CurrentLimit], strings: int) -> None:
        self.limits = limits
        count, lengths = len(limits), [len(one.strings) for one in limits]
        self._strings = np.array([string for one in limits for string in one.strings], np.intp)
        self._firsts = np.cumsum([0, *lengths[:-1]])
        self.of_string: npt.NDArray[np.intp] = np.full(strings, count, np.intp)
        self.of_string[self._strings] = np.repeat(np.arange(count), lengths)
        self._light = np.maximum([one.light_ma * MARGIN for one in limits], LEAST_MA)
        self._ordered: Doubles = np.zeros(len(self._strings))
        self._drawn: Doubles = np.zeros(count)
        self._allowed: Doubles = np.ones(count)
        self._too_much = np.zeros(count, np.bool_)
        self.gains: Doubles = np.ones(count + 1)  # the last, for strings without a limit, stays 1
        self.frames = np.zeros(count, np.int64)
        self.most: Doubles = np.zeros(count)
        self.lowered = False

    @property
    def lowest(self) -> Doubles:
        """The lowest gain of each so far: what is left for light, divided by the most that it would have drawn."""
        return np.divide(self._light, np.maximum(self.most, self._light))

    def over(self, drawn: Doubles, release: float) -> bool:
        """Work out the gains for what strings draw now. A gain rises by `release` at most. Whether any is not 1."""
        np.take(drawn, self._strings, out=self._ordered, mode="clip")
        np.add.reduceat(self._ordered, self._firsts, out=self._drawn)
        np.greater(self._drawn, self._light, out=self._too_much)
        too_much = np.count_nonzero(self._too_much)
        if not too_much and not self.lowered:
            return False
        gains = self.gains[:-1]
        np.maximum(self._drawn, self._light, out=self._allowed)
        np.divide(self._light, self._allowed, out=self._allowed)
        np.add(gains, release, out=gains)
        np.minimum(gains, self._allowed, out=gains)
        if not too_much:
            self.lowered = bool(gains.min() < 1)
            return self.lowered
        self.lowered = True
        np.add(self.frames, self._too_much, out=self.frames)
        np.maximum(self.most, self._drawn, out=self.most)
        return True


def _stretches(limits: Limits, offsets: Mapping[int, int], slots: Mapping[int, int]) -> list[tuple[int, int, int]]:
    """The strings' stretches of a frame, `(begin, end, string)` in order. Adjacent ones of a string are joined."""
    found: list[tuple[int, int, int]] = []
    for string, one in enumerate(limits.strings):
        for universe, first, last in one.spans:
            end = min(last, slots.get(universe, 0))
            if universe in offsets and end >= first:
                found.append((offsets[universe] + first - 1, offsets[universe] + end, string))
    found.sort()
    joined: list[tuple[int, int, int]] = []
    for begin, end, string in found:
        begin = max(begin, joined[-1][1] if joined else 0)  # slots of two strings belong to the first
        if begin < end and joined and joined[-1][1:] == (begin, string):
            joined[-1] = (joined[-1][0], end, string)
        elif begin < end:
            joined.append((begin, end, string))
    return joined


def _edges(stretches: list[tuple[int, int, int]], size: int) -> tuple[list[int], npt.NDArray[np.intp]]:
    """Where each sum begins (of stretches, and of the gaps after them), and which sums are stretches."""
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
    """The stretches by string, and where each string's begin. A string without one gets the last sum, always 0."""
    order: list[int] = []
    firsts: list[int] = []
    own: dict[int, list[int]] = {}
    for number, (_, _, string) in enumerate(stretches):
        own.setdefault(string, []).append(number)
    for string in range(count):
        firsts.append(len(order))
        order += own.get(string, [len(stretches)])
    return np.array(order, np.intp), np.array(firsts, np.intp)
