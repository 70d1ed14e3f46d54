"""The rig of rig.toml: its tables, and where the pixels of a string hang. `load.load_rig` reads and completes it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from functools import cached_property
from itertools import chain
from typing import Annotated, Any, Literal, TypeVar

import numpy as np
import numpy.typing as npt
from pydantic import Field

from gloaming.shows.config_files.checking import OneLine, Table
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.e131 import SLOTS_MAX, UNIVERSE_MAX
from gloaming.shows.rig.values import (
    Host,
    Name,
    Order,
    PixelNumber,
    Point,
    PortAddresses,
    ShortLength,
    Universes,
    WrittenProtocol,
)

Channel = Literal["dimmer", "red", "green", "blue", "white", "amber", "strobe", "fog", "other"]
LIGHT_CHANNELS = frozenset({"dimmer", "red", "green", "blue", "white", "amber"})
"""The channels of a fixture that brightness and fades scale. The others are sent as the frame has them."""


def _no_default(schema: dict[str, Any]) -> None:
    """Hides a default that no person may write: it stands for a key that is completed after reading."""
    schema.pop("default", None)


class Named(Table):
    """A table with a unique name."""

    name: Name
    """Its name, unique among the tables of this kind. Messages and commands use it."""


class Controller(Named):
    """A box on the network that feeds strings.

    Lead and spread in ns.
    """

    host: Host | None = None
    """Its IP address or its host name (RFC 1123 2.1), for unicast. Without it, E1.31 is sent by multicast."""
    multicast: bool = False
    """E1.31: sends by multicast too, if there is a host."""
    universes: Universes
    """The universes that it receives (E1.31 9.1.1: 1 to 63999)."""
    protocol: WrittenProtocol = ProtocolName.E131
    """The protocol of its data: E1.31, Art-Net or DDP."""
    port_addresses: PortAddresses = ()
    """Art-Net: the port-address of each of its universes, in order. Without it, those with the same numbers."""
    broadcast: bool = False
    """Art-Net: sends its data to every machine of the network, for a controller that takes no unicast."""
    lead: ShortLength = 0
    """How much earlier its packets are sent, for a slow controller. At most 1000 ms."""
    spread: ShortLength = 0
    """How long the packets of a frame are spread over, for a controller with a small buffer. At most 1000 ms."""
    brightness: Annotated[float, Field(gt=0, le=1, examples=["0.3"])] = 1.0
    """The brightness that is set in the controller itself. Survey and limiter multiply currents by it."""

    @property
    def by_multicast(self) -> bool:
        """Whether its data are sent by multicast, alone or too."""
        return self.protocol is ProtocolName.E131 and (self.multicast or self.host is None)

    def way(self, address: str | None = None) -> str:
        """How its data go to it, as text for a person. `address` is that of its host name, where it is known."""
        at = f" at {address}" if address and address != self.host else ""
        ways = [f"to {self.host}{at}"] if self.host else []
        ways += ["by broadcast"] if self.broadcast else ["by multicast"] if self.by_multicast else []
        return f"{self.protocol.words} {' and '.join(ways)}"

    @cached_property
    def port_address_of(self) -> dict[int, int]:
        """The Art-Net port-address of each of its universes."""
        return dict(zip(self.universes, self.port_addresses or self.universes, strict=True))


class Circuit(Named):
    """A circuit of the mains, on one breaker. Leave work on the mains to a licensed electrician."""

    amps: Annotated[float, Field(gt=0, le=1000, examples=["16"])]
    """What its breaker carries, in amperes."""
    volts: Annotated[float, Field(gt=0, le=1000, examples=["230"])]
    """Its voltage, in volts."""
    breaker: Annotated[OneLine, Field(min_length=1, max_length=60, examples=['"shed panel, no. 4"'])] | None = None
    """Where its breaker is."""
    rcd: bool | None = None
    """Whether a residual-current device (RCD, GFCI) protects it. Local codes ask for one outdoors."""


class Supply(Named):
    """A power supply."""

    volts: Annotated[float, Field(gt=0, le=60, examples=["12"])]
    """Its voltage, in volts."""
    amps: Annotated[float, Field(gt=0, le=1000, examples=["29"])]
    """The current that it can supply, in amperes."""
    circuit: Annotated[str, Field(examples=['"shed"'])] | None = None
    """The circuit of the mains that feeds it, by name."""
    efficiency: Annotated[float, Field(gt=0, le=1, examples=["0.88"])] = 0.85
    """What it gives of what it takes from the mains (0.85: common practice, no source)."""


class Port(Table):
    """A port of a controller. Its strings share its fuse and its data wire."""

    controller: Name
    """The controller, by name."""
    number: Annotated[int, Field(ge=1, le=1000, examples=["3"])]
    """The number of the port on its controller."""
    fuse_a: Annotated[float, Field(gt=0, le=100, examples=["5"])] | None = None
    """Its fuse, in amperes. Fuse a port for its wire (5: common practice, no source)."""
    supply: Annotated[str, Field(examples=['"left-12v"'])] | None = None
    """The supply that feeds its strings, by name."""
    volts: Annotated[float, Field(gt=0, le=60, examples=["12"])] | None = None
    """Its voltage. Without it, that of its supply."""
    run_m: Annotated[float, Field(gt=0, le=10_000, examples=["20"])] | None = None
    """The length of its data run to the first pixel or receiver, in metres."""
    note: Annotated[OneLine, Field(max_length=200, examples=['"receiver under the stairs"'])] | None = None
    """What the sheet says beside it: a receiver, a place."""

    @property
    def name(self) -> str:
        """Its name in messages, after "port"."""
        return port_name(self.controller, self.number)


def port_name(controller: str, number: int) -> str:
    """The name of a port in messages, after "port": "3 of left"."""
    return f"{number} of {controller}"


class PixelString(Named):
    """A string of pixels. It continues in the universes that follow."""

    controller: Annotated[str, Field(max_length=60, examples=['"left"'], json_schema_extra=_no_default)] = ""
    """The controller that feeds it, by name. It may be left out with `after`."""
    universe: Annotated[int, Field(ge=1, le=UNIVERSE_MAX, examples=["1"], json_schema_extra=_no_default)] = 0
    """The universe of its first pixel. It is left out with `after`."""
    slot: Annotated[int, Field(ge=1, le=SLOTS_MAX, examples=["1"])] = 1
    """The slot of its first pixel."""
    after: Annotated[str, Field(examples=['"eaves"'])] | None = None
    """The string whose last slot comes before its first one. It replaces `universe` and `slot`."""
    pixels: Annotated[int, Field(ge=1, le=100_000, examples=["150"])]
    """How many pixels it has, with those that are missing."""
    missing: Annotated[tuple[PixelNumber, ...], Field(examples=["[37]"])] = ()
    """The pixels that were cut out, by number. Frames keep them; the wire skips them."""
    order: Order = "RGB"
    """The colours of a pixel, in the order of its slots: three or four of R, G, B, W; W; RGBWA or RGBWW."""
    slots_per_universe: Annotated[int, Field(ge=1, le=SLOTS_MAX, examples=["510"])] = 510
    """How many slots of a universe it uses before it continues in the next one."""
    ma_per_channel: Annotated[float, Field(ge=0, le=1000, examples=["20"])] = 20.0
    """What one colour of one pixel draws at full, in milliamperes (20: common practice, no source)."""
    idle_ma: Annotated[float, Field(ge=0, le=100, examples=["1"])] = 1.0
    """What a dark pixel draws, in milliamperes (1: common practice, no source)."""
    port: Annotated[int, Field(ge=1, le=1000, examples=["1"])] | None = None
    """The controller's port. Strings of one port share its fuse and its data wire."""
    fuse_a: Annotated[float, Field(gt=0, le=100, examples=["5"])] | None = None
    """The fuse of its run, in amperes; with `port`, that of the port. Fuse a run for its wire."""
    supply: Annotated[str, Field(examples=['"left-12v"'])] | None = None
    """The supply that feeds it, by name. Without it, that of its port."""
    volts: Annotated[float, Field(gt=0, le=60, examples=["12"])] | None = None
    """The voltage that it needs. Never feed a 5 V string from a 12 V supply."""
    awg: Annotated[int, Field(ge=4, le=36, examples=["18"])] | None = None
    """The gauge of the cable to it and of its own wires (ASTM B258). Or `mm2`."""
    mm2: Annotated[float, Field(gt=0, le=50, examples=["0.75"])] | None = None
    """The cross-section of one conductor of the cable to it and of its own wires, in mm2. Or `awg`."""
    feed_m: Annotated[float, Field(ge=0, le=1000, examples=["4"])] | None = None
    """The length of the power cable to its first pixel, and to each of `inject_at`, in metres."""
    inject_at: Annotated[tuple[PixelNumber, ...], Field(examples=["[50, 100]"])] = ()
    """The pixels where more power is fed in, by number."""
    group: Annotated[Name, Field(examples=['"roof"'])] | None = None
    """The survey judges the strings of a group together for flashes."""
    points: Annotated[list[Point], Field(examples=["[[0.0, 0.0], [0.1, 0.0]]"])] | None = None
    """Where each pixel hangs, in metres: right and up."""
    line: Annotated[list[Point], Field(min_length=2, examples=["[[0.0, 0.0], [5.0, 0.0]]"])] | None = None
    """Where it hangs, in metres: the corners of a line. The pixels are spread evenly along the line."""

    @property
    def slots(self) -> int:
        """How many slots of a frame the string uses."""
        return self.pixels * len(self.order)

    @property
    def own_fuse_a(self) -> float | None:
        """Its own fuse, in amperes. A string on a port has none: `fuse_a` is the port's."""
        return self.fuse_a if self.port is None else None

    @property
    def hung(self) -> int:
        """How many pixels hang: all but those that are missing."""
        return self.pixels - len(self.missing)

    def spans(self) -> Iterator[tuple[int, int, int]]:
        """The string's slots in a frame as stretches `(universe, first slot, last slot)`, slots from 1."""
        universe, slot, left = self.universe, self.slot, self.slots
        while left > 0:
            count = min(left, max(0, self.slots_per_universe - slot + 1))
            if count:
                yield universe, slot, slot + count - 1
            universe, slot, left = universe + 1, 1, left - count


