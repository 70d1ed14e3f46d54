"""When the clock is trusted: the kernel says so, it is plausible, or a person gave the time."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.direction.decide import Decision
from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.clock_trust import ClockTrust
from gloaming.daemon.planner.kernel_clock import KernelClock
from gloaming.daemon.planner.planner import Planner
from gloaming.daemon.planner.store import Store
from gloaming.daemon.site.load import load_site
from tests.daemon.numbered import write_site

S = 1_000_000_000
DECEMBER = int(datetime(2026, 12, 12, 17, tzinfo=UTC).timestamp()) * S


class Machine:
    """A machine whose clocks and kernel a test sets."""

    def __init__(self, folder: Path, wall_ns: int) -> None:
        self.wall_ns, self.monotonic_ns = wall_ns, 50 * S
        self.store = Store(folder, wall_ns)
        self.synchronised, self.outside, self.boot = False, "", "boot 1"
        self.sets, self.forbids = False, ""
        self.clock = self._clock()

    def _clock(self) -> Clock:
        return Clock(0, lambda: self.wall_ns, lambda: self.monotonic_ns)

    def planner_starts(self, rule: str = "synchronised") -> ClockTrust:
        self.clock = self._clock()
        return ClockTrust(
            self.store,
            self.clock,
            rule,
            lambda: KernelClock(self.synchronised),
            lambda: self.outside or None,
            self.boot,
            self.sets,
            self.set_clock,
        )

    def set_clock(self, utc_ns: int) -> str | None:
        if self.forbids:
            return self.forbids
        self.wall_ns = utc_ns
        return None

    def passes(self, seconds: float) -> None:
        self.wall_ns += int(seconds * S)
        self.monotonic_ns += int(seconds * S)


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path / "state", DECEMBER)


def test_a_clock_that_no_time_server_has_set_is_not_believed(machine: Machine) -> None:
    trust = machine.planner_starts()
    assert not trust.trusted
    assert "no time server" in trust.verdict.text


def test_once_synchronised_it_is_believed_until_the_power_goes(machine: Machine) -> None:
    trust = machine.planner_starts()
    machine.synchronised = True
    assert trust.look()
    assert trust.trusted
    machine.synchronised = False  # the router is off for a week: the kernel gives up
    machine.passes(600_000)
    trust.look()
    assert trust.trusted
    assert machine.planner_starts().trusted, "the planner alone was restarted"
    machine.boot = "boot 2"
    assert not machine.planner_starts().trusted


@pytest.mark.parametrize("year", [1970, 1999, 2025, 2106])
@pytest.mark.parametrize("rule", ["synchronised", "plausible"])
def test_a_year_that_cannot_be_is_never_believed(tmp_path: Path, year: int, rule: str) -> None:
    machine = Machine(tmp_path / "state", int(datetime(year, 1, 2, tzinfo=UTC).timestamp()) * S)
    machine.outside, machine.synchronised = "rtc", year == 1970
    trust = machine.planner_starts(rule)
    assert not trust.trusted
    assert str(year) in trust.verdict.text


def test_the_last_second_of_32_bits_is_a_second_as_any_other(tmp_path: Path) -> None:
    machine = Machine(tmp_path / "state", (2**31 - 1) * S)
    trust = machine.planner_starts("plausible")
    for _ in range(3):
        assert trust.trusted
        machine.passes(1)
        trust.look()


def test_where_the_site_allows_it_a_plausible_clock_is_believed(machine: Machine) -> None:
    assert machine.planner_starts("plausible").verdict.by == "plausible"


def test_a_clock_that_stands_before_the_newest_time_on_record_is_not_plausible(machine: Machine) -> None:
    machine.planner_starts("plausible").look()
    machine.boot, machine.wall_ns = "boot 2", DECEMBER - 86_400 * S
    trust = machine.planner_starts("plausible")
    assert not trust.trusted
    assert "2026-12-12 17:00 is past already" in trust.verdict.text


@pytest.mark.parametrize("outside", ["rtc", "host"])
def test_a_clock_set_from_outside_at_boot_is_believed(machine: Machine, outside: str) -> None:
    machine.outside = outside
    assert machine.planner_starts().verdict.by == outside


def test_the_time_that_a_person_gives_holds_through_a_restart_of_the_planner(machine: Machine) -> None:
    machine.wall_ns = 86_400 * S
    trust = machine.planner_starts()
    trust.give(DECEMBER, "Ada's phone")
    assert trust.trusted
    assert machine.clock.now_ns() == DECEMBER
    assert machine.clock.stepped_ns() == 0
    machine.passes(30)
    again = machine.planner_starts()
    assert again.trusted
    assert machine.clock.now_ns() == DECEMBER + 30 * S
    machine.boot = "boot 2"
    assert not machine.planner_starts().trusted


def test_a_given_time_stands_when_the_machine_s_clock_is_set_and_gives_way_to_the_kernel_s(machine: Machine) -> None:
    machine.wall_ns = 86_400 * S
    trust = machine.planner_starts()
    trust.give(DECEMBER, "Ada's phone")
    machine.wall_ns += 5000 * S
    step_ns = machine.clock.stepped_ns()
    assert step_ns == 5000 * S
    trust.stepped(step_ns)
    assert machine.clock.now_ns() == DECEMBER
    machine.wall_ns, machine.synchronised = DECEMBER + 7 * S, True
    trust.stepped(machine.clock.stepped_ns())
    assert trust.look()
    assert trust.verdict.by == "synchronised"
    assert machine.clock.now_ns() == DECEMBER + 7 * S


def test_where_the_site_asks_for_it_the_time_that_a_person_gives_sets_the_machine_s_clock(machine: Machine) -> None:
    machine.wall_ns, machine.sets = 86_400 * S, True
    trust = machine.planner_starts()
    trust.give(DECEMBER, "Ada's phone")
    assert (machine.wall_ns, machine.clock.offset_ns, machine.clock.stepped_ns()) == (DECEMBER, 0, 0)
    assert (trust.verdict.by, trust.verdict.text) == ("set", "the board's clock was set by Ada's phone")
    machine.passes(30)
    assert machine.planner_starts().verdict.by == "set", "the planner alone was restarted"
    assert machine.clock.now_ns() == DECEMBER + 30 * S
    machine.boot = "boot 2"
    assert not machine.planner_starts().trusted


def test_once_the_clock_is_set_the_score_goes_by_it_and_the_step_is_taken_as_any_other(machine: Machine) -> None:
    """The time that is given is the one that it is: whatever is set by it is set as it was."""
    folder = machine.store.path.parent / "site"
    write_site(folder, "127.0.75.4", 'from = "12:00"\nto = "06:00"', site="[clock]\nset = true\n\n")
    machine.wall_ns, given_ns = 86_400 * S, time.time_ns()

    async def evening() -> tuple[Decision, dict[str, Any], list[str]]:
        planner = Planner(load_site(folder), folder, machine.clock)
        trust = planner._parts.situation.trust
        trust._set_clock, trust._ask_kernel = machine.set_clock, KernelClock
        assert planner._parts.situation.current(machine.clock.now_ns()).state == "no-clock"
        planner.give_time(given_ns, "Ada's phone")
        planner._parts.situation.after_step()
        decision, score = planner._parts.situation.current(given_ns), planner._parts.client._newest["score"]
        lines = [str(row["text"]) for row in planner.journal(3)]
        planner._parts.close()
        return decision, score, lines

    decision, score, lines = asyncio.run(evening())
    assert machine.wall_ns == given_ns
    assert decision.state != "no-clock"
    assert (score["wall_offset_ns"], score["offset_ns"] + machine.monotonic_ns) == (0, given_ns)
    assert "the board's clock was set by Ada's phone" in lines
    assert not [line for line in lines if "stepped" in line], "it is told once"


def test_a_clock_that_was_set_follows_whoever_sets_it_next(machine: Machine) -> None:
    machine.wall_ns, machine.sets = 86_400 * S, True
    trust = machine.planner_starts()
    trust.give(DECEMBER, "Ada's phone")
    machine.wall_ns, machine.synchronised = DECEMBER + 7 * S, True  # a time server is reached after all
    trust.stepped(machine.clock.stepped_ns())
    trust.look()
    assert (trust.verdict.by, machine.clock.offset_ns) == ("synchronised", 0)
    assert machine.clock.now_ns() == DECEMBER + 7 * S


def test_a_time_that_was_an_offset_becomes_the_machine_s_own_once_that_is_permitted(machine: Machine) -> None:
    machine.wall_ns, machine.sets, machine.forbids = 86_400 * S, True, "Operation not permitted"
    trust = machine.planner_starts()
    trust.give(DECEMBER, "Ada's phone")
    assert (machine.wall_ns, machine.clock.now_ns()) == (86_400 * S, DECEMBER)
    assert trust.verdict.by == "given"
    assert trust.verdict.text.endswith(
        "; the board's clock could not be set (Operation not permitted) and stays as it is"
    )
    assert "\n" not in trust.verdict.text
    machine.forbids = ""
    trust.give(DECEMBER + S, "Ada's phone")
    assert (machine.wall_ns, machine.clock.offset_ns, trust.verdict.by) == (DECEMBER + S, 0, "set")
    assert machine.planner_starts().verdict.by == "set"


def test_whoever_has_no_right_to_the_clock_is_told_so_by_the_kernel() -> None:
    """Without any capability, and with the time that it is anyway: nothing can be set by this test."""
    code = (
        "import time; from gloaming.daemon.planner.clock_trust import set_machine_clock as s; print(s(time.time_ns()))"
    )
    bare = ["setpriv", "--bounding-set=-all", "--inh-caps=-all", "--securebits=+noroot,+noroot_locked"]
    command = [*(bare if os.geteuid() == 0 else []), sys.executable, "-c", code]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert said == "Operation not permitted\n"


def test_the_clock_is_set_only_where_the_site_says_so(tmp_path: Path) -> None:
    write_site(tmp_path, "127.0.75.2", 'from = "12:00"\nto = "06:00"')
    assert not load_site(tmp_path).clock.set
    path = tmp_path / "site.toml"
    path.write_text(path.read_text() + "\n[clock]\nset = true\n")
    assert load_site(tmp_path).clock.set


def test_the_newest_time_is_put_on_record_seldom(machine: Machine) -> None:
    trust = machine.planner_starts("plausible")
    written = []
    machine.store.set_fact = lambda name, value: written.append(name)  # type: ignore[method-assign]  # counts
    machine.store.fact = lambda name: "boot 1"  # type: ignore[method-assign]  # as it was written before
    for _ in range(3600):
        machine.passes(1)
        trust.look()
    assert len(written) <= 3


def test_a_step_of_302_days_leaves_each_periodic_job_one_turn(machine: Machine) -> None:
    """APScheduler looks which turns have come, one by one: every five seconds of 302 days are 5,218,560 of them."""
    folder = machine.store.path.parent / "site"
    write_site(folder, "127.0.75.5", 'from = "12:00"\nto = "06:00"')

    async def turns() -> dict[str, int]:
        planner = Planner(load_site(folder), folder, machine.clock)
        await planner.start()
        stepped = datetime.now(UTC) + timedelta(days=302)
        found = {job.name: len(job._get_run_times(stepped)) for job in planner._parts.jobs._scheduler.get_jobs()}
        await planner.stop()
        return found

    found = asyncio.run(turns())
    assert {"decide again", "try the disk"} <= set(found)
    assert set(found.values()) == {1}
