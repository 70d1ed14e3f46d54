"""The currents of strings, ports, supplies and circuits: highest, mean, and steady over ten seconds.

A pixel draws in proportion to its slots (pulse width): `ma_per_channel` at 255, times the controller's own brightness.
A dark pixel draws `idle_ma` all the time. A fixture with `watts` counts at full all the time. A port and a supply add
up their strings, as if each string drew all its current there. A circuit adds up what its supplies take from the mains.
Sums of slots are exact. Currents are computed at full brightness; `Load.at` gives them at another one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from math import inf

import numpy as np
import numpy.typing as npt

from gloaming.shows.rig.draw import Feed, fed_volts, feeds, idle_ma, slot_ma
from gloaming.shows.rig.model import Rig

Doubles = npt.NDArray[np.float64]
STEADY_S = 10


@dataclass(frozen=True, slots=True)
class Load:
    """The current of one string, port, supply or circuit in a piece, and its limit, in amperes.

    `kind` is "string", "port", "supply" or "circuit". A limit or volts of None are not known; a string on a port has no
    limit of its own. `peak_frame` is the frame of the highest current. `steady_frame` is the first frame of the ten
    seconds with the most current. A shorter piece counts as a whole. `fixed_a` is the part of each current that is the
    same at any brightness: dark pixels and fixtures.
    """

    kind: str
    name: str
    place: str
    limit_a: float | None
    volts: float | None
    peak_a: float
    peak_frame: int
    steady_a: float
    steady_frame: int
    mean_a: float
    fixed_a: float

    def at(self, brightness: float) -> Load:
        """The load at a brightness 0..1."""
        return replace(
            self,
            peak_a=self.fixed_a + (self.peak_a - self.fixed_a) * brightness,
            steady_a=self.fixed_a + (self.steady_a - self.fixed_a) * brightness,
            mean_a=self.fixed_a + (self.mean_a - self.fixed_a) * brightness,
        )

    @property
    def holds_at(self) -> float | None:
        """The relative brightness at which the highest current reaches the limit. None without a limit.

        0 if dark pixels and fixtures alone draw more. Infinite if it is never lit.
        """
        if self.limit_a is None:
            return None
        light_a, room_a = self.peak_a - self.fixed_a, self.limit_a - self.fixed_a
        if room_a < 0:
            return 0.0
        return room_a / light_a if light_a > 0 else inf


class Currents:
    """Adds up blocks of frames, in order. The unit is slots times milliamperes, so sums are exact."""

    def __init__(self, rig: Rig, fps: Fraction) -> None:
        self.rig = rig
        self.frames = 0
        self._window = max(1, round(STEADY_S * fps))
        self._ma = np.array(slot_ma(rig))
        self._columns = _Columns(rig)
        columns = len(self._columns.names)
        self._peak, self._peak_frame = np.full(columns, -1.0), np.zeros(columns, np.intp)
        self._steady, self._steady_frame = np.full(columns, -1.0), np.zeros(columns, np.intp)
        self._total = np.zeros(columns)
        self._totals = np.zeros((self._window, columns))  # the totals before each of the last frames

    def add(self, sums: Doubles) -> None:
        """Add the next frames: the sum of the slots of each string, `(frames, strings)`."""
        drawn = self._columns.all(sums * self._ma)
        for first in range(0, len(drawn), self._window):
            self._add(drawn[first : first + self._window])

    def _add(self, drawn: Doubles) -> None:
        at = drawn.argmax(axis=0)
        highest = drawn[at, np.arange(drawn.shape[1])]
        better = highest > self._peak
        self._peak[better], self._peak_frame[better] = highest[better], self.frames + at[better]
        totals = self._total + np.cumsum(drawn, axis=0)
        numbers = self.frames + np.arange(len(drawn))
        places = (numbers + 1) % self._window
        before = self._totals[places]  # the totals a window ago
        self._totals[places] = totals
        if numbers[-1] + 1 >= self._window:
            steady = np.where((numbers + 1 >= self._window)[:, None], totals - before, -1.0)
            at = steady.argmax(axis=0)
            highest = steady[at, np.arange(drawn.shape[1])]
            better = highest > self._steady
            self._steady[better] = highest[better]
            self._steady_frame[better] = self.frames + at[better] + 1 - self._window
        self._total = totals[-1]
        self.frames += len(drawn)

    def loads(self) -> tuple[Load, ...]:
        """The loads of the strings, ports, supplies and circuits, in this order, at full brightness."""
        frames, window = max(1, self.frames), self._window
        short = self.frames < window
        steady = self._total / frames if short else self._steady / window
        return tuple(
            Load(
                *name,
                peak_a=fixed_a + max(0.0, float(self._peak[at])) / 255_000,
                peak_frame=int(self._peak_frame[at]),
                steady_a=fixed_a + steady[at] / 255_000,
                steady_frame=0 if short else int(self._steady_frame[at]),
                mean_a=fixed_a + self._total[at] / frames / 255_000,
                fixed_a=fixed_a,
            )
            for at, (name, fixed_a) in enumerate(zip(self._columns.names, self._columns.fixed_a, strict=True))
        )


class _Columns:
    """The strings, ports, supplies and circuits. `names` has kind, name, place, limit and volts of each."""

    def __init__(self, rig: Rig) -> None:
        shared = [feed for feed in feeds(rig) if feed.kind != "string"]
        supply_at = {feed.name: at for at, feed in enumerate(shared) if feed.kind == "supply"}
        volts_of = {circuit.name: circuit.volts for circuit in rig.circuit}
        self._mains = np.zeros(len(shared))  # amperes of the mains for an ampere of a supply
        fed: dict[str, list[int]] = {circuit.name: [] for circuit in rig.circuit}
        for supply in rig.supply:
            if supply.circuit:
                at = supply_at[supply.name]
                self._mains[at] = supply.volts / supply.efficiency / volts_of[supply.circuit]
                fed[supply.circuit].append(at)
        self._shared = _Sums([feed.strings for feed in shared])
        self._circuits = _Sums(list(fed.values()))
        self.names = tuple(_names(rig, shared))
        always_a = np.array([[feed.always_ma / 1000 for feed in shared]])
        lamps_a = dict.fromkeys(volts_of, 0.0)
        for fixture in rig.fixture:
            if fixture.circuit:
                lamps_a[fixture.circuit] += (fixture.watts or 0.0) / volts_of[fixture.circuit]
        mains_a = self._circuits.sums(always_a * self._mains)[0] + list(lamps_a.values())
        self.fixed_a = [*(idle_ma(string) / 1000 for string in rig.string), *always_a[0].tolist(), *mains_a.tolist()]

    def all(self, strings: Doubles) -> Doubles:
        """The currents of the strings, `(frames, strings)`, and what they add up to: `(frames, columns)`."""
        shared = self._shared.sums(strings)
        return np.concatenate([strings, shared, self._circuits.sums(shared * self._mains)], axis=1)


class _Sums:
    """Adds up columns: `groups` has the columns of each sum."""

    def __init__(self, groups: Sequence[Sequence[int]]) -> None:
        self._count = len(groups)
        self._columns = np.array([column for group in groups for column in group], np.intp)
        lengths = np.array([len(group) for group in groups], np.intp)
        self._some = np.flatnonzero(lengths)
        self._starts = (np.cumsum(lengths) - lengths)[self._some]

    def sums(self, columns: Doubles) -> Doubles:
        """The sums `(frames, groups)` of `(frames, columns)`."""
        sums = np.zeros((len(columns), self._count))
        if len(self._columns):
            sums[:, self._some] = np.add.reduceat(columns[:, self._columns], self._starts, axis=1)
        return sums


def _names(rig: Rig, shared: Sequence[Feed]) -> Iterator[tuple[str, str, str, float | None, float | None]]:
    volts = {supply.name: supply.volts for supply in rig.supply}
    on_port = {port.name: volts.get(port.supply or "") or port.volts for port in rig.port}
    for string, fed in zip(rig.string, fed_volts(rig), strict=True):
        yield "string", string.name, string.place, string.own_fuse_a, fed
    for feed in shared:
        fed = on_port[feed.name] if feed.kind == "port" else volts[feed.name]
        yield feed.kind, feed.name, feed.place, None if feed.limit_ma is None else feed.limit_ma / 1000, fed
    for circuit in rig.circuit:
        yield "circuit", circuit.name, circuit.place, circuit.amps, circuit.volts
