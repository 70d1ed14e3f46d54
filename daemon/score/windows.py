"""The neighbours' hours for the transmitter, as frozen values and as JSON. Reads no clock.

The score obeys these hours already: the transmitter's windows are the second lock. Instants are integer nanoseconds
since the Unix epoch, UTC (`_ns`), unless a docstring names the monotonic clock.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple, Self

from gloaming.daemon.score.checks import instant, read_spans, share, text
from gloaming.daemon.score.protocol import Op
from gloaming.shows.rig.zones import Spans
from gloaming.shows.time_units import HOUR_NS

RULE_MAX = 64


class NeighboursWindow(NamedTuple):
    """Light no brighter than `light` and sound no louder than `sound`, 0 to 1, over `[from_ns, until_ns)`.

    The light is that of the slots in `spans`, or of all slots with None.
    """

    from_ns: int
    until_ns: int
    light: float
    sound: float
    rule: str
    spans: Spans | None = None


class HeldWindow(NamedTuple):
    """A window that holds until an instant of the monotonic clock."""

    until_ns: int
    light: float
    sound: float
    rule: str
    spans: Spans | None = None


@dataclass(frozen=True)
class Windows:
    """The neighbours' hours, known for `[from_ns, until_ns)`. At any other time the lights stay dark.

    `rules` are the rules of the site. A window of any other rule ends with the clock's time and is not held. `held`
    are the windows that the planner holds. `rig_checks` are the times at which the neighbours allow a rig check in
    dark hours: `(from_ns, until_ns, level)`, no brighter than `level`.
    """

    from_ns: int
    until_ns: int
    windows: tuple[NeighboursWindow, ...] = ()
    rules: frozenset[str] = frozenset()
    held: tuple[HeldWindow, ...] = ()
    rig_checks: tuple[tuple[int, int, float], ...] = ()

    @cached_property
    def _edges(self) -> tuple[int, ...]:
        return tuple(sorted({edge for one in self.windows for edge in one[:2]}))

    @cached_property
    def _spans(self) -> tuple[tuple[NeighboursWindow, ...], ...]:
        """The windows between each edge and the next."""
        windows = sorted(self.windows, key=lambda one: one.from_ns)
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
        """The windows that contain an instant."""
        place = bisect_right(self._edges, at_ns) - 1
        return self._spans[place] if place >= 0 and self.known(at_ns) else ()

    def rig_check_level(self, at_ns: int) -> float:
        """How bright a rig check may be at an instant in dark hours, 0 to 1."""
        return max((level for begin, end, level in self.rig_checks if begin <= at_ns < end), default=0.0)

    def ceiling(self, at_ns: int) -> float:
        """How bright the lights may be at an instant, 0 to 1."""
        return self.limit(self.in_force(at_ns), at_ns) if self.known(at_ns) else 0.0

    def limit(self, windows: Iterable[NeighboursWindow | HeldWindow], at_ns: int) -> float:
        """How bright some windows allow the lights to be, 0 to 1."""
        return min((one.light or self.rig_check_level(at_ns) for one in windows), default=1.0)

    def next_edge(self, at_ns: int) -> int:
        """The first instant after `at_ns` at which the ceiling may change."""
        place = bisect_right(self._edges, at_ns)
        others = (self.from_ns, self.until_ns, *(edge for begin, end, _ in self.rig_checks for edge in (begin, end)))
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
            "rig_checks": self.rig_checks,
        }

    @classmethod
    def from_json(cls, json: dict[str, Any]) -> Self:
        """Takes what `to_json` gives; else LookupError, TypeError or ValueError."""
        return cls(
            from_ns=instant(json["from_ns"]),
            until_ns=instant(json["until_ns"]),
            windows=tuple(
                NeighboursWindow(instant(begin), instant(end), *_limits(*limits))
                for begin, end, *limits in json["windows"]
            ),
            rules=frozenset(map(_rule, json["rules"])),
            held=tuple(HeldWindow(instant(end), *_limits(*limits)) for end, *limits in json["held"]),
            rig_checks=tuple((instant(begin), instant(end), share(most)) for begin, end, most in json["rig_checks"]),
        )


def _limits(light: Any, sound: Any, rule: Any, spans: Any) -> tuple[float, float, str, Spans | None]:
    return share(light), share(sound), _rule(rule), None if spans is None else read_spans(spans)


def _rule(value: Any) -> str:
    name = text(value)
    if len(name) > RULE_MAX:
        raise ValueError(f"{value!r} is not the name of a rule")
    return name
