"""All periodic work of the planner: named jobs on the event loop, by APScheduler.

A job that fails runs again at its next turn. A job that still runs at its next turn skips that turn.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from inspect import isawaitable

from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.base import BaseTrigger
from apscheduler.triggers.date import DateTrigger

LOOK_S = 1.0
INSTANCES_MAX = 1000
"""APScheduler forgets a job whose time comes while so many like it run. With one, work that is asked for by the work
itself would never be done."""
Work = Callable[[], object]
Turns = tuple[float, str, Work]
"""Seconds between the turns of some work, its name, and the work. Its result is awaited if it is awaitable."""


class Every(BaseTrigger):  # type: ignore[misc]  # APScheduler has no types
    """Turns a number of seconds apart, each counted from the one before.

    APScheduler's own interval walks through every turn that a step of the wall clock skips: millions in 302 days.
    """

    def __init__(self, seconds: float) -> None:
        self.interval = timedelta(seconds=seconds)

    def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime:
        return now + self.interval


class _Scheduler(AsyncIOScheduler):  # type: ignore[misc]  # APScheduler has no types
    """APScheduler counts by the wall clock. When that is set back, each job's next turn comes within its interval.

    The clock is looked at once a second or more often, also when it is set while the next turn is planned.
    """

    def wakeup(self) -> None:
        now = datetime.now(UTC)
        for job in self.get_jobs():
            if isinstance(job.trigger, Every) and job.next_run_time > now + job.trigger.interval:
                job.modify(next_run_time=now + job.trigger.interval)
        super().wakeup()

    def _start_timer(self, wait_seconds: float | None) -> None:
        super()._start_timer(None if wait_seconds is None else min(wait_seconds, LOOK_S))


class Jobs:
    """The jobs. `failed` is called with each failure."""

    def __init__(self, failed: Callable[[str, Exception], None]) -> None:
        self._failed = failed
        self._running: set[asyncio.Task[object]] = set()
        self._scheduler = _Scheduler(timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": None})
        logging.getLogger("apscheduler.scheduler").setLevel(logging.ERROR)  # it warns of each skipped turn

    def every(self, seconds: float, name: str, work: Work) -> None:
        """Do some work at once, and then every `seconds`."""
        self._add(name, work, Every(seconds), next_run_time=datetime.now(UTC))

    def at(self, when: datetime | None, name: str, work: Work) -> None:
        """Do some work once, at an instant of the wall clock; None: at once. Replaces the job with that name, unless it
        runs already: then it runs once more."""
        self._add(name, work, DateTrigger(when or datetime.now(UTC)), max_instances=INSTANCES_MAX)

    def _add(self, name: str, work: Work, trigger: BaseTrigger, **more: datetime | int) -> None:
        async def turn() -> None:  # a coroutine: APScheduler runs anything else in a thread
            task = asyncio.current_task()
            assert task
            self._running.add(task)
            try:
                result = work()
                if isawaitable(result):
                    await result
            except asyncio.CancelledError:
                return  # by `stop`; APScheduler logs it as a failure otherwise
            except Exception as error:
                self._failed(name, error)
            finally:
                self._running.discard(task)

        self._scheduler.add_job(turn, trigger, id=name, name=name, replace_existing=True, **more)

    def start(self) -> None:
        """Begin, on the running loop."""
        self._scheduler.start()

    async def stop(self) -> None:
        """Begin no more turns, and cancel those that run."""
        self._scheduler.pause()
        await asyncio.sleep(0)  # a turn that is about to begin joins those that run
        for task in self._running:
            task.cancel()
        await asyncio.gather(*self._running, return_exceptions=True)
        self._scheduler.shutdown(wait=False)
