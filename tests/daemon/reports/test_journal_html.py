"""The journal as a page."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from gloaming.daemon.reports.journal_html import lines_page

AT = datetime(2026, 12, 13, 9, tzinfo=UTC)
HOUR_NS = 3600 * 10**9


def test_the_journal_is_printed_day_by_day_in_the_time_of_the_site_and_escaped() -> None:
    midnight_ns = int(datetime(2026, 12, 12, 23, 30, tzinfo=UTC).timestamp()) * 10**9
    rows = [
        {"at_ns": midnight_ns - 2 * HOUR_NS, "kind": "override", "text": "pause <b>15</b>", "who": "Anna & Ben"},
        {"at_ns": midnight_ns, "kind": "start", "text": "the planner has started", "who": ""},
    ]
    text = lines_page(rows, "the <quay>", ZoneInfo("Europe/Berlin"), AT)
    days = [line for line in text.splitlines() if line.startswith("<h2>")]
    assert days == ["<h2>Saturday 12 December 2026</h2>", "<h2>Sunday 13 December 2026</h2>"]
    assert "22:30:00" in text and "00:30:00" in text and "10:00. Times are those of Europe/Berlin" in text
    assert "<b>" not in text and "the &lt;quay&gt;" in text and "Anna &amp; Ben" in text


def test_an_empty_journal_says_so() -> None:
    assert "The journal has no lines yet." in lines_page([], "the quay", ZoneInfo("Europe/Berlin"), AT)
