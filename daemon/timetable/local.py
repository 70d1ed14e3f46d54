"""Local times as instants, and what becomes of one that is skipped or comes twice when the clocks change."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from gloaming.shows.time_units import SECOND_NS

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def resolve(day: date, clock: time, zone: ZoneInfo) -> int:
    """The instant (ns since the Unix epoch) of a local time, as RFC 5545 3.3.5 has it: a skipped one moves on by the
    gap, one that comes twice is its first. With fold 0, this is Python's own rule."""
    return _instant(datetime.combine(day, clock, zone).replace(fold=0))


def earliest(day: date, clock: time, zone: ZoneInfo) -> int:
    """As `resolve`, but a skipped time is the instant at which the clocks change."""
    local = datetime.combine(day, clock, zone)
    before, after = local.replace(fold=0).utcoffset(), local.replace(fold=1).utcoffset()
    if before is None or after is None or after <= before:
        return resolve(day, clock, zone)
    low_s, high_s = _instant(local.replace(fold=1)) // SECOND_NS, resolve(day, clock, zone) // SECOND_NS
    while high_s - low_s > 1:  # the change lies after the first of these two, and no later than the second
        middle_s = (low_s + high_s) // 2
        if datetime.fromtimestamp(middle_s, zone).utcoffset() == before:
            low_s = middle_s
        else:
            high_s = middle_s
    return high_s * SECOND_NS


def latest(day: date, clock: time, zone: ZoneInfo) -> int:
    """As `resolve`, but one that comes twice is its second."""
    return max(_instant(datetime.combine(day, clock, zone).replace(fold=fold)) for fold in (0, 1))


def _instant(local: datetime) -> int:
    passed = local.astimezone(UTC) - _EPOCH
    return (passed.days * 86_400 + passed.seconds) * SECOND_NS


def local_date(at_ns: int, zone: ZoneInfo) -> date:
    """The calendar date of an instant, in a zone."""
    return (_EPOCH + timedelta(seconds=at_ns // SECOND_NS)).astimezone(zone).date()
