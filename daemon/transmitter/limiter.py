"""The limiter: lowers, in place, each frame that would draw more than a string's fuse or a supply allows.

It works on finished slots, after the brightness. A string that would draw too much is lowered in the same frame and
rises again slowly. A supply that would be overloaded lowers all its strings alike. Slots within their limits stay as
they are, byte for byte.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from gloaming.daemon.score.setup import Limits

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float32]

RELEASE_NS = 1_600_000_000
"""The time in which a string rises from nothing to its full light, at any frame rate."""
MARGIN = 1 - 1e-5
"""Limits are lowered by this factor, against rounding errors."""
LISTED_MAX = 20
FLOAT_MAX = np.finfo(np.float32).max
"""The limit of a string without a fuse."""


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
        self._at_ns = 0

    @property
    def needed(self) -> bool:
        """Whether any string or supply could draw too much with all slots at 255."""
        return self._quick.needed

    def limit(self, frame: Bytes, at_ns: int) -> None:
        """Lower, in place, the strings that draw too much, at an instant of the monotonic clock."""
        release, self._at_ns = (at_ns - self._at_ns) / RELEASE_NS, at_ns
        if not (self.strings.lowered or self.supplies.lowered) and self._quick.fine(frame):
            return
        self.add_up(frame)
        strings, supplies = self.strings, self.supplies
        over = strings.over(release)
        np.multiply(strings.drawn, strings.gains, out=strings.after)
        np.dot(self._fed, strings.after, out=supplies.drawn)
        if not supplies.over(release) and not over:
            return
        self._lower(frame)

    def add_up(self, frame: Bytes) -> None:
        """Work out what each string would draw, in mA."""
        np.add.reduceat(frame, self._edges, dtype=np.uint32, out=self._sums[:-1])
        np.take(self._sums, self._of_string, out=self._ordered, mode="clip")
        np.add.reduceat(self._ordered, self._firsts, out=self._added)
        np.multiply(self._added, self._ma, out=self.strings.drawn, casting="unsafe")

    def _lower(self, frame: Bytes) -> None:
        self._supply_gains[:-1] = self.supplies.gains
        np.take(self._supply_gains, self._supply_of, out=self._of_supply, mode="clip")
        np.multiply(self.strings.gains, self._of_supply, out=self._string_gains[:-1])
        # Ten times faster than a look-up for each slot. The allocator keeps this memory (process.py).
        finished = np.repeat(self._string_gains[self._owners], self._lengths)
        held = frame[self._edges[0] :]
        np.multiply(held, finished, out=finished)
        np.copyto(held, finished, casting="unsafe")  # truncates, never rounds up

    def figures(self, send_groups: int) -> list[dict[str, Any]]:
        """The strings and supplies that were lowered: in how many frames, and by how much at most. The worst first.

        Each of the `send_groups` mixes every frame once, so the counts are divided by their number.
        """
        strings, supplies = [one.name for one in self.limits.strings], [name for name, _ in self.limits.supplies]
        lowered = [
            (float(lowest), kind, names[at], guard, at)
            for kind, names, guard in (("string", strings, self.strings), ("supply", supplies, self.supplies))
            for at, lowest in enumerate(guard.lowest)
            if guard.frames[at]
        ]
        return [
            {
                "kind": kind,
                "name": name,
                "frames": -(-int(guard.frames[at]) // send_groups),
                "lowest": round(lowest, 4),
                "ma": round(float(guard.most[at])),
                "limit_ma": round(float(guard.limit[at])),
            }
            for lowest, kind, name, guard, at in sorted(lowered, key=lambda one: one[0])[:LISTED_MAX]
        ]


class _Quick:
    """A fast test, for every frame, of whether nothing draws too much.

    It compares sums of slots with whole numbers. It may reject a good frame, which is then worked out in full, but it
    never accepts a bad one: in a supply all strings count like the one that draws most, and slots between its strings
    count as its own. It leaves out what stays within its limit with every slot at 255.
    """

    def __init__(self, limiter: Limiter, stretches: list[tuple[int, int, int]]) -> None:
        limits, self._edges = limiter.limits, limiter._edges
        ma = np.zeros(len(self._edges))
        full = np.zeros(len(self._edges))
        of_string: dict[int, list[int]] = {}
        for at, (begin, end, string) in zip(limiter._taken.tolist(), stretches, strict=True):
            of_string.setdefault(string, []).append(at)
            ma[at], full[at] = limits.strings[string].ma, (end - begin) * limits.strings[string].ma
        groups = [(own, limits.strings[string].fuse_ma or np.inf) for string, own in of_string.items()]
        for name, most in limits.supplies:
            fed = [at for string, own in of_string.items() if limits.strings[string].supply == name for at in own]
            groups.append((fed, most))
        groups = [(own, most) for own, most in groups if own and full[own].sum() > most]
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


class _Guard:
    """For all strings, or all supplies: what each would draw, its limit, its gain, and counts."""

    def __init__(self, limit: Floats) -> None:
        count = len(limit)
        self.limit = limit
        self._kept: Floats = np.clip(limit * MARGIN, 1e-6, FLOAT_MAX).astype(np.float32)
        self.drawn: Floats = np.zeros(count, np.float32)
        self.after: Floats = np.zeros(count, np.float32)
        self.gains: Floats = np.ones(count, np.float32)
        self.frames = np.zeros(count, np.int64)
        self.most: Floats = np.zeros(count, np.float32)
        self._allowed: Floats = np.ones(count, np.float32)
        self._too_much = np.zeros(count, np.bool_)
        self.lowered = False

    @property
    def lowest(self) -> Floats:
        """The lowest gain of each so far: its limit divided by the most that it would have drawn."""
        return np.divide(self._kept, np.maximum(self.most, self._kept), dtype=np.float32)

    def over(self, release: float) -> bool:
        """Work out the gains for what is drawn now. A gain rises by `release` at most. Whether any is not 1."""
        np.greater(self.drawn, self._kept, out=self._too_much)
        too_much = np.count_nonzero(self._too_much)
        if not too_much and not self.lowered:
            return False
        np.maximum(self.drawn, self._kept, out=self._allowed)
        np.divide(self._kept, self._allowed, out=self._allowed)
        np.add(self.gains, release, out=self.gains)
        np.minimum(self.gains, self._allowed, out=self.gains)
        if not too_much:
            self.lowered = bool(self.gains.min() < 1)
            return self.lowered
        self.lowered = True
        np.add(self.frames, self._too_much, out=self.frames)
        np.maximum(self.most, self.drawn, out=self.most)
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
