"""The season's report under many requests, computed once and cached; triggers and their figures; holds."""

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
            assert await here.planner._parts.site_watch.reload("a test")
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
                await here.planner.outside.triggers.pulled("gate", "http", here.planner.now_ns())
            (found,) = (await phone.get("/api/triggers")).json()["triggers"]
            assert found == {
                "name": "gate",
                "piece": None,
                "show": "short",
                "zone": None,
                "by": ["http", "device"],
                "board": None,
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


def test_a_hold_is_listed_says_why_and_is_ended_for_an_hour_if_the_site_allows_it(tmp_path: Path) -> None:
    async def work() -> None:
        async with house(tmp_path) as here, here.client(here.device("operator")) as phone:
            site = tmp_path / "site" / "site.toml"
            wind = '\n[[hold]]\nname = "wind"\nhttp = true\nabove = 14\nif_silent = "ignore"\nmay_end = true\n'
            tide = '\n[[hold]]\nname = "tide"\nhttp = true\nequals = "spring"\nif_silent = "ignore"\nmakes = "paused"\n'
            site.write_text(site.read_text(encoding="utf-8") + wind + tide, encoding="utf-8")
            await here.planner.reload("a test")
            heard, now_ns = here.planner.outside.holds.heard, here.planner.now_ns()
            assert heard("wind", b"gale", now_ns) == "wind: 'gale' came; a number is expected"
            (found, other) = (await phone.get("/api/holds")).json()["holds"]
            assert (found["problem"], found["text"]) == ("wind: 'gale' came; a number is expected", "no reading yet")
            heard("wind", b"15.2", now_ns)
            (found, other) = (await phone.get("/api/holds")).json()["holds"]
            (override,) = (await phone.get("/api/now")).json()["overrides"]
            why = "15.2 is above 14 since 18:00"
            assert found == {
                "name": "wind",
                "makes": "dark",
                "zone": None,
                "level": None,
                "reading": 15.2,
                "heard": "2026-12-12T18:00:00+00:00",
                "silent": False,
                "holds": True,
                "since": "2026-12-12T18:00:00+00:00",
                "text": why,
                "may_end": True,
                "ended_until": None,
                "override": override["id"],
                "board": None,
                "problem": None,
            }
            assert (other["holds"], other["text"]) == (False, "no reading yet")
            assert (override["hold"], override["why"], override["may_end"]) == ("wind", why, True)
            reasons = (await phone.get("/api/why")).json()["reasons"]
            assert (reasons[0]["code"], reasons[0]["text"]) == ("hold-dark", f"wind: {why}")
            refused = (await phone.post("/api/rig-check", json={"pattern": "colours"})).json()
            assert refused["reasons"][0]["text"] == f"wind: {why}; it may be ended for an hour"
            called = (await phone.post("/api/overrides", json={"kind": "call", "show": "short"})).json()
            assert called["on_the_wire"] is False  # it is taken, as during a pause
            assert (await phone.delete(f"/api/overrides/{override['id']}")).status_code == 200
            (found, _) = (await phone.get("/api/holds")).json()["holds"]
            assert (found["holds"], found["ended_until"]) == (False, "2026-12-12T19:00:00+00:00")
            lines = [line["text"] for line in here.planner.journal(20, kinds=("override", "hold"))]
            assert "the hold wind is ended until 19:00" in lines and f"the hold wind begins: {why}" in lines
            heard("tide", b"spring", now_ns)
            here.planner.outside.holds.look()
            override = (await phone.get("/api/now")).json()["overrides"][-1]
            refused = (await phone.delete(f"/api/overrides/{override['id']}")).json()
            assert refused["status"] == 409
            assert refused["reasons"][0]["code"] == "hold-stays"
            assert (
                refused["reasons"][0]["text"] == "tide: it is spring since 18:00. site.toml lets nobody end this hold"
            )
            assert refused["reasons"][0]["rule"] == "site.toml:48 hold.may_end"
            for kind in ("hold-dark", "hold-pause", "hold-dim"):
                assert (await phone.post("/api/overrides", json={"kind": kind})).status_code == 422

    run(work())
