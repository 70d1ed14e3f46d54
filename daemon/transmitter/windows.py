"""The second lock on the neighbours' hours: their windows, and which of them hold. Told the time, reads no clock.

A window that has begun holds to its end by the monotonic clock, whatever is said of the time after that. Only a `dark`
message without its rule ends it: the rule was edited.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

from gloaming.daemon.transmitter.checks import instant, share, text
from gloaming.shows.time_units import HOUR_NS, SECOND_NS

WALL_NS = 5 * SECOND_NS
"""A window that has begun by the wall clock alone holds after this time: a director that lives has said by then how far
the wall clock is off."""
JITTER_NS = 100_000
"""What reading two clocks one after the other may differ by."""
LONGEST_NS = 48 * HOUR_NS
"""No window is longer. What a message with a mistake makes hold for ever would leave a house dark until a restart."""
RULE_MAX = 64


class Window(NamedTuple):
    """Light no brighter than `light` and sound no louder than `sound`, 0 to 1, over `[from_ns, until_ns)`."""

    from_ns: int
    until_ns: int
    light: float
    sound: float
    rule: str


class Held(NamedTuple):
    """A window that holds until an instant of the monotonic clock."""

    until_ns: int
    light: float
    sound: float
    rule: str


@dataclass(frozen=True, slots=True)
class Dark:
    """The neighbours' windows, known for `[from_ns, until_ns)`. Where nothing is known it is dark."""

    from_ns: int
    until_ns: int
    edges: tuple[int, ...]
    spans: tuple[tuple[Window, ...], ...]
    """The windows between each edge and the next."""
    low: tuple[tuple[int, int, float], ...] = ()
    """Where the neighbours let a rig check be lit all the same: from, until, how bright at the most."""
    rules: frozenset[str] = frozenset()
    """The rules that the site has; a window of another does not hold beyond the clock's end of it."""
    held: tuple[Held, ...] = ()
    """What the director knows to hold."""

    @property
    def windows(self) -> tuple[Window, ...]:
        return tuple(sorted({one for span in self.spans for one in span}))

    def known(self, at_ns: int) -> bool:
        return self.from_ns <= at_ns < self.until_ns

    def in_force(self, at_ns: int) -> tuple[Window, ...]:
        """The windows that an instant lies in."""
        place = bisect_right(self.edges, at_ns) - 1
        return self.spans[place] if place >= 0 and self.known(at_ns) else ()

    def low_at(self, at_ns: int) -> float:
        """How bright a rig check may be at an instant where all else is dark."""
        return max((level for begin, end, level in self.low if begin <= at_ns < end), default=0.0)

    def ceiling(self, at_ns: int) -> float:
        """How bright it may be at an instant."""
        return self.limit(self.in_force(at_ns), at_ns) if self.known(at_ns) else 0.0

    def limit(self, windows: Iterable[Window | Held], at_ns: int) -> float:
        """How bright some windows let it be."""
        return min((one.light or self.low_at(at_ns) for one in windows), default=1.0)

    def next_edge(self, at_ns: int) -> int:
        """The next instant after another at which more or less may be allowed."""
        place = bisect_right(self.edges, at_ns)
        others = (self.from_ns, self.until_ns, *(edge for begin, end, _ in self.low for edge in (begin, end)))
        later = [*self.edges[place : place + 1], *(edge for edge in others if edge > at_ns)]
        return min(later, default=at_ns + 3_600_000_000_000)


class Clocks(NamedTuple):
    """What is to be added to the monotonic clock for the score's time, and for the right time by the wall clock."""

    score_ns: int
    wall_ns: int

    def differ(self, other: Clocks) -> bool:
        """By more than the jitter of reading them."""
        return any(abs(one - two) > JITTER_NS for one, two in zip(self, other, strict=True))


class Holds:
    """The windows that hold now. `held` is another tuple whenever it changes."""

    def __init__(self) -> None:
        self.held: tuple[Held, ...] = ()
        self._dark: Dark | None = None
        self._clocks: Clocks | None = None
        self._wall_since: dict[str, int] = {}

    def look(self, dark: Dark, clocks: Clocks, monotonic_ns: int) -> None:
        """What has begun by now, by the clocks and windows of before as well: they may change in the same instant."""
        before, known = self._clocks, self._dark
        if known and before and (known is not dark or clocks.differ(before)):
            self._add(known, before, monotonic_ns)
        if known is not dark:
            self._dark = dark
            self._set([*(one for one in self.held if one.rule in dark.rules), *dark.held], monotonic_ns)
        self._clocks = clocks
        self._add(dark, clocks, monotonic_ns)

    def _add(self, dark: Dark, clocks: Clocks, monotonic_ns: int) -> None:
        begun = self._begun(dark, clocks.score_ns, monotonic_ns)
        by_wall = self._begun(dark, clocks.wall_ns, monotonic_ns)
        self._wall_since = {one.rule: self._wall_since.get(one.rule, monotonic_ns) for one in by_wall}
        begun += [one for one in by_wall if monotonic_ns - self._wall_since[one.rule] >= WALL_NS]
        until_ns = {one.rule: one.until_ns + JITTER_NS for one in self.held}
        if any(one.until_ns > until_ns.get(one.rule, 0) for one in begun):
            self._set([*self.held, *begun], monotonic_ns)
        elif any(one.until_ns <= monotonic_ns for one in self.held):
            self._set(self.held, monotonic_ns)

    @staticmethod
    def _begun(dark: Dark, offset_ns: int, monotonic_ns: int) -> list[Held]:
        windows = dark.in_force(monotonic_ns + offset_ns)
        return [
            Held(one.until_ns - offset_ns, one.light, one.sound, one.rule) for one in windows if one.rule in dark.rules
        ]

    def _set(self, held: Iterable[Held], monotonic_ns: int) -> None:
        """Of each rule the window that lasts longest."""
        longest: dict[str, Held] = {}
        for one in sorted(held):
            if monotonic_ns < one.until_ns <= monotonic_ns + LONGEST_NS:
                longest[one.rule] = one
        self.held = tuple(longest.values())


def read_dark(message: dict[str, Any]) -> Dark:
    """A `dark` message. LookupError, TypeError or ValueError where it is not one."""
    windows = sorted(
        Window(instant(begin), instant(end), share(light), share(sound), _rule(rule))
        for begin, end, light, sound, rule in message["windows"]
    )
    edges = tuple(sorted({edge for one in windows for edge in one[:2]}))
    spans: list[tuple[Window, ...]] = []
    coming = 0
    for edge in edges:
        begun = list(spans[-1]) if spans else []
        while coming < len(windows) and windows[coming].from_ns <= edge:
            begun.append(windows[coming])
            coming += 1
        spans.append(tuple(one for one in begun if one.until_ns > edge))
    low = tuple((instant(begin), instant(end), share(most)) for begin, end, most in message.get("low", ()))
    rules = frozenset(_rule(rule) for rule in message.get("rules", ()))
    held = tuple(
        Held(instant(end), share(light), share(sound), _rule(rule))
        for end, light, sound, rule in message.get("held", ())
    )
    return Dark(instant(message["from_ns"]), instant(message["until_ns"]), edges, tuple(spans), low, rules, held)


def _rule(value: Any) -> str:
    name = text(value)
    if name is None or len(name) > RULE_MAX:
        raise ValueError(f"{value!r} is not the name of a rule")
    return name
