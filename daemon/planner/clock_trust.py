"""Whether the clock is trusted: the kernel says so, it is plausible, or a person gave the time. Dark until then."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from gloaming.daemon.planner.clock import Clock
from gloaming.daemon.planner.kernel_clock import KernelClock, KernelClockReader
from gloaming.daemon.planner.state_file import read_facts
from gloaming.shows.time_units import SECOND_NS

FIRST_NS = int(datetime(2026, 11, 1, tzinfo=UTC).timestamp()) * SECOND_NS
"""No Gloaming has run before this."""
LAST_NS = int(datetime(2086, 1, 1, tzinfo=UTC).timestamp()) * SECOND_NS
"""A clock beyond this is wrong."""
SLACK_NS = 600 * SECOND_NS
"""How far before the newest time on record a plausible clock may stand."""
STORE_NS = 1800 * SECOND_NS
"""The newest time is stored once in this time, to spare the card."""
GUESS_NS = 300 * SECOND_NS
"""For this long after power comes, a plausible clock is a guess: a time server may still correct it."""
BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@dataclass(frozen=True, slots=True)
class Verdict:
    """Whether the clock is trusted, by what (given, synchronised, set, earlier, rtc, host, plausible), and a text."""

    trusted: bool
    by: str
    text: str


def set_from_outside() -> str | None:
    """What set the clock at boot: "rtc" (a clock with a battery) or "host" (of a virtual machine). None if nothing."""
    for flag in Path("/sys/class/rtc").glob("*/hctosys"):
        with suppress(OSError):
            if flag.read_text().strip() == "1":
                return "rtc"
    with suppress(OSError):
        if " hypervisor" in Path("/proc/cpuinfo").read_text():
            return "host"
    return None


def boot_id() -> str:
    """The kernel's name of this boot. Without one, a name that only this process has."""
    try:
        return BOOT_ID.read_text().strip()
    except OSError:
        return f"process {time.monotonic_ns()}"


def set_machine_clock(utc_ns: int) -> str | None:
    """Set the machine's clock (clock_settime(2)). None, or the problem where that is not permitted."""
    try:
        time.clock_settime_ns(time.CLOCK_REALTIME, utc_ns)
    except OSError as error:
        return error.strerror or str(error)
    return None


class Facts(Protocol):
    """Facts of the state, by name."""

    def fact(self, name: str) -> str | None: ...
    def set_fact(self, name: str, value: str) -> None: ...


class _FactsRead(dict[str, str]):
    """The facts of a state that another process writes."""

    fact = dict.get
    set_fact = dict.__setitem__


def verdict_at_a_start(state: Path, clock: Clock, rule: str) -> Verdict:
    """The verdict of a planner that starts now, by the facts in a state folder, which may be empty."""
    return ClockTrust(_FactsRead(read_facts(state / "state.db")), clock, rule).verdict


