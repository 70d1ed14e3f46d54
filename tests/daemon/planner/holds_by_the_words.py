"""When a hold holds, by the words of its keys: a slow reference that shares nothing with the rule.

Time is a number of ticks, and so are the lengths of a rule.
"""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass
class Words:
    """A rule, and all that has happened to it: readings by tick, and the ticks at which planners began to listen."""

    table: dict[str, object]
    for_: int
    clear_for: int
    silent_after: int
    begins: int
    readings: dict[int, float | str] = field(default_factory=dict)
    starts: list[int] = field(default_factory=list)
    dead: set[int] = field(default_factory=set)
    """The ticks at which no planner listens."""

    @classmethod
    def of(cls, table: dict[str, object], begins: int) -> Words:
        """A rule that begins at a tick."""
        return cls(table, *(int(str(table[key])) for key in ("for", "clear_for", "silent_after")), begins)

    def over(self, reading: float | str) -> bool:
        if "equals" in self.table:
            return reading == self.table["equals"]
        side, limit = ("above", self.table["above"]) if "above" in self.table else ("below", self.table["below"])
        assert isinstance(reading, float) and isinstance(limit, int)
        return reading > limit if side == "above" else reading < limit

    def clear(self, reading: float | str) -> bool:
        for key, sign in (("until_below", -1), ("until_above", 1)):
            if key in self.table:
                limit = self.table[key]
                assert isinstance(reading, float) and isinstance(limit, int)
                return (reading - limit) * sign > 0
        return not self.over(reading)

    def last(self, tick: int) -> float | str | None:
        """The reading that counts at a tick: the last one."""
        return next((self.readings[at] for at in range(tick, self.begins - 1, -1) if at in self.readings), None)

    def all(self, first: int, last: int, says: str) -> bool:
        """Whether the readings say the same at every tick of a range."""
        found = [self.last(tick) for tick in range(first, last + 1)]
        return first >= self.begins and all(one is not None and getattr(self, says)(one) for one in found)

    def since(self, until: int) -> list[int | None]:
        """The tick since which it holds, None where it does not: at each tick from `begins` up to `until`."""
        waits = self.table["if_silent"] == "hold"
        found: list[int | None] = []
        since: int | None = None
        holds = silent = False
        broken = self.begins
        """Before this tick, no reading counts for the end."""
        for tick in range(self.begins, until + 1):
            start = max([self.begins, *(one for one in self.starts if one <= tick)])
            heard = [at for at in self.readings if at < tick]
            if waits and tick not in self.dead and tick - max([start, *heard]) >= self.silent_after:
                holds = silent = True
            if silent:
                broken = tick
            elif not holds and self.for_:
                holds = self.all(tick - self.for_, tick - 1, "over")
            elif holds and self.clear_for and tick - self.clear_for >= broken:
                known = not waits or (tick not in self.dead and any(start <= at < tick for at in self.readings))
                holds = not (known and self.all(tick - self.clear_for, tick - 1, "clear"))
            since = (tick if since is None else since) if holds else None
            if tick in self.readings:
                silent = False
                if holds and tick - self.clear_for >= broken:
                    holds = not self.all(tick - self.clear_for, tick, "clear")
                elif not holds:
                    holds = self.all(tick - self.for_, tick, "over")
            since = (tick if since is None else since) if holds else None
            found.append(since)
        return found
