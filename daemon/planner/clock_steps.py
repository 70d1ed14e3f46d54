"""Keeps overrides, and the neighbours' windows in force, on the monotonic clock when the wall clock is set.

The difference between the clocks is a fact in the state. A step writes it in one transaction with the overrides that
it moves. So the next planner corrects a step that happened while no planner ran.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from typing import NamedTuple

from gloaming.daemon.direction import rules_in_force as holding
from gloaming.daemon.direction.occurrences import neighbours_windows
from gloaming.daemon.direction.overrides import Override, after_step
from gloaming.daemon.direction.rules_in_force import HeldRule
from gloaming.daemon.direction.shared_fact import number_of
from gloaming.daemon.planner.clock import STEP_NS
from gloaming.daemon.planner.clock_trust import ClockTrust
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.site import Site
from gloaming.shows.time_units import SECOND_NS

FACT = "overrides_clocks"
SLACK_NS = SECOND_NS
"""A window that the transmitter holds for no more than this beyond the known end is not new."""


class BootClocks(NamedTuple):
    """The clocks of one boot.

    The numbers of its overrides are `first` or higher. `apart_ns` is how far the wall clock is ahead of the monotonic
    clock. `trusted` says whether windows that begin by this clock are held. `held` are the windows that are.
    """

    boot: str
    first: int
    apart_ns: int
    trusted: bool
    held: tuple[HeldRule, ...]


class ClockSteps:
    """Owns that fact. `held` has the windows in force, by the present wall clock."""

    def __init__(self, store: Store, trust: ClockTrust) -> None:
        self._store, self._trust = store, trust
        self.clocks = BootClocks("", 0, 0, False, ())

    @property
    def held(self) -> tuple[HeldRule, ...]:
        return self.clocks.held

    @property
    def apart_ns(self) -> int:
        """How far the wall clock is ahead of the monotonic clock."""
        return self.clocks.apart_ns

    def look(self, site: Site) -> None:
        """Move overrides and held windows if the wall clock was set."""
        store, trust = self._store, self._trust
        now, boot = trust.clock.anchor(), trust.boot_of_time
        apart_ns = now.utc_ns - now.monotonic_ns
        before = self.clocks if self.clocks.boot == boot else _read(store.fact(FACT))
        if before is None or before.boot != boot:
            self._keep(BootClocks(boot, number_of(store.next_id()), apart_ns, trust.windows_hold, ()))
            return
        step_ns, moved, held = apart_ns - before.apart_ns, [], before.held
        if abs(step_ns) < STEP_NS:
            apart_ns = before.apart_ns
        else:
            asked = store.overrides(now.utc_ns - max(0, step_ns))
            steps = ((one, _after_step(one, now.utc_ns, step_ns, before, site)) for one in asked)
            moved = [new.changed(site.board_name) for one, new in steps if new != one]
            was_ns = now.utc_ns - step_ns
            begun = neighbours_windows(site, was_ns, was_ns + 1) if before.trusted else ()
            held = holding.after_step(held, begun, now.utc_ns, step_ns)
        self._keep(BootClocks(boot, before.first, apart_ns, trust.windows_hold, held), moved)

    def take_over(self, others: Iterable[tuple[str, int]], site: Site) -> bool:
        """Add what a transmitter holds: rules, each with its end on the monotonic clock. True if any is new."""
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


def _after_step(one: Override, now_ns: int, step_ns: int, before: BootClocks, site: Site) -> Override:
    """An override after a step. What was asked of another board, or by an earlier boot, counts by other clocks.

    An end that is still to come was asked for here, while this clock was ahead.
    """
    if number_of(one.id) >= number_of(before.first) and (not site.boards or one.author in ("", site.board_name)):
        return after_step(one, now_ns, step_ns, begins_too=bool(site.boards))
    if site.boards and one.ended_ns is not None and now_ns < one.ended_ns <= now_ns - step_ns:
        return replace(one, ended_ns=one.ended_ns + step_ns)
    return one


def _read(text: str | None) -> BootClocks | None:
    """The stored clocks; None where there are none yet, or where the card has damaged them."""
    try:
        stored = json.loads(text or "{}")
        held = tuple(HeldRule(str(rule), int(begin), int(end)) for rule, begin, end in stored.get("held", ()))
        return BootClocks(
            stored["boot"], int(stored["first"]), int(stored["apart_ns"]), bool(stored.get("trusted")), held
        )
    except (ValueError, LookupError, TypeError, AttributeError):
        return None
