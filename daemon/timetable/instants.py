"""From a time as it is written and a date to the instant it stands for."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, time, timedelta
from zoneinfo import ZoneInfo

from gloaming.daemon.timetable.grammar import TimeExpression
from gloaming.daemon.timetable.local import local_date, resolve
from gloaming.daemon.timetable.sun import EVENTS, Spot, solar_noon, sun_event
from gloaming.shows.time_units import DAY_NS

HALF_DAY_NS = DAY_NS // 2
AFTER_NS = 3 * HALF_DAY_NS
Resolve = Callable[[date, time, ZoneInfo], int]
"""How a time of the clock becomes an instant on the nights when the clocks change: one of local.py's functions."""


def instant_on(time: TimeExpression, day: date, spot: Spot, by: Resolve = resolve) -> int | None:
    """The instant of a time that belongs to a calendar date; None where the sun does not come to it."""
    if time.clock is not None:
        return by(day, time.clock, spot.zone)
    assert time.event is not None
    at_ns = sun_event(spot, day, time.event, time.altitude)
    return None if at_ns is None else at_ns + time.offset_ns


def earliest_on(time: TimeExpression, day: date, spot: Spot) -> int:
    """The earliest instant at which a time of the sun could ever stand on a date, whether it does or not."""
    assert time.event is not None
    noon_ns = solar_noon(spot, day)
    return time.offset_ns + (noon_ns - HALF_DAY_NS if EVENTS[time.event].morning else noon_ns)


def first_after(time: TimeExpression, at_ns: int, spot: Spot, by: Resolve = resolve) -> int | None:
    """The first instant after another at which a time stands, within 36 hours; a sun's height counts both ways."""
    day = local_date(at_ns, spot.zone)
    times = [time]
    if time.event == "sun":
        times.append(TimeExpression(time.text, None, "rising", time.altitude, time.offset_ns))
    found = [instant_on(each, day + timedelta(days=shift), spot, by) for each in times for shift in range(-1, 3)]
    later = [found_ns for found_ns in found if found_ns is not None and at_ns < found_ns <= at_ns + AFTER_NS]
    return min(later, default=None)
