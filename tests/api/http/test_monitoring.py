"""The season's report under many requests, which is computed once and cached; the triggers and their figures."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.planner.store import Store
from tests.api.house import house, run


class Readings:
    """Counts how often the journal is read for a report, and how many do so at once."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.all = self.now = self.most = 0
        self._lock, whole = threading.Lock(), Store.journal_between

        def counted(*args: Any) -> Iterator[dict[str, Any]]:
            with self._lock:
                self.all, self.now = self.all + 1, self.now + 1
                self.most = max(self.most, self.now)
            try:
                yield from whole(*args)
            finally:
                with self._lock:
                    self.now -= 1

        monkeypatch.setattr(Store, "journal_between", counted)


def test_four_viewers_at_once_cost_one_report_and_none_for_a_minute(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work() -> None:
        readings = Readings(monkeypatch)
        async with house(tmp_path) as here, here.client(here.device("viewer"), timeout=60) as phone:
            alike = await asyncio.gather(*(phone.get("/api/report?days=30") for _ in range(4)))
            picture = await phone.get("/api/report?days=30", headers={"Accept": "image/svg+xml"})
            assert picture.text.startswith("<svg")
            assert len({answer.text for answer in alike}) == 1
            assert readings.all == 1
            others = await asyncio.gather(*(phone.get(f"/api/report?days={days}") for days in range(20, 24)))
            assert [len(answer.json()["nights"]) for answer in others] == [20, 21, 22, 23]
            assert (readings.all, readings.most) == (5, 1)

    run(work())


def test_the_report_is_computed_again_after_a_minute_and_for_a_new_site(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def work() -> None:
        readings = Readings(monkeypatch)
        async with house(tmp_path) as here, here.client(here.token, timeout=60) as phone:
            await phone.get("/api/report?days=3")
            assert await here.planner._site_watch.reload("a test")
            await phone.get("/api/report?days=3")
            assert readings.all == 2
            monkeypatch.setattr("gloaming.api.http.monitoring.CACHE_S", 0.0)
            await phone.get("/api/report?days=3")
            assert readings.all == 3

    run(work())


def test_calls_and_refusals_of_triggers_are_listed_and_figures(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as here, here.client(here.device("viewer")) as phone:
            site = tmp_path / "site" / "site.toml"
            gate = '\n[[trigger]]\nname = "gate"\nshow = "short"\nhttp = true\ndevice = "/dev/input/event0"\n'
            site.write_text(site.read_text(encoding="utf-8") + gate, encoding="utf-8")
            await here.planner.reload("a test")
            for _ in range(3):
                await here.planner.triggers.pulled("gate", "http", here.planner.now_ns())
            (found,) = (await phone.get("/api/triggers")).json()["triggers"]
            assert found == {
                "name": "gate",
                "piece": None,
                "show": "short",
                "zone": None,
                "by": ["http", "device"],
                "last_call": "2026-12-12T18:00:00+00:00",
                "calls": 1,
                "refusals": {"plays-already": 2},
                "last_refusal": "2026-12-12T18:00:00+00:00",
                "refused_now": {
                    "code": "plays-already",
                    "rule": "site.toml:41 trigger",
                    "text": "short plays already",
                },
            }
            figures = (await phone.get("/metrics")).text.splitlines()
            assert 'gloaming_trigger_calls_total{trigger="gate"} 1.0' in figures
            assert 'gloaming_trigger_refusals_total{reason="plays-already",trigger="gate"} 2.0' in figures

    run(work())
