"""The sun compared with published tables, a worked example and an independent ephemeris."""

from __future__ import annotations

import csv
import random
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import astral
import astral.sun
import ephem
import pytest

from gloaming.daemon.timetable.sun import EVENTS, Spot, solar_noon, sun_after, sun_event
from tests.cases import cases
from tests.places import REFERENCE

S = 1_000_000_000
YEAR = [date(2026, 1, 1) + timedelta(days=number) for number in range(365)]
GIVEN_HEIGHT, AT_HORIZON = {"sun", "rising"}, {"sunrise", "sunset"}
NREL = Spot(39.742476, -105.1786, 0.0, ZoneInfo("Etc/GMT+7"))


def at(text: str, zone: ZoneInfo) -> int:
    local = datetime.fromisoformat(text)
    return int((local if local.tzinfo else local.replace(tzinfo=zone)).timestamp()) * S


def published(name: str) -> list[tuple[date, str, str]]:
    lines = [line for line in (REFERENCE / name).read_text().splitlines() if not line.startswith("#")]
    return [(date.fromisoformat(day), up, down) for day, up, down in csv.reader(lines[1:])]


@pytest.mark.parametrize(
    ("name", "spot"),
    [
        # NOAA Global Monitoring Laboratory, Solar Calculator, table for 2026
        ("noaa-2026-lat21.30-lon-157.85.csv", Spot(21.30, -157.85, 0.0, ZoneInfo("Pacific/Honolulu"))),
        # U.S. Naval Observatory, Rise and Set for the Sun for 2023, in UTC-7 all year
        ("usno-2023-lat36.95-lon-112.52.csv", Spot(36.95, -112.52, 0.0, ZoneInfo("Etc/GMT+7"))),
    ],
)
def test_the_published_tables_are_met_within_a_minute_on_every_day(name: str, spot: Spot) -> None:
    table = published(name)
    assert len(table) == 365
    for day, up, down in table:
        for event, clock in (("sunrise", up), ("sunset", down)):
            found = sun_event(spot, day, event)
            assert found is not None
            assert abs(found - at(f"{day}T{clock}:00", spot.zone)) <= 60 * S, (day, event)


def test_the_worked_example_of_nrel_on_the_right_evening() -> None:
    """NREL/TP-560-34302 (Reda and Andreas), appendix: 2003-10-17, UT-7: 06:12:43, 11:46:04, 17:20:19.

    Its sunset is at 00:20 UT of the 17th there, which is the evening of the 16th by local time.
    """
    assert abs(solar_noon(NREL, date(2003, 10, 17)) - at("2003-10-17T11:46:04", NREL.zone)) <= 10 * S
    rise, eve = sun_event(NREL, date(2003, 10, 17), "sunrise"), sun_event(NREL, date(2003, 10, 16), "sunset")
    assert rise is not None
    assert eve is not None
    assert abs(rise - at("2003-10-17T06:12:43", NREL.zone)) <= 60 * S
    assert abs(eve - at("2003-10-16T17:20:19", NREL.zone)) <= 60 * S
    assert abs(eve - at("2003-10-17T00:20:19+00:00", NREL.zone)) <= 60 * S


def by_ephem(observer: ephem.Observer, noon_ns: int, rising: bool) -> float | None:
    """The event next to a transit by the ephem library, with the standard -0.8333 degrees, as a POSIX time."""
    observer.date = ephem.Date(datetime.fromtimestamp(noon_ns / S, UTC).replace(tzinfo=None))
    try:
        find = observer.previous_rising if rising else observer.next_setting
        found = find(ephem.Sun(), use_center=True)
    except (ephem.AlwaysUpError, ephem.NeverUpError):
        return None
    return float(found.datetime().replace(tzinfo=UTC).timestamp())


def observer_at(spot: Spot) -> ephem.Observer:
    observer = ephem.Observer()
    observer.lat, observer.lon, observer.elevation, observer.pressure = str(spot.latitude), str(spot.longitude), 0, 0
    observer.horizon = "-0:50"
    return observer


