"""When each piece plays next: the same as `decide` shows."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest

from gloaming.daemon.direction.decide import decide, instant
from gloaming.daemon.reports.next_turns import next_turns
from gloaming.daemon.site.load import load_site
from gloaming.shows.time_units import SECOND_NS
from tests.api.house import ZONE, write_site

LATER = """
[[piece]]
name = "swell"
frames = "tide.frames"

[[piece]]
name = "unused"
frames = "tide.frames"

[[show]]
name = "last night"
order = ["swell"]

[[performance]]
show = "last night"
from = "17:00"
to = "22:00"
dates = ["2027-01-06"]
rank = 2
"""


@pytest.mark.parametrize("at", ["2026-12-12T12:00", "2026-12-12T18:00:07", "2026-12-12T21:59:50", "2026-12-13T02:00"])
def test_each_piece_begins_at_the_instant_that_is_listed_and_not_before(at: str, tmp_path: Path) -> None:
    folder = write_site(tmp_path / "site")
    text = (folder / "site.toml").read_text()
    (folder / "site.toml").write_text(text + LATER)
    site = load_site(folder)
    now_ns = instant(datetime.fromisoformat(at).replace(tzinfo=ZONE))
    turns = next_turns(site, now_ns)
    assert turns.keys() == {"tide", "lanterns", "swell"}
    assert turns["swell"] == instant(datetime(2027, 1, 6, 17, tzinfo=ZONE))
    for name, at_ns in turns.items():
        begins = decide(at_ns, site)
        assert (begins.piece, begins.frame) == (name, 0)
        before = range(now_ns, min(at_ns, now_ns + 120 * SECOND_NS), SECOND_NS // 2)
        decided = [decide(one_ns, site) for one_ns in before]
        assert not [one.at_ns for one in decided if (one.piece, one.frame) == (name, 0)]