class ClockTrust:
    """Judges the clock. A clock that is trusted once stays trusted in that boot."""

    def __init__(
        self,
        store: Facts,
        clock: Clock,
        rule: str,
        ask_kernel: Callable[[], KernelClock] | None = None,
        ask_outside: Callable[[], str | None] = set_from_outside,
        boot: str | None = None,
        sets: bool = False,
        set_clock: Callable[[int], str | None] = set_machine_clock,
    ) -> None:
        """`rule` is the site's clock.trust, `sets` its clock.set."""
        self.store, self.clock, self.rule, self.sets = store, clock, rule, sets
        self._set_clock = set_clock
        self._ask_kernel, self._outside = ask_kernel or KernelClockReader().read, ask_outside()
        self.boot = boot_id() if boot is None else boot
        self._moved = clock.offset_ns != 0
        self._stored_ns = self._read_int("clock_newest_ns")
        self.given_by = self.set_by = self._not_set = ""
        self._remember()
        self.verdict = self._judge()

    @property
    def trusted(self) -> bool:
        return self.verdict.trusted

    @property
    def windows_hold(self) -> bool:
        """Whether neighbours' hours that begin by this clock hold to their end, even if the clock is set."""
        return self.trusted and not self._guessed

    @property
    def _guessed(self) -> bool:
        return self.verdict.by == "plausible" and self.clock.anchor().monotonic_ns < GUESS_NS

    @property
    def takes_a_time(self) -> bool:
        """Whether a person may give the time: if nothing else vouches for the clock."""
        return not self.trusted or self.verdict.by == "given"

    @property
    def boot_of_time(self) -> str:
        """The name of a stretch in which only a step changes the difference between the clocks: the boot, and the
        demonstration's offset."""
        return f"{self.boot}, moved by {self.clock.offset_ns}" if self._moved else self.boot

    def look(self) -> bool:
        """Judge again. True if the clock is trusted by something else than before, or no longer."""
        before = self.verdict
        if self.given_by and not self._moved and self._ask_kernel().synchronised:
            self._forget_given()
        self.verdict = self._judge()
        if self.verdict.trusted and not self._moved:
            self._store_newest()
        return (before.trusted, before.by) != (self.verdict.trusted, self.verdict.by)

    def give(self, utc_ns: int, who: str) -> None:
        """Take the time that a person gives. If the site asks for it and the machine permits it, the machine's clock
        is set. Otherwise the time is an offset until the kernel's clock is synchronised."""
        self._not_set = (self._set_clock(utc_ns) or "") if self.sets else ""
        if self.sets and not self._not_set:
            self.clock.offset_ns, self.given_by, self.set_by = 0, "", who
        else:
            self.clock.offset_ns += utc_ns - self.clock.now_ns()
            self.given_by, self.set_by = who, ""
        self.clock.stepped_ns()
        self._store_given()
        self._stored_ns = 0
        self.verdict = self._judge()

    def stepped(self, step_ns: int) -> None:
        """The machine's clock was set. A given time stays: the offset changes by the step."""
        if self.given_by:
            self.clock.offset_ns -= step_ns
            self.clock.stepped_ns()
            self._store_given()

    def _judge(self) -> Verdict:
        self.kernel, now_ns = self._ask_kernel(), self.clock.now_ns()
        shown = f"{datetime.fromtimestamp(now_ns // SECOND_NS, UTC):%Y-%m-%d %H:%M} UTC"
        if self._moved:
            return Verdict(True, "moved", "the evening is moved to now")
        if self.given_by:
            but = f"; the board's clock could not be set ({self._not_set}) and stays as it is" if self._not_set else ""
            return Verdict(True, "given", f"the time was given by {self.given_by}{but}")
        if not FIRST_NS <= now_ns <= LAST_NS:
            return Verdict(False, "nobody", f"the clock says {shown}, which cannot be")
        if self.kernel.synchronised:
            by = f", by {self.kernel.program}" if self.kernel.program else ""
            return Verdict(True, "synchronised", f"the kernel says that the clock is synchronised{by}")
        if self.set_by:
            return Verdict(True, "set", f"the board's clock was set by {self.set_by}")
        if self.store.fact("clock_trusted_boot") == self.boot:
            return Verdict(True, "earlier", "the clock was trusted earlier since power came")
        if now_ns < self._stored_ns - SLACK_NS:
            newest = datetime.fromtimestamp(self._stored_ns // SECOND_NS, UTC)
            return Verdict(False, "nobody", f"the clock says {shown}, but {newest:%Y-%m-%d %H:%M} is past already")
        if self._outside:
            by = "a clock with a battery" if self._outside == "rtc" else "the host of this virtual machine"
            return Verdict(True, self._outside, f"the clock was set by {by} when power came")
        if self.rule == "plausible":
            return Verdict(True, "plausible", "the clock is not synchronised, but plausible; the site allows that")
        return Verdict(False, "nobody", "the clock is not synchronised: no time server was reached since power came")

    def _store_newest(self) -> None:
        """Store that this boot's clock is trusted, and now and then the newest time."""
        now_ns = self.clock.now_ns()
        if self.store.fact("clock_trusted_boot") != self.boot and not self._guessed:
            self.store.set_fact("clock_trusted_boot", self.boot)
        if not self._stored_ns <= now_ns < self._stored_ns + STORE_NS:
            self._stored_ns = now_ns
            self.store.set_fact("clock_newest_ns", str(now_ns))

    def _read_int(self, name: str) -> int:
        try:
            return int(self.store.fact(name) or "0")
        except ValueError:
            return 0

    def _store_given(self) -> None:
        given = {"boot": self.boot, "offset_ns": self.clock.offset_ns, "by": self.given_by, "set_by": self.set_by}
        self.store.set_fact("clock_given", json.dumps(given))

    def _forget_given(self) -> None:
        self.clock.offset_ns, self.given_by = 0, ""
        self.store.set_fact("clock_given", "")

    def _remember(self) -> None:
        """Read the time that a person gave earlier in this boot. It holds: the machine's clock has run on since."""
        try:
            given = json.loads(self.store.fact("clock_given") or "{}")
        except ValueError:
            return
        if given.get("boot") == self.boot and not self._moved:
            self.clock.offset_ns, self.given_by = int(given["offset_ns"]), str(given["by"])
            self.set_by = str(given.get("set_by", ""))
            self.clock.stepped_ns()