class Fixture(Named):
    """A lamp or another device that is no string of pixels: it has a channel on each of its slots."""

    controller: Name
    """The controller that feeds it, by name."""
    universe: Annotated[int, Field(ge=1, le=UNIVERSE_MAX, examples=["25"])]
    """Its universe."""
    slot: Annotated[int, Field(ge=1, le=SLOTS_MAX, examples=["1"])]
    """The slot of its first channel."""
    channels: Annotated[tuple[Channel, ...], Field(min_length=1, examples=['["dimmer", "red", "green", "blue"]'])]
    """What its slots do, in their order."""
    at: Annotated[Point, Field(examples=["[2.5, 0.0]"])] | None = None
    """Where it stands, in metres: right and up."""
    watts: Annotated[float, Field(gt=0, le=10_000, examples=["60"])] | None = None
    """What it draws at full, in watts."""
    supply: Annotated[str, Field(examples=['"left-12v"'])] | None = None
    """The supply that feeds it, by name. Or `circuit`."""
    circuit: Annotated[str, Field(examples=['"shed"'])] | None = None
    """The circuit of the mains that feeds it, by name. Or `supply`."""

    def spans(self) -> Iterator[tuple[int, int, int]]:
        """Its slots, `(universe, first slot, last slot)`, slots from 1: one stretch."""
        yield self.universe, self.slot, self.slot + len(self.channels) - 1


