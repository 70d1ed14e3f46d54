"""What the wiring sheet says: the ports of each controller with their strings and loads, and what to keep in store."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain, islice
from math import ceil

from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import as_written
from gloaming.shows.rig.draw import Feed, feeds, slot_ma
from gloaming.shows.rig.model import Circuit, Controller, Fixture, PixelString, Port, Rig, Supply, positions
from gloaming.shows.rig.repairs import Repair, in_order
from gloaming.shows.rig.wire import places_on_wire, slots_per_pixel, stream_begins

CAUTIONS = (
    "Isolate a supply, and make sure that it is dead, before you touch what it feeds.",
    "Fuse every run for its wire and by the local code, never for its load.",
    "Never feed a 5 V string from a 12 V supply.",
    "12 V at 30 A does not shock, but it sets fire to thin wire and to wet plugs.",
    "Mains is work for licensed people: fixed wiring, outdoor sockets, anything behind a supply's cover. Outdoor-rated "
    "gear behind a residual-current device (GFCI).",
)
SPARES_OF = 10
"""Common practice, no source: one spare for ten of a kind that are begun."""
APART_M = 0.2
"""A string whose ends are nearer than this to each other has no direction."""


@dataclass(frozen=True)
class FullLoad:
    """The current at full white, and the limit that it is held against, in amperes. None: the limit is not known."""

    full_a: float
    limit_a: float | None

    @property
    def share(self) -> float | None:
        """The part of the limit that is used; 1 is all of it. To a billionth: sums of currents are not exact."""
        return None if self.limit_a is None else round(self.full_a / self.limit_a, 9)


@dataclass(frozen=True)
class HungString:
    """A string with the slots that a controller is set to. `load` is that of its own fuse: it is without a port.

    `typed` is where it begins by the protocol of its controller, if that does not have universes.
    """

    of: PixelString
    first: tuple[int, int]
    last: tuple[int, int]
    direction: str | None
    load: FullLoad | None
    typed: str | None


@dataclass(frozen=True)
class WiredPort:
    """A port with its strings in the order of their slots."""

    of: Port
    strings: tuple[HungString, ...]
    load: FullLoad

    @property
    def hung(self) -> int:
        """How many pixels hang on it."""
        return sum(string.of.hung for string in self.strings)

    @property
    def supply(self) -> str | None:
        """The supply that feeds all its strings; its own one if there are none or they differ."""
        supplies = {string.of.supply for string in self.strings}
        return supplies.pop() if len(supplies) == 1 else self.of.supply


@dataclass(frozen=True)
class WiredController:
    """A controller with all that hangs on it. `loose` are the strings without a port."""

    of: Controller
    ports: tuple[WiredPort, ...]
    loose: tuple[HungString, ...]
    fixtures: tuple[Fixture, ...]

    @property
    def strings(self) -> tuple[HungString, ...]:
        """All its strings."""
        return (*(string for port in self.ports for string in port.strings), *self.loose)

    def has(self, channel: str) -> bool:
        """Whether one of its fixtures has such a channel."""
        return any(channel in fixture.channels for fixture in self.fixtures)


@dataclass(frozen=True)
class Spare:
    """How many of a kind hang, and how many more to keep."""

    what: str
    hang: int

    @property
    def keep(self) -> int:
        """One for each ten that are begun."""
        return ceil(self.hang / SPARES_OF)


@dataclass(frozen=True)
class ToMend:
    """An open mark, and where it is. `slot` is the pixel's first one on the wire, `(universe, slot)`. `absence` says
    why it is not in the rig any more."""

    repair: Repair
    controller: str | None
    port: int | None
    slot: tuple[int, int] | None
    absence: str | None


@dataclass(frozen=True)
class Sheet:
    """The whole sheet."""

    controllers: tuple[WiredController, ...]
    supplies: tuple[tuple[Supply, FullLoad], ...]
    circuits: tuple[tuple[Circuit, FullLoad, tuple[str, ...]], ...]
    spares: tuple[Spare, ...]
    to_mend: tuple[ToMend, ...]


def sheet_of(rig: Rig, repairs: Iterable[Repair] = ()) -> Sheet:
    """The sheet of a rig from `load_rig`, with the `repairs` that are open."""
    full = {(feed.kind, feed.name): load for feed, load in _full_loads(rig)}
    typed = dict(_typed(rig))
    hung = {
        string.name: _hung(string, full.get(("string", string.name)), typed.get(string.name)) for string in rig.string
    }
    ports: dict[str, list[WiredPort]] = {controller.name: [] for controller in rig.controller}
    for port in sorted(rig.port, key=lambda one: one.number):
        strings = sorted((hung[one.name] for one in rig.on_port[port.name]), key=lambda one: one.first)
        ports[port.controller].append(WiredPort(port, tuple(strings), full["port", port.name]))
    loose: dict[str, list[HungString]] = {controller.name: [] for controller in rig.controller}
    for string in rig.string:
        if string.port is None:
            loose[string.controller].append(hung[string.name])
    fixtures: dict[str, list[Fixture]] = {controller.name: [] for controller in rig.controller}
    for fixture in sorted(rig.fixture, key=lambda one: (one.universe, one.slot)):
        fixtures[fixture.controller].append(fixture)
    controllers = [
        WiredController(one, tuple(ports[one.name]), tuple(loose[one.name]), tuple(fixtures[one.name]))
        for one in rig.controller
    ]
    supplies = tuple((supply, full["supply", supply.name]) for supply in rig.supply)
    to_mend = tuple(_to_mend(one, rig) for one in in_order(repairs, rig))
    return Sheet(tuple(controllers), supplies, tuple(_circuits(rig, supplies)), tuple(_spares(rig)), to_mend)


def _full_loads(rig: Rig) -> Iterator[tuple[Feed, FullLoad]]:
    """Strings on their own, ports and supplies with all pixels at full white, and fixtures at full."""
    ma = slot_ma(rig)
    white_ma = [ma[index] * one.hung * len(one.order) for index, one in enumerate(rig.string)]
    for feed in feeds(rig):
        full_ma = feed.always_ma + sum(white_ma[index] for index in feed.strings)
        yield feed, FullLoad(full_ma / 1000, None if feed.limit_ma is None else feed.limit_ma / 1000)


def _circuits(
    rig: Rig, supplies: Iterable[tuple[Supply, FullLoad]]
) -> Iterator[tuple[Circuit, FullLoad, tuple[str, ...]]]:
    """The circuits with what they feed. A supply takes more from the mains than it gives, by its efficiency."""
    for circuit in rig.circuit:
        fed = {
            supply.name: load.full_a * supply.volts / supply.efficiency
            for supply, load in supplies
            if supply.circuit == circuit.name
        }
        lamps = {one.name: one.watts or 0 for one in rig.fixture if one.circuit == circuit.name}
        watts = sum(fed.values()) + sum(lamps.values())
        yield circuit, FullLoad(watts / circuit.volts, circuit.amps), (*fed, *lamps)


def _typed(rig: Rig) -> Iterator[tuple[str, str]]:
    """Where strings begin by the protocols that have no universes, by name. DDP counts in one stream, from 1."""
    for controller in rig.controller:
        begins, slots = stream_begins(rig, controller), slots_per_pixel(rig, controller)
        for string in rig.strings_of[controller.name]:
            if controller.protocol is ProtocolName.ARTNET:
                yield string.name, f"port-address {as_written(controller.port_address_of[string.universe])}"
            elif controller.protocol is ProtocolName.DDP:
                at = begins[string.universe] + string.slot - 1
                pixel = f", its pixel {at // slots + 1}" if slots and at % slots == 0 else ""
                yield string.name, f"slot {at + 1} of the stream{pixel}"


def _hung(string: PixelString, load: FullLoad | None, typed: str | None) -> HungString:
    spans = list(string.spans())
    (universe, slot, _), (last_universe, _, last_slot) = spans[0], spans[-1]
    return HungString(string, (universe, slot), (last_universe, last_slot), direction_of(string), load, typed)


def _to_mend(repair: Repair, rig: Rig) -> ToMend:
    absence, string = repair.absence(rig), repair.string(rig)
    controllers = {one.name: one.controller for one in rig.fixture}
    controllers |= {one.name: one.controller for one in rig.string}
    slot = None
    if string and repair.pixel and not absence and (at := int(places_on_wire(string)[repair.pixel - 1])) >= 0:
        slots = chain.from_iterable(((n, slot) for slot in range(a, b + 1)) for n, a, b in string.spans())
        slot = next(islice(slots, at * len(string.order), None))
    return ToMend(repair, controllers.get(repair.part), string.port if string else None, slot, absence)


def direction_of(string: PixelString) -> str | None:
    """Where the pixels go from the first one, seen from the front. None if that is not known."""
    points = positions(string)
    if points is None:
        return None
    right, up = points[-1] - points[0]
    if max(abs(right), abs(up)) < APART_M:
        return None
    if abs(right) >= abs(up):
        return "left to right" if right > 0 else "right to left"
    return "upwards" if up > 0 else "downwards"


def _spares(rig: Rig) -> Iterator[Spare]:
    yield Spare("controllers", len(rig.controller))
    yield from _counted(f"supplies, {one.volts:g} V, {one.amps:g} A" for one in rig.supply)
    fuses = [one.fuse_a for one in rig.port if rig.on_port[one.name]] + [one.own_fuse_a for one in rig.string]
    yield from _counted(f"fuses, {amps:g} A" for amps in sorted(amps for amps in fuses if amps is not None))
    longest: dict[str, int] = {}
    kinds = []
    for string in rig.string:
        kind = f"strings, {string.order}" + ("" if string.volts is None else f", {string.volts:g} V")
        longest[kind] = max(string.pixels, longest.get(kind, 0))
        kinds.append(kind)
    for spare in _counted(kinds):
        yield Spare(f"{spare.what}, up to {longest[spare.what]} pixels", spare.hang)
    yield from _counted(f"fixtures, {' '.join(one.channels)}" for one in rig.fixture)


def _counted(kinds: Iterable[str]) -> Iterator[Spare]:
    return (Spare(kind, number) for kind, number in Counter(kinds).items())
