"""What goes by the monotonic clock when the wall clock is set: overrides, and the neighbours' windows that had begun.

How the clocks stood to each other when power came, and since the last step, is a fact in the state, written in one
transaction with the overrides that it moved. So a step while no planner runs is made good by the next.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import NamedTuple

from gloaming.daemon.direction import rules_in_force as holding
from gloaming.daemon.direction.occurrences import neighbours_windows
from gloaming.daemon.direction.overrides import Override, after_step
from gloaming.daemon.direction.rules_in_force import HeldRule
from gloaming.daemon.planner.clock import STEP_NS
from gloaming.daemon.planner.clock_trust import ClockTrust
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import Site
from gloaming.shows.time_units import SECOND_NS

FACT = "overrides_clocks"
SLACK_NS = SECOND_NS
"""A transmitter that holds a window no longer than this beyond what is known here tells nothing new."""


class BootClocks(NamedTuple):
    """How the clocks stood in a boot: `first` is its first override, `trusted` whether windows that began then hold."""

    boot: str
    first: int
    apart_ns: int
    trusted: bool
    held: tuple[HeldRule, ...]


class ClockSteps:
    """Owns that fact. `held` is what holds now, by the clock of now."""

    def __init__(self, store: Store, trust: ClockTrust) -> None:
        self._store, self._trust = store, trust
        self.clocks = BootClocks("", 0, 0, False, ())

    @property
    def held(self) -> tuple[HeldRule, ...]:
        return self.clocks.held

    @property
    def apart_ns(self) -> int:
        """By how much the clock of now is ahead of the monotonic clock."""
        return self.clocks.apart_ns

    def look(self, site: Site) -> None:
        """The time may have been set, or believed or not: move what has to go with it."""
        store, trust = self._store, self._trust
        now, boot = trust.clock.anchor(), trust.boot_of_time
        apart_ns = now.utc_ns - now.monotonic_ns
        before = self.clocks if self.clocks.boot == boot else _read(store.fact(FACT))
        if before is None or before.boot != boot:
            self._keep(BootClocks(boot, store.next_id(), apart_ns, trust.windows_hold, ()))
            return
        step_ns, moved, held = apart_ns - before.apart_ns, [], before.held
        if abs(step_ns) < STEP_NS:
            apart_ns = before.apart_ns
        else:
            asked = store.overrides(now.utc_ns - max(0, step_ns))
            moved = [after_step(one, now.utc_ns, step_ns) for one in asked if one.id >= before.first]
            was_ns = now.utc_ns - step_ns
            begun = neighbours_windows(site, was_ns, was_ns + 1) if before.trusted else ()
            held = holding.after_step(held, begun, now.utc_ns, step_ns)
        self._keep(BootClocks(boot, before.first, apart_ns, trust.windows_hold, held), moved)

    def heard(self, others: Iterable[tuple[str, int]], site: Site) -> bool:
        """What a transmitter holds, as rules and until when by the monotonic clock; whether any of it was not known."""
        at_ns, clocks = self._trust.clock.now_ns(), self.clocks
        natural = neighbours_windows(site, at_ns, at_ns + 1) if clocks.trusted else ()
        by_clock = [(rule, until_ns + clocks.apart_ns) for rule, until_ns in others]
        held = holding.with_reported(clocks.held, natural, by_clock, at_ns, SLACK_NS)
        self._keep(clocks._replace(held=held))
        return held != clocks.held

    def _keep(self, clocks: BootClocks, moved: Iterable[Override] = ()) -> None:
        if clocks != self.clocks:
            self.clocks = clocks
            self._store.move(moved, FACT, json.dumps(clocks._asdict()))


def _read(text: str | None) -> BootClocks | None:
    """None where there is none yet, or where a bit has turned on the card."""
    try:
        kept = json.loads(text or "{}")
        held = tuple(HeldRule(str(rule), int(begin), int(end)) for rule, begin, end in kept.get("held", ()))
        return BootClocks(kept["boot"], int(kept["first"]), int(kept["apart_ns"]), bool(kept.get("trusted")), held)
    except (ValueError, LookupError, TypeError, AttributeError):
        return None