class Zone(Named):
    """A part of the rig that may have its own hours, performances, brightness and overrides."""

    strings: Annotated[tuple[str, ...], Field(examples=['["ridge", "eaves"]'])] = ()
    """Its strings, by name."""
    fixtures: Annotated[tuple[str, ...], Field(examples=['["bell-lamp"]'])] = ()
    """Its fixtures, by name."""
    controllers: Annotated[tuple[str, ...], Field(examples=['["left"]'])] = ()
    """The controllers whose universes belong to it, by name."""
    groups: Annotated[tuple[str, ...], Field(examples=['["roof"]'])] = ()
    """The groups of strings that belong to it. A group is a zone of its name without a table."""
    zones: Annotated[tuple[str, ...], Field(examples=['["gable"]'])] = ()
    """Other zones that belong to it, by name."""


P = TypeVar("P", Port, PixelString, Fixture)


class Rig(Table):
    """A rig.toml: everything that hangs outside."""

    controller: Annotated[tuple[Controller, ...], Field(min_length=1, examples=["[[controller]]"])]
    """The controllers."""
    circuit: tuple[Circuit, ...] = ()
    """The circuits of the mains."""
    supply: tuple[Supply, ...] = ()
    """The power supplies."""
    port: tuple[Port, ...] = ()
    """The ports of the controllers. A port that only strings name needs no table."""
    string: tuple[PixelString, ...] = ()
    """The strings."""
    fixture: tuple[Fixture, ...] = ()
    """The fixtures: lamps and other devices that are no strings of pixels."""
    zone: tuple[Zone, ...] = ()
    """The zones: parts of the rig with a name."""

    def part(self, controllers: Collection[str]) -> Rig:
        """The part that these controllers feed: they, and their ports, strings and fixtures. The rest stays whole."""

        def of(tables: tuple[P, ...]) -> tuple[P, ...]:
            return tuple(one for one in tables if one.controller in controllers)

        own = {"port": of(self.port), "string": of(self.string), "fixture": of(self.fixture)}
        own["controller"] = tuple(one for one in self.controller if one.name in controllers)
        return Rig.model_construct(**{**dict(self), **own})

    @cached_property
    def controller_of(self) -> dict[int, Controller]:
        """Which controller a universe belongs to."""
        return {number: controller for controller in self.controller for number in controller.universes}

    @cached_property
    def strings_of(self) -> dict[str, tuple[PixelString, ...]]:
        """The strings of each controller, by its name."""
        found: dict[str, list[PixelString]] = {controller.name: [] for controller in self.controller}
        for string in self.string:
            found[string.controller].append(string)
        return {name: tuple(strings) for name, strings in found.items()}

    @cached_property
    def on_port(self) -> dict[str, tuple[PixelString, ...]]:
        """The strings of each port, by the name of the port."""
        found: dict[str, list[PixelString]] = {port.name: [] for port in self.port}
        for string in self.string:
            if string.port is not None:
                found[port_name(string.controller, string.port)].append(string)
        return {name: tuple(strings) for name, strings in found.items()}

    @cached_property
    def slots(self) -> dict[int, int]:
        """How many slots of each universe strings and fixtures need. Universes without either are absent."""
        slots: dict[int, int] = {}
        spans = chain.from_iterable(one.spans() for kind in (self.string, self.fixture) for one in kind)
        for universe, _, last in spans:
            slots[universe] = max(slots.get(universe, 0), last)
        return dict(sorted(slots.items()))


def positions(string: PixelString) -> npt.NDArray[np.float64] | None:
    """Where each pixel of a string hangs, `(pixels, 2)` in metres, or None. Along a line they are spaced evenly."""
    if string.points:
        return np.array(string.points, float)
    if not string.line:
        return None
    corners = np.array(string.line, float)
    along = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.linspace(0, along[-1], string.pixels)
    return np.stack([np.interp(at, along, corners[:, 0]), np.interp(at, along, corners[:, 1])], axis=1)