def test_two_hundred_places_on_days_all_over_a_year_agree_with_an_independent_ephemeris() -> None:
    """ephem (VSOP87 by XEphem's library), 60 S to 60 N, longitudes on both sides of the date line.

    A place has every third day, the next place the days after those; with more cases every day.
    """
    chance = random.Random(54_486)
    places = [(chance.uniform(-60, 60), chance.uniform(-180, 180)) for _ in range(192)]
    places += [(latitude, longitude) for latitude in (-60.0, 0.0, 60.0) for longitude in (-180.0, -179.999, 180.0)]
    assert len(places) > 200
    worst = 0.0
    for number, (latitude, longitude) in enumerate(places):
        zone = ZoneInfo(f"Etc/GMT{-round(longitude / 15):+d}") if round(longitude / 15) else ZoneInfo("UTC")
        spot = Spot(latitude, longitude, 0.0, zone)
        observer = observer_at(spot)
        for day in YEAR if cases(1) > 1 else YEAR[number % 3 :: 3]:
            noon_ns = solar_noon(spot, day)
            assert datetime.fromtimestamp(noon_ns // S, zone).date() == day
            for event in ("sunrise", "sunset"):
                ours, theirs = sun_event(spot, day, event), by_ephem(observer, noon_ns, event == "sunrise")
                assert ours is not None, (latitude, longitude, day, event)
                assert theirs is not None, (latitude, longitude, day, event)
                worst = max(worst, abs(ours / S - theirs))
    assert worst <= 60


@pytest.mark.parametrize("latitude", [66.0, 69.65, 78.2, -67.6, -75.0])
def test_polar_day_and_night_agree_with_the_reference(latitude: float) -> None:
    """Beyond the polar circles, except two days at each edge of polar day and night, where the sun only just rises."""
    spot = Spot(latitude, 18.96, 0.0, ZoneInfo("UTC"))
    observer = observer_at(spot)
    for event in ("sunrise", "sunset"):
        theirs = [by_ephem(observer, solar_noon(spot, day), event == "sunrise") for day in YEAR]
        ours = [sun_event(spot, day, event) for day in YEAR]
        near = [
            abs(found - solar_noon(spot, day) / S) < 43_200 if found else False
            for found, day in zip(theirs, YEAR, strict=False)
        ]
        differing = [day for day, found, known in zip(YEAR, ours, near, strict=False) if (found is not None) != known]
        assert len(differing) <= 4, differing
        assert sum(near) < 365
        assert any(near)


@pytest.mark.parametrize(
    ("latitude", "event", "height"),
    [
        (54.486, "dusk", "-6"),
        (54.486, "dawn", "-6"),
        *(
            (latitude, event, height)
            for latitude, height in ((54.486, "-4"), (-33.9, "10"))
            for event in sorted(GIVEN_HEIGHT)
        ),
        *((33.9, event, f"{EVENTS[event].altitude:g}") for event in sorted(EVENTS.keys() - GIVEN_HEIGHT - AT_HORIZON)),
    ],
)
def test_dusk_and_heights_of_the_sun_agree_with_an_independent_ephemeris(
    latitude: float, event: str, height: str
) -> None:
    spot = Spot(latitude, 151.2, 40.0, ZoneInfo("Etc/GMT-10"))
    observer = observer_at(spot)
    observer.horizon = height
    for day in YEAR[::7]:
        ours = sun_event(spot, day, event, float(height) if event in GIVEN_HEIGHT else None)
        theirs = by_ephem(observer, solar_noon(spot, day), EVENTS[event].morning)
        assert ours is not None
        assert theirs is not None
        assert abs(ours / S - theirs) <= 60


def test_an_elevation_lowers_the_horizon_also_as_a_whole_number() -> None:
    """An observer at 1000 m sees 1.02 degrees further down: the dip acos(R / (R + h)), R = 6 356 900 m."""
    zone = ZoneInfo("UTC")
    low, high = Spot(0.0, 0.0, 0.0, zone), Spot(0.0, 0.0, 1000.0, zone)
    whole = Spot(0.0, 0.0, 1000, zone)
    for day in YEAR[::30]:
        sea, hill = sun_event(low, day, "sunset"), sun_event(high, day, "sunset")
        assert sea is not None
        assert hill is not None
        assert hill - sea == pytest.approx(1.0163 * 240 * S, rel=0.1)
        assert sun_event(whole, day, "sunset") == hill
        assert sun_event(high, day, "dusk") == sun_event(low, day, "dusk")


def test_the_sunsets_of_astral_itself_are_near() -> None:
    """astral's own sunset uses the same formulas and differs by less than two minutes."""
    spot = Spot(54.486, -0.613, 0.0, ZoneInfo("Europe/London"))
    for day in YEAR[::5]:
        theirs = astral.sun.sunset(astral.Observer(54.486, -0.613, 0.0), day, UTC)
        ours = sun_event(spot, day, "sunset")
        assert ours is not None
        assert abs(ours / S - theirs.timestamp()) < 120


def test_a_sunset_past_midnight_belongs_to_the_evening_before() -> None:
    """64.84 N, 147.72 W at midsummer; time and date after ephem's own next setting from that date's noon."""
    spot = Spot(64.84, -147.72, 0.0, ZoneInfo("America/Anchorage"))
    day = date(2026, 6, 21)
    found = sun_event(spot, day, "sunset")
    assert found is not None
    local = datetime.fromtimestamp(found / S, spot.zone)
    assert local.date() == date(2026, 6, 22)
    theirs = by_ephem(observer_at(spot), solar_noon(spot, day), False)
    assert theirs is not None
    assert abs(found / S - theirs) < 60


def test_the_next_sunset_and_sunrise_of_an_instant() -> None:
    spot = Spot(54.486, -0.613, 0.0, ZoneInfo("Europe/London"))
    noon = at("2026-12-24T12:00", spot.zone)
    assert sun_after(spot, noon, "sunset") == sun_event(spot, date(2026, 12, 24), "sunset")
    assert sun_after(spot, noon, "sunrise") == sun_event(spot, date(2026, 12, 25), "sunrise")
    polar = Spot(78.2, 15.6, 0.0, ZoneInfo("Arctic/Longyearbyen"))
    assert sun_after(polar, noon, "sunset") is None
    assert sun_after(polar, noon, "sunrise") is None


def test_a_date_that_a_zone_skipped_is_computed_too() -> None:
    """Samoa had no 2011-12-30 (tz database, Pacific/Apia: from UTC-10 to UTC+14)."""
    spot = Spot(-13.83, -171.77, 0.0, ZoneInfo("Pacific/Apia"))
    before, after = sun_event(spot, date(2011, 12, 29), "sunset"), sun_event(spot, date(2011, 12, 31), "sunset")
    assert before is not None
    assert after is not None
    assert 23 * 3600 * S < after - before < 25 * 3600 * S


def test_where_midnight_is_at_solar_noon_every_date_has_its_sunset() -> None:
    spot = Spot(31.47, -179.24, 0.0, ZoneInfo("UTC"))
    assert all(sun_event(spot, day, event) is not None for day in YEAR for event in ("sunrise", "sunset"))
