"""The neighbours' hours that the transmitter holds, as frozen values and as JSON: the second lock. Reads no clock.

Instants are integer nanoseconds since the Unix epoch, UTC (`_ns`), but where one is said to be of the monotonic clock.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple, Self

from gloaming.daemon.score.checks import instant, share, text
from gloaming.daemon.score.protocol import Op
from gloaming.shows.time_units import HOUR_NS

RULE_MAX = 64


class NeighboursWindow(NamedTuple):
    """Light no brighter than `light` and sound no louder than `sound`, 0 to 1, over `[from_ns, until_ns)`."""

    from_ns: int
    until_ns: int
    light: float
    sound: float
    rule: str


class HeldWindow(NamedTuple):
    """A window that holds until an instant of the monotonic clock."""

    until_ns: int
    light: float
    sound: float
    rule: str


@dataclass(frozen=True)
class Windows:
    """The neighbours' hours, known for `[from_ns, until_ns)`. Where nothing is known it is dark.

    `rules` are the rules that the site has: a window of another does not hold beyond the clock's end of it. `held` is
    what the planner knows to hold. `low` is where the neighbours let a rig check be lit all the same: from, until, how
    bright at the most.
    """

    from_ns: int
    until_ns: int
    windows: tuple[NeighboursWindow, ...] = ()
    rules: frozenset[str] = frozenset()
    held: tuple[HeldWindow, ...] = ()
    low: tuple[tuple[int, int, float], ...] = ()

    @cached_property
    def _edges(self) -> tuple[int, ...]:
        return tuple(sorted({edge for one in self.windows for edge in one[:2]}))

    @cached_property
    def _spans(self) -> tuple[tuple[NeighboursWindow, ...], ...]:
        """The windows between each edge and the next."""
        windows = sorted(self.windows)
        spans: list[tuple[NeighboursWindow, ...]] = []
        coming = 0
        for edge in self._edges:
            begun = list(spans[-1]) if spans else []
            while coming < len(windows) and windows[coming].from_ns <= edge:
                begun.append(windows[coming])
                coming += 1
            spans.append(tuple(one for one in begun if one.until_ns > edge))
        return tuple(spans)

    def known(self, at_ns: int) -> bool:
        return self.from_ns <= at_ns < self.until_ns

    def in_force(self, at_ns: int) -> tuple[NeighboursWindow, ...]:
        """The windows that an instant lies in."""
        place = bisect_right(self._edges, at_ns) - 1
        return self._spans[place] if place >= 0 and self.known(at_ns) else ()

    def low_at(self, at_ns: int) -> float:
        """How bright a rig check may be at an instant where all else is dark."""
        return max((level for begin, end, level in self.low if begin <= at_ns < end), default=0.0)

    def ceiling(self, at_ns: int) -> float:
        """How bright it may be at an instant."""
        return self.limit(self.in_force(at_ns), at_ns) if self.known(at_ns) else 0.0

    def limit(self, windows: Iterable[NeighboursWindow | HeldWindow], at_ns: int) -> float:
        """How bright some windows let it be."""
        return min((one.light or self.low_at(at_ns) for one in windows), default=1.0)

    def next_edge(self, at_ns: int) -> int:
        """The next instant after another at which more or less may be allowed."""
        place = bisect_right(self._edges, at_ns)
        others = (self.from_ns, self.until_ns, *(edge for begin, end, _ in self.low for edge in (begin, end)))
        later = [*self._edges[place : place + 1], *(edge for edge in others if edge > at_ns)]
        return min(later, default=at_ns + HOUR_NS)

    def to_json(self) -> dict[str, Any]:
        return {
            "op": Op.WINDOWS,
            "from_ns": self.from_ns,
            "until_ns": self.until_ns,
            "windows": self.windows,
            "rules": sorted(self.rules),
            "held": self.held,
            "low": self.low,
        }

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        """LookupError, TypeError or ValueError where it is given anything but what `to_json` gives."""
        return cls(
            from_ns=instant(json["from_ns"]),
            until_ns=instant(json["until_ns"]),
            windows=tuple(
                NeighboursWindow(instant(begin), instant(end), share(light), share(sound), _rule(rule))
                for begin, end, light, sound, rule in json["windows"]
            ),
            rules=frozenset(map(_rule, json["rules"])),
            held=tuple(
                HeldWindow(instant(end), share(light), share(sound), _rule(rule))
                for end, light, sound, rule in json["held"]
            ),
            low=tuple((instant(begin), instant(end), share(most)) for begin, end, most in json["low"]),
        )


def _rule(value: Any) -> str:
    name = text(value)
    if len(name) > RULE_MAX:
        raise ValueError(f"{value!r} is not the name of a rule")
    return name
