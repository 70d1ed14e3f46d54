"""Local times as instants (RFC 5545 3.3.5): a skipped one moves on by the gap, a doubled one is its first."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

SECOND_NS = 1_000_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def resolve(day: date, clock: time, zone: ZoneInfo) -> int:
    """The instant (ns since the Unix epoch) of a local time. With fold 0, Python's own rule is that of RFC 5545."""
    passed = datetime.combine(day, clock, zone).replace(fold=0).astimezone(UTC) - _EPOCH
    return (passed.days * 86_400 + passed.seconds) * SECOND_NS


def local_date(at_ns: int, zone: ZoneInfo) -> date:
    """The calendar date of an instant, in a zone."""
    return (_EPOCH + timedelta(seconds=at_ns // SECOND_NS)).astimezone(zone).date()
