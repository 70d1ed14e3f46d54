"""From a time as it is written and a date to the instant it stands for."""

from __future__ import annotations

from datetime import date, timedelta

from gloaming.daemon.timetable.grammar import TimeExpression
from gloaming.daemon.timetable.local import local_date, resolve
from gloaming.daemon.timetable.sun import Spot, sun_event


def instant_on(time: TimeExpression, day: date, spot: Spot) -> int | None:
    """The instant of a time that belongs to a calendar date; None where the sun does not come to it."""
    if time.clock is not None:
        return resolve(day, time.clock, spot.zone)
    assert time.event is not None
    at_ns = sun_event(spot, day, time.event, time.altitude)
    return None if at_ns is None else at_ns + time.offset_ns


def first_after(time: TimeExpression, at_ns: int, spot: Spot) -> int | None:
    """The first instant after another at which a time stands, within two days; a sun's height counts both ways."""
    day = local_date(at_ns, spot.zone)
    times = [time]
    if time.event == "sun":
        times.append(TimeExpression(time.text, None, "rising", time.altitude, time.offset_ns))
    found = [instant_on(each, day + timedelta(days=shift), spot) for each in times for shift in range(-1, 3)]
    return min((found_ns for found_ns in found if found_ns is not None and found_ns > at_ns), default=None)
