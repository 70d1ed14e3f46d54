"""A season as an iCalendar object (RFC 5545), for a phone's calendar."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from zoneinfo import ZoneInfo

from icalendar import Calendar, Event, Timezone, TimezoneDaylight, TimezoneStandard

from gloaming.daemon.reports.nights import SeasonNight
from gloaming.daemon.site.site import Site
from gloaming.shows.time_units import DAY_S, SECOND_NS


def season_ics(site: Site, rows: tuple[SeasonNight, ...], made_at: datetime) -> bytes:
    """One event a night, in the site's time zone. A night keeps its UID when its times move.

    `made_at` is each event's DTSTAMP (RFC 5545 3.8.7.2).
    """
    calendar = Calendar()
    calendar.add("prodid", "-//Gloaming//season//EN")
    calendar.add("version", "2.0")
    calendar.add("name", site.name)
    calendar.add("x-wr-calname", site.name)
    if rows:
        calendar.add_component(_timezone(site.timezone, rows[0].night.opens_ns, rows[-1].closes_ns))
    count: Counter[tuple[date, str]] = Counter()
    for row in rows:
        night = row.night
        count[night.date, night.show] += 1
        event = Event()
        seed = f"{site.name}/{night.show}/{count[night.date, night.show]}"
        event.add("uid", f"{night.date}-{sha256(seed.encode()).hexdigest()[:16]}@gloaming")
        event.add("dtstamp", made_at.astimezone(UTC))
        event.add("dtstart", _local(night.opens_ns, site))
        event.add("dtend", _local(row.closes_ns, site))
        event.add("summary", f"{site.name}: {night.show}")
        cut = f"\ncut by {night.cut_by}" if night.cut_by else ""
        event.add("description", f"opens: {night.opens_by}\ncloses: {night.closes_by}{cut}")
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _timezone(zone: ZoneInfo, from_ns: int, until_ns: int) -> Timezone:
    """The zone's definition for a season (RFC 5545 3.6.5): its offset at first, then a part for every change."""
    found = Timezone()
    found.add("tzid", zone.key)
    begin_s, end_s = from_ns // SECOND_NS // DAY_S * DAY_S - DAY_S, until_ns // SECOND_NS + DAY_S
    changes = [
        _change(zone, at_s)
        for at_s in range(begin_s, end_s, DAY_S)
        if _offset(zone, at_s) != _offset(zone, at_s + DAY_S)
    ]
    for at_s in (begin_s, *changes):
        before, after = _offset(zone, at_s - 1 if at_s in changes else at_s), _offset(zone, at_s)
        local = datetime.fromtimestamp(at_s, zone)
        part = TimezoneDaylight() if local.dst() else TimezoneStandard()
        part.add("dtstart", datetime.fromtimestamp(at_s, UTC).replace(tzinfo=None) + before)
        part.add("tzoffsetfrom", before)
        part.add("tzoffsetto", after)
        part.add("tzname", local.tzname() or zone.key)
        found.add_component(part)
    return found


def _offset(zone: ZoneInfo, at_s: int) -> timedelta:
    return datetime.fromtimestamp(at_s, zone).utcoffset() or timedelta(0)


def _change(zone: ZoneInfo, first_s: int) -> int:
    """The second at which the zone's offset changes within a day."""
    before, last_s = _offset(zone, first_s), first_s + DAY_S
    while last_s - first_s > 1:
        middle_s = (first_s + last_s) // 2
        first_s, last_s = (middle_s, last_s) if _offset(zone, middle_s) == before else (first_s, middle_s)
    return last_s


def _local(at_ns: int, site: Site) -> datetime:
    return datetime.fromtimestamp(at_ns // SECOND_NS, site.timezone)
