"""A season as an iCalendar object (RFC 5545), for a phone's calendar."""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime
from hashlib import sha256

from icalendar import Calendar, Event

from gloaming.daemon.direction.season import Row
from gloaming.daemon.site import Site


def season_ics(site: Site, rows: tuple[Row, ...], made_at: datetime) -> bytes:
    """One event a night, in the site's zone with its definition; the UID of a night stays the same when its times move.

    `made_at` becomes each event's DTSTAMP (RFC 5545 3.8.7.2).
    """
    calendar = Calendar()
    calendar.add("prodid", "-//Gloaming//season//EN")
    calendar.add("version", "2.0")
    calendar.add("name", site.name)
    calendar.add("x-wr-calname", site.name)
    given: Counter[tuple[date, str]] = Counter()
    for row in rows:
        night = row.night
        given[night.date, night.show] += 1
        event = Event()
        seed = f"{site.name}/{night.show}/{given[night.date, night.show]}"
        event.add("uid", f"{night.date}-{sha256(seed.encode()).hexdigest()[:16]}@gloaming")
        event.add("dtstamp", made_at.astimezone(UTC))
        event.add("dtstart", _local(night.opens_ns, site))
        event.add("dtend", _local(row.closes_ns, site))
        event.add("summary", f"{site.name}: {night.show}")
        cut = f"\ncut by {night.cut_by}" if night.cut_by else ""
        event.add("description", f"opens: {night.opens_by}\ncloses: {night.closes_by}{cut}")
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    if rows:
        first, last = rows[0].night.date, rows[-1].night.date
        calendar.add_missing_timezones(date(first.year - 1, 1, 1), date(last.year + 1, 12, 31))
    return bytes(calendar.to_ical())


def _local(at_ns: int, site: Site) -> datetime:
    return datetime.fromtimestamp(at_ns // 1_000_000_000, site.timezone)
