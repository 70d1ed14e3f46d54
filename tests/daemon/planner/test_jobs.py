"""Jobs: a failed job runs again, a long job skips its turn, a step of the clock delays none."""

from __future__ import annotations

import asyncio
from datetime import datetime, timedelta, tzinfo
from pathlib import Path
from typing import Any

import apscheduler.schedulers.base
import pytest

from gloaming.daemon.planner import jobs as jobs_module
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.jobs import Jobs
from gloaming.daemon.planner.planner import Planner
from tests.daemon.quay_site import EVENING, TABLES, ns, site_of
from tests.waiting import PATIENCE_S, until


def test_a_job_that_fails_is_in_the_journal_and_runs_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = site_of(tmp_path / "site", TABLES, EVENING)

    async def evening() -> list[dict[str, Any]]:
        planner = Planner(site, tmp_path / "state", Clock(wall=lambda: ns("2026-12-01T18:00:00"), offset_ns=1))
        looks = []

        def look() -> None:
            looks.append(1)
            if len(looks) < 3:
                raise ValueError("no such sensor")

        monkeypatch.setattr(planner._parts.monitor, "look", look)
        await planner.start()
        await until(lambda: len(looks) >= 3, "a third look")
        lines = planner.journal(50, None, ("fault",))
        await planner.stop()
        return lines

    lines = asyncio.run(evening())
    told = "look at the board: failed, and is tried again: ValueError('no such sensor')"
    assert [line["text"] for line in lines] == [told], "once a minute, however often it fails"


def test_a_job_that_still_runs_at_its_next_turn_leaves_that_turn_out() -> None:
    at_once, most = 0, 0
    turns = [asyncio.Event() for _ in range(3)]

    async def long() -> None:
        nonlocal at_once, most
        at_once += 1
        most = max(most, at_once)
        await asyncio.sleep(0.1)
        at_once -= 1
        next(turn for turn in turns if not turn.is_set()).set()

    async def work() -> list[tuple[str, Exception]]:
        failed: list[tuple[str, Exception]] = []
        jobs = Jobs(lambda name, error: failed.append((name, error)))
        jobs.every(0.01, "long", long)
        jobs.start()
        await asyncio.wait_for(turns[1].wait(), PATIENCE_S)
        await jobs.stop()
        return failed

    assert asyncio.run(work()) == []
    assert most == 1


@pytest.mark.parametrize("while_planning", [False, True], ids=["between turns", "while it plans"])
@pytest.mark.parametrize("step", [timedelta(hours=-5), timedelta(days=302)])
def test_a_step_of_the_wall_clock_delays_no_job(
    step: timedelta, while_planning: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """APScheduler itself would wait until the wall clock is where it was."""
    stepped = timedelta()

    class Wall(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> Any:
            return datetime.now(tz) + stepped

    monkeypatch.setattr(apscheduler.schedulers.base, "datetime", Wall)
    monkeypatch.setattr(jobs_module, "datetime", Wall)

    turns: list[int] = []
    plan = jobs_module._Scheduler._process_jobs

    def step_and_plan(scheduler: Any) -> Any:
        nonlocal stepped
        if while_planning and len(turns) >= 2:
            stepped = step
        return plan(scheduler)

    monkeypatch.setattr(jobs_module._Scheduler, "_process_jobs", step_and_plan)

    async def work() -> None:
        nonlocal stepped
        jobs = Jobs(lambda name, error: None)
        jobs.every(0.05, "count", lambda: turns.append(1))
        jobs.start()
        await until(lambda: len(turns) >= 2, "a second turn")
        if while_planning:
            await until(lambda: stepped, "a step")
        stepped, before = step, len(turns)
        await until(lambda: len(turns) >= before + 3, "a turn after the step")
        await jobs.stop()

    asyncio.run(work())


def test_no_part_of_the_planner_has_a_loop_of_its_own_but_who_listens_to_the_transmitter() -> None:
    folder = Path(jobs_module.__file__).parent
    sleeping = {path.name for path in folder.glob("*.py") if "asyncio.sleep(" in path.read_text(encoding="utf-8")}
    tries_again, waits_for_an_instant = {"parts.py", "transmitter_client.py"}, {"outside.py", "site_push.py"}
    assert sleeping == {"jobs.py"} | tries_again | waits_for_an_instant


def test_a_failure_that_cannot_be_reported_is_in_the_log_of_the_service(caplog: pytest.LogCaptureFixture) -> None:
    def full(name: str, error: Exception) -> None:
        raise OSError("the journal takes nothing")

    def fail() -> None:
        raise ValueError("no such sensor")

    async def work() -> None:
        jobs = Jobs(full)
        jobs.every(0.01, "fail", fail)
        jobs.start()
        await until(lambda: "the journal takes nothing" in caplog.text, "a line of it")
        await jobs.stop()

    asyncio.run(work())
    assert "no such sensor" in caplog.text


def test_what_runs_ends_with_the_jobs(caplog: pytest.LogCaptureFixture) -> None:
    """Without a word in the log: it is no failure."""
    ended: list[str] = []

    async def for_ever() -> None:
        try:
            await asyncio.sleep(3600)
        finally:
            ended.append("it has ended")

    async def work() -> None:
        jobs, begun = Jobs(lambda name, error: None), asyncio.Event()

        async def begin() -> None:
            begun.set()
            await for_ever()

        jobs.every(60, "for ever", begin)
        jobs.start()
        await asyncio.wait_for(begun.wait(), PATIENCE_S)
        await jobs.stop()
        assert ended

    asyncio.run(work())
    assert not caplog.records


def test_work_that_is_asked_for_while_it_runs_is_done_once_more() -> None:
    """APScheduler has one instance of a job at a time, by default, and forgets the next one."""
    done: list[int] = []

    async def run() -> None:
        jobs = Jobs(lambda name, error: None)
        jobs.start()

        def work() -> None:
            done.append(len(done))
            if len(done) < 5:
                jobs.at(None, "share", work)

        jobs.at(None, "share", work)
        await until(lambda: len(done) == 5, "all of the work")
        await jobs.stop()

    asyncio.run(run())
