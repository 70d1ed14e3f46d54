"""Neighbours' hours as windows of instants. A rule's window begins on each date it selects.

Where the sun does not come to the height that begins a window, it begins as early as it ever could; where it does not
come to the one that ends it, it lasts a day. When the clocks change, a beginning that is skipped is the instant of the
change, and an end that comes twice is its second. What was promised to the neighbours is kept, if with something to
spare.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from functools import lru_cache
from hashlib import sha256
from typing import TypeVar

from gloaming.daemon.timetable.rules import Hours
from gloaming.daemon.timetable.sun import Spot
from gloaming.daemon.timetable.times import earliest_on, first_after, instant_on
from gloaming.daemon.timetable.zones import earliest, latest, local_date
from gloaming.shows.time_units import DAY_NS

H = TypeVar("H", bound=Hours)


def windows(rules: Iterable[H], spot: Spot, from_ns: int, until_ns: int) -> tuple[tuple[int, int, H], ...]:
    """The windows `(begin_ns, end_ns, rule)` that meet `[from_ns, until_ns)`, whole, in order of their beginnings."""
    first = local_date(from_ns, spot.zone) - timedelta(days=3)
    days = (local_date(until_ns, spot.zone) - first).days + 2  # "sunrise - 9 h" begins on the evening before its date
    found: list[tuple[int, int, H]] = []
    for rule in rules:
        for shift in range(days):
            window = _window(rule, first + timedelta(days=shift), spot)
            if window and window[0] < until_ns and window[1] > from_ns:
                found.append((*window, rule))
    return tuple(sorted(found, key=lambda window: window[:2]))


@lru_cache(maxsize=1024)
def rule_id(rule: Hours, spot: Spot) -> str:
    """Names what a rule says of a spot, wherever it stands in the file: once either is edited, the name is another."""
    said = sorted(rule.model_dump(exclude={"place"}).items())
    return sha256(repr((type(rule).__name__, said, spot)).encode()).hexdigest()[:16]


@lru_cache(maxsize=50_000)
def _window(rule: Hours, day: date, spot: Spot) -> tuple[int, int] | None:
    """The window that a date has."""
    if not rule.on(day):
        return None
    begin_ns = instant_on(rule.from_, day, spot, earliest)
    if begin_ns is None:
        begin_ns = earliest_on(rule.from_, day, spot)
    first_ns = first_after(rule.to, begin_ns, spot)
    if first_ns is None:
        return begin_ns, begin_ns + DAY_NS
    second_ns = first_after(rule.to, begin_ns, spot, latest)
    return begin_ns, max(first_ns, second_ns or first_ns)
