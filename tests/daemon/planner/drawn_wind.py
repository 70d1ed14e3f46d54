"""Drawn wind over a real broker, for an evening of real processes: the planner is killed, the broker stops and starts.

The reference has the windows in which the hold must begin and end, by what was published and when. Wind that is long
enough to count is a second and more longer than the lengths of the rule; a short gust or lull is a second shorter.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from itertools import count, pairwise
from pathlib import Path
from random import Random

from paho.mqtt.client import Client

from gloaming.daemon.direction.overrides import Override
from tests.api.evening import Evening
from tests.daemon.planner.drawn_zones import SECOND_NS, kill
from tests.mosquitto import Mosquitto
from tests.waiting import PATIENCE_S, wait_until

OVER, BETWEEN, CLEAR = 16, 12, 8
TABLE = """
[[hold]]
name = "wind"
mqtt = "{topic}"
above = 14
until_below = 10
for = "{for_s} s"
clear_for = "{clear_s} s"
if_silent = "ignore"
"""


@dataclass(frozen=True)
class Window:
    """A change of the hold, and the monotonic instants between which it must come."""

    begins: bool
    early_ns: int
    late_ns: int

    def has(self, begins: bool, at_ns: int) -> bool:
        return begins == self.begins and self.early_ns - SECOND_NS // 10 <= at_ns <= self.late_ns


@dataclass
class Wind:
    """The wind of an evening. `blown` has each stretch of wind: its value, and when it was heard first at the earliest
    and at the latest. `deaths` are the times without a planner, by the monotonic clock."""

    evening: Evening
    broker: Mosquitto
    client: Client
    for_s: float
    clear_s: float
    numbers: Iterator[int] = field(default_factory=count)
    blown: list[tuple[int, int, int]] = field(default_factory=list)
    deaths: list[tuple[int, int]] = field(default_factory=list)

    def publish(self, value: int) -> float:
        """Publish a reading of its own, retained."""
        reading = value + next(self.numbers) % 1000 / 1000
        self.client.publish("roof/wind", str(reading), qos=1, retain=True).wait_for_publish(PATIENCE_S)
        return reading

    def blow(self, value: int, seconds: float, outage: str = "") -> None:
        """Wind of a value, for some seconds. An `outage` comes as it begins: "changed" in the meantime, or just after
        ("same"), of the planner or the broker."""
        early_ns = time.monotonic_ns()
        if outage.startswith("changed"):
            self.go_down(value, outage, early_ns)
        else:
            self.publish(value)
            self.wait_until_heard(value)
        self.blown.append((value, early_ns, time.monotonic_ns()))
        if outage.startswith("same"):
            self.go_down(value, outage, time.monotonic_ns())
        until_s = time.monotonic() + seconds
        while time.monotonic() < until_s:
            self.publish(value)
            time.sleep(min(1.0, max(0.05, until_s - time.monotonic())))

    def go_down(self, value: int, outage: str, from_ns: int) -> None:
        if outage.endswith("planner"):
            kill(self.evening, "planner")
            self.publish(value)
        else:
            self.broker.stop()
            time.sleep(1)
            self.broker.start()
            wait_until(self.client.is_connected, "the broker")
        self.wait_until_heard(value)
        if outage.endswith("planner"):
            self.deaths.append((from_ns, time.monotonic_ns()))

    def wait_until_heard(self, value: int) -> None:
        readings: set[float] = set()

        def heard() -> bool:
            readings.add(self.publish(value))
            with suppress(OSError):
                status, found = self.evening.ask("GET", "/api/holds")
                return status == 200 and found["holds"][0]["reading"] in readings
            return False

        wait_until(heard, "a reading in the planner", every_s=0.1)  # more often would be a flood

    def windows(self, late_s: float, changes: list[tuple[bool, int]]) -> list[Window]:
        """The changes of the hold that must have come. A change is at most `late_s` late, or as late as the planner.

        On a machine that pauses, a stretch may be neither long nor short. Then it counts if the `changes` have it.
        """
        found: list[Window] = []
        holds, late_ns, now_ns = False, int(late_s * SECOND_NS), time.monotonic_ns()
        for (value, early, late), (_, next_early, next_late) in pairwise([*self.blown, (0, now_ns, now_ns)]):
            speaks, waits_s = (CLEAR, self.clear_s) if holds else (OVER, self.for_s)
            length_ns = int(waits_s * SECOND_NS)
            if value != speaks or next_late - early < length_ns:
                continue
            back = [back for died, back in self.deaths if died <= late + length_ns + late_ns and back > early]
            window = Window(not holds, early + length_ns, max([late + length_ns, *back]) + late_ns)
            if next_early - late > length_ns or any(window.has(*change) for change in changes):
                found.append(window)
                holds = not holds
        return found


@contextmanager
def windy(evening: Evening, folder: Path, for_s: float, clear_s: float) -> Iterator[Wind]:
    """A broker beside an evening that runs, with a hold of the roof's wind."""
    with Mosquitto(folder, namespace=evening.namespace) as broker:
        table = TABLE.format(topic=broker.url("roof/wind"), for_s=for_s, clear_s=clear_s)
        with (evening.folder / "site.toml").open("a", encoding="utf-8") as site:
            site.write(table)
        evening.ask("POST", "/api/reload")
        with broker.client() as client:
            client.reconnect_delay_set(1, 2)
            yield Wind(evening, broker, client, for_s, clear_s)


def blow_at_random(wind: Wind, chance: Random, seconds: float) -> None:
    """Draw wind and outages for some seconds. After an outage the wind is long enough to count."""
    until_s, settled, last = time.monotonic() + seconds, True, BETWEEN
    while time.monotonic() < until_s:
        value = chance.choice([one for one in (OVER, BETWEEN, CLEAR) if one != last])
        waits_s = wind.clear_s if value == CLEAR else wind.for_s
        long, outage = chance.random() < 0.6, ""
        if long and chance.random() < 0.5:
            when = "changed" if settled and chance.random() < 0.5 else "same"
            outage = f"{when} {chance.choice(('planner', 'broker'))}"
        shortest_s = waits_s + 2
        wind.blow(value, chance.uniform(shortest_s, 3 * shortest_s) if long else waits_s / 4, outage)
        settled, last = long, value


def differing(wind: Wind, overrides: tuple[Override, ...], late_s: float) -> tuple[int, list[str]]:
    """How many changes of the hold there are, and those that the reference has not, has too, or has at another time."""
    offset_ns = time.time_ns() - time.monotonic_ns() + wind.evening.offset_ns
    holds = sorted((one for one in overrides if one.hold == "wind"), key=lambda one: one.at_ns)
    changes = [(True, one.at_ns - offset_ns) for one in holds]
    changes += [(False, one.ended_ns - offset_ns) for one in holds if one.ended_ns is not None]
    changes.sort(key=lambda change: change[1])
    expected = wind.windows(late_s, changes)
    wrong = [] if len(changes) == len(expected) else [f"{len(changes)} changes, {len(expected)} expected"]
    for (begins, at_ns), window in zip(changes, expected, strict=False):
        if not window.has(begins, at_ns):
            apart = ", ".join(f"{(at_ns - one) / SECOND_NS:+.3f} s" for one in (window.early_ns, window.late_ns))
            wrong.append(f"begins {begins}: {apart} after the earliest and the latest instant")
    return len(expected), wrong
