"""`python -m tests.bench.sun_table [PLACES]`: sunrise and sunset against an independent ephemeris, by latitude.

Every day of a year at PLACES places a band (default 25, both hemispheres, both sides of the date line), against ephem
with the standard -0.8333 degrees. "one has none" counts the days on which one of the two finds no event at all.
"""

from __future__ import annotations

import random
import sys
from datetime import UTC, date, datetime, timedelta
from time import process_time
from zoneinfo import ZoneInfo

import ephem

from gloaming.daemon.timetable.sun import Spot, solar_noon, sun_event

S = 1_000_000_000
BANDS = [(0, 10), (10, 20), (20, 30), (30, 40), (40, 50), (50, 60), (60, 65), (65, 68), (68, 72), (72, 80), (80, 89)]
YEAR = [date(2026, 1, 1) + timedelta(days=number) for number in range(365)]
HALF_DAY_S = 43_200


def reference(observer: ephem.Observer, noon_ns: int, rising: bool) -> float | None:
    """The event of a transit's half day by ephem, as a POSIX time."""
    observer.date = ephem.Date(datetime.fromtimestamp(noon_ns / S, UTC).replace(tzinfo=None))
    try:
        find = observer.previous_rising if rising else observer.next_setting
        found = float(find(ephem.Sun(), use_center=True).datetime().replace(tzinfo=UTC).timestamp())
    except (ephem.AlwaysUpError, ephem.NeverUpError):
        return None
    return found if abs(found - noon_ns / S) < HALF_DAY_S else None


def band(low: int, high: int, places: int) -> str:
    """One line of the table."""
    chance = random.Random(low)
    differences: list[float] = []
    grazing = events = 0
    ours_s = theirs_s = 0.0
    for place in range(places):
        latitude = chance.uniform(low, high) * (1 if place % 2 else -1)
        spot = Spot(latitude, chance.uniform(-180, 180), 0.0, ZoneInfo("UTC"))
        observer = ephem.Observer()
        observer.lat, observer.lon, observer.pressure = str(spot.latitude), str(spot.longitude), 0
        observer.horizon = "-0:50"
        for day in YEAR:
            for event in ("sunrise", "sunset"):
                begin = process_time()
                noon_ns, ours = solar_noon(spot, day), sun_event(spot, day, event)
                middle = process_time()
                theirs = reference(observer, noon_ns, event == "sunrise")
                ours_s, theirs_s = ours_s + middle - begin, theirs_s + process_time() - middle
                events += 1
                if (ours is None) != (theirs is None):
                    grazing += 1
                elif ours is not None and theirs is not None:
                    differences.append(abs(ours / S - theirs))
    differences.sort()
    typical, largest = differences[len(differences) // 2], differences[-1]
    above = sum(difference > 60 for difference in differences)
    speed = ours_s / theirs_s
    return f"| {low}-{high} | {events} | {typical:.1f} s | {largest:.1f} s | {above} | {grazing} | {speed:.2f} |"


def main() -> None:
    places = int(sys.argv[1]) if len(sys.argv) > 1 else 25
    print("| latitude, degrees | events | median | largest | above 60 s | one has none | our time / ephem's |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for low, high in BANDS:
        print(band(low, high, places), flush=True)


if __name__ == "__main__":
    main()
