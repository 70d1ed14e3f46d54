"""`python -m tests.bench.report`: what the season's report costs, asked for over HTTP, as processor time and memory.

The journal is full: 400 nights, 59,000 lines. The yardstick of the same run is what cannot be spared: the 400 nights by
the timetable, and one reading of the whole journal by SQLite, with each line's data taken out of its JSON.
"""

from __future__ import annotations

import asyncio
import json
import resource
import sqlite3
import tempfile
from datetime import datetime, timedelta
from pathlib import Path
from time import process_time

from gloaming.daemon.direction.decide import instant
from gloaming.daemon.reports.nights import season
from tests.api.house import ZONE, House, house

NIGHTS, PIECES_A_NIGHT = 400, 147
LAST = datetime(2026, 12, 11, 17, tzinfo=ZONE)


def fill(house: House) -> None:
    """A line for each piece of each night, and one for its end."""
    for back in range(NIGHTS, -1, -1):
        opens_ns = instant(LAST - timedelta(days=back))
        step_ns = 5 * 3600 * 1_000_000_000 // PIECES_A_NIGHT
        data: dict[str, object] = {"show": "evening", "piece": "tide", "level": 1.0}
        text = "playing, tide: tide began 18:00:09, in order (site.toml:22 show)"
        lines = [(opens_ns + number * step_ns, "playing", text, "", data) for number in range(PIECES_A_NIGHT)]
        house.planner._parts.store.note_all(
            [*lines, (opens_ns + PIECES_A_NIGHT * step_ns, "waiting", "waiting", "", {})]
        )
    assert house.planner._parts.store.wait()


def read_all(path: Path) -> int:
    with sqlite3.connect(path) as db:
        return sum(bool(json.loads(row[5])) for row in db.execute("SELECT * FROM journal ORDER BY id"))


async def measure() -> None:
    with tempfile.TemporaryDirectory() as folder:
        async with house(Path(folder)) as here:
            fill(here)
            begin = process_time()
            read_all(here.planner._parts.store.path)
            season(here.planner.site, LAST.date() - timedelta(days=NIGHTS), LAST.date())
            yardstick_s = process_time() - begin
            print("| asked for | processor time, s | of the yardstick | memory grew by, MB |")
            print("| --- | --- | --- | --- |")
            async with here.client(here.token, timeout=600) as phone:
                for name, queries in {
                    "7 days": ["days=7"],
                    "60 days": ["days=60"],
                    "400 days": ["days=400"],
                    "400 days, four at once": [f"days=400&from=2025-11-{day:02}" for day in range(8, 12)],
                    "the same once more": [f"days=400&from=2025-11-{day:02}" for day in range(8, 12)],
                }.items():
                    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
                    begin = process_time()
                    answers = await asyncio.gather(*(phone.get(f"/api/report?{query}") for query in queries))
                    spent_s = process_time() - begin
                    grown_mb = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb) / 1024
                    assert all(len(answer.json()["nights"]) >= 7 for answer in answers)
                    print(f"| {name} | {spent_s:.2f} | {spent_s / yardstick_s:.2f} | {grown_mb:.0f} |", flush=True)


if __name__ == "__main__":
    asyncio.run(measure())
