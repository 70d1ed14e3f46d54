"""The level at every instant: fades between the levels that the rules demand. Pure arithmetic.

A fall that is planned (a closing, the neighbours' hours) is complete when it is due. A fall that a person asks for
begins when it is asked for. A rise begins when it is allowed.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass

Step = tuple[int, float]


@dataclass(frozen=True, slots=True)
class Fades:
    """A level 0..1 in straight lines between the points `(at_ns, level)`, constant outside them."""

    at_ns: tuple[int, ...]
    levels: tuple[float, ...]

    def level_at(self, at_ns: int) -> float:
        """The level at an instant (at a jump, the level after it)."""
        after = bisect_right(self.at_ns, at_ns)
        if after == 0:
            return self.levels[0]
        if after == len(self.at_ns):
            return self.levels[-1]
        begin_ns, end_ns = self.at_ns[after - 1], self.at_ns[after]
        low, high = self.levels[after - 1], self.levels[after]
        return low + (high - low) * (at_ns - begin_ns) / (end_ns - begin_ns)

    def level_before(self, at_ns: int) -> float:
        """The level just before an instant (at a jump, the level before it)."""
        after = bisect_right(self.at_ns, at_ns - 1)
        if 0 < after < len(self.at_ns) and self.at_ns[after] == at_ns:
            return self.levels[after]
        return self.level_at(at_ns)


def fades(steps: tuple[Step, ...], ceilings: tuple[Step, ...], planned: frozenset[int], fade_ns: int) -> Fades:
    """Fades of `fade_ns` between `steps`, never above `ceilings`.

    `steps` and `ceilings` are step functions: pairs of an instant and the level from then on, in order. Both have an
    entry for the beginning. A fall at an instant of `planned` is complete at that instant.
    """
    target, ceiling = _reader(steps), _reader(ceilings)
    falls = [
        (at_ns, level)
        for (at_ns, level), (_, before) in zip(steps[1:], steps, strict=False)
        if at_ns in planned and level < before
    ]
    begin_ns = steps[0][0]
    instants = {at_ns for at_ns, _ in (*steps, *ceilings)} | {max(begin_ns, at_ns - fade_ns) for at_ns, _ in falls}
    points = _Points(begin_ns, min(target(begin_ns), ceiling(begin_ns)), fade_ns)
    coming = 0
    for at_ns in sorted(instants):
        while coming < len(falls) and falls[coming][0] <= at_ns:
            coming += 1
        aim = target(at_ns)
        ahead = coming
        while ahead < len(falls) and falls[ahead][0] - fade_ns <= at_ns:
            aim = min(aim, falls[ahead][1])
            ahead += 1
        points.turn(at_ns, aim, ceiling(at_ns))
    return points.fades()


def _reader(steps: tuple[Step, ...]) -> Callable[[int], float]:
    instants = [at_ns for at_ns, _ in steps]

    def level(at_ns: int) -> float:
        return steps[max(0, bisect_right(instants, at_ns) - 1)][1]

    return level


class _Points:
    """Follows one aim after the other. Each fade begins at the level that the last one has reached."""

    def __init__(self, at_ns: int, level: float, fade_ns: int) -> None:
        self.fade_ns = fade_ns
        self.points: list[tuple[int, float]] = [(at_ns, level)]
        self.aim, self.reached_ns = level, at_ns

    def turn(self, at_ns: int, aim: float, ceiling: float) -> None:
        level = self.level_at(at_ns)
        if aim == self.aim and level <= ceiling:
            return
        if self.reached_ns > at_ns:
            self.points.pop()
        self.add(at_ns, level)
        self.add(at_ns, min(level, ceiling))
        self.aim = aim
        self.reached_ns = at_ns + self.fade_ns if min(level, ceiling) != aim else at_ns
        self.add(self.reached_ns, aim)

    def level_at(self, at_ns: int) -> float:
        if at_ns >= self.reached_ns:
            return self.aim
        (begin_ns, low), (end_ns, high) = self.points[-2:]
        return low + (high - low) * (at_ns - begin_ns) / (end_ns - begin_ns)

    def add(self, at_ns: int, level: float) -> None:
        if self.points[-1] != (at_ns, level):
            self.points.append((at_ns, level))

    def fades(self) -> Fades:
        at_ns, levels = zip(*self.points, strict=True)
        return Fades(at_ns, levels)
