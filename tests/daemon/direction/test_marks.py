"""An order that begins on the clock, on nights when the clocks change."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from gloaming.daemon.direction.pauses import next_mark
from tests.daemon.quay_site import SECOND_NS, ns

HOUR = 3600 * SECOND_NS


@pytest.mark.parametrize(
    ("zone", "after", "every", "expected"),
    [
        ("Europe/London", "2026-12-24T17:10:00+00:00", HOUR // 2, "2026-12-24T17:30:00+00:00"),
        ("Europe/London", "2026-12-24T17:30:00+00:00", HOUR // 2, "2026-12-24T17:30:00+00:00"),
        ("Europe/London", "2026-12-24T23:50:00+00:00", HOUR // 2, "2026-12-25T00:00:00+00:00"),
        # marks begin anew at midnight: every 7 h is 00:00, 07:00, 14:00, 21:00
        ("Europe/London", "2026-12-24T21:10:00+00:00", 7 * HOUR, "2026-12-25T00:00:00+00:00"),
        # 02:00 BST -> 01:00 GMT: the clock is at a full hour again at once
        ("Europe/London", "2026-10-25T01:40:00+01:00", HOUR, "2026-10-25T01:00:00+00:00"),
        # 01:00 GMT -> 02:00 BST
        ("Europe/London", "2027-03-28T00:40:00+00:00", HOUR, "2027-03-28T02:00:00+01:00"),
        # 02:00 -> 02:30 by the clock: 02:00 does not come, and 02:30 is no full hour
        ("Australia/Lord_Howe", "2026-10-04T01:40:00+10:30", HOUR, "2026-10-04T03:00:00+11:00"),
        # 02:00 -> 01:30: the next full hour is the 02:00 that follows
        ("Australia/Lord_Howe", "2027-04-04T01:40:00+11:00", HOUR, "2027-04-04T02:00:00+10:30"),
    ],
)
def test_the_next_mark_of_the_local_clock(zone: str, after: str, every: int, expected: str) -> None:
    found = next_mark(ns(after), every, ZoneInfo(zone))
    assert datetime.fromtimestamp(found // SECOND_NS, ZoneInfo(zone)).isoformat() == expected
