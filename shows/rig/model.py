"""The rig of rig.toml, checked as a whole, and where the pixels of a string hang."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cached_property
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
import numpy.typing as npt
from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from gloaming.shows.config_files.checking import Table, instead, on_their_lines, read_tables
from gloaming.shows.config_files.errors import ConfigError, InputError, WrongValueError
from gloaming.shows.protocols.e131 import SLOTS_MAX, UNIVERSE_MAX

UNIVERSES = range(1, UNIVERSE_MAX + 1)
"""E1.31 9.1.1: the universes that carry data."""
MS_NS = 1_000_000
_SHORT_LENGTH = re.compile(r"(\d{1,4}(?:\.\d+)?) ?ms")


def read_universes(text: object) -> tuple[int, ...]:
    """Universe numbers: 7, "1-24", "1-4,8" or a list of numbers (E1.31 9.1.1: 1 to 63999)."""
    hint = 'as "1-24" or "1-4,8"'
    numbers: list[int] = []
    parts = [str(part) for part in text] if isinstance(text, list) else str(text).split(",")
    for part in parts:
        found = re.fullmatch(r"\s*(\d{1,6})(?:\s*-\s*(\d{1,6}))?\s*", part)
        if isinstance(text, bool) or not found:
            raise WrongValueError(f"{text!r} is not a list of universes", hint)
        first, last = int(found[1]), int(found[2] or found[1])
        for number in (first, last):
            if number not in UNIVERSES:
                raise WrongValueError(f"universe {number} does not exist: E1.31 9.1.1 has 1 to 63999", hint)
        if last < first:
            raise WrongValueError(f"{text!r} runs backwards", hint)
        numbers.extend(range(first, last + 1))
    if len(set(numbers)) != len(numbers):
        raise WrongValueError(f"{text!r} names a universe twice", hint)
    return tuple(numbers)


def read_short_length(text: object) -> int:
    """A length of 0 to 1000 ms, in nanoseconds."""
    found = _SHORT_LENGTH.fullmatch(text) if isinstance(text, str) else None
    if not found or float(found[1]) > 1000:
        raise WrongValueError(f"{text!r} is not a length from 0 to 1000 ms", 'as "4 ms"')
    return round(float(found[1]) * MS_NS)


def _address(text: str) -> str:
    """The text of an IP address. Names are refused: looking a name up takes time, and its address may change."""
    try:
        address = ip_address(text)
    except ValueError:
        raise WrongValueError(f"{text!r} is not an IP address", 'as "192.0.2.21"') from None
    if address.is_multicast or address.is_unspecified or address == ip_address("255.255.255.255"):
        raise WrongValueError(f"{text!r} is not the address of one controller", "leave host out for multicast")
    return str(address)


Universes = Annotated[
    tuple[int, ...],
    BeforeValidator(read_universes),
    WithJsonSchema({"type": ["string", "integer", "array"], "title": "universes"}),
    Field(examples=['"1-24"']),
]
ShortLength = Annotated[
    int,
    BeforeValidator(read_short_length),
    WithJsonSchema({"type": "string", "title": "length in ms", "pattern": f"^{_SHORT_LENGTH.pattern}$"}),
    Field(examples=['"4 ms"']),
]
Name = Annotated[str, Field(min_length=1, max_length=60, examples=['"left"'])]
Metres = Annotated[float, Field(ge=-10_000, le=10_000)]
Point = tuple[Metres, Metres]


class Named(Table):
    """A table with a unique name."""

    name: Name
    """Its name, unique among the tables of this kind. Messages and commands use it."""


class Controller(Named):
    """A box on the network that feeds strings.

    Lead and spread in ns.
    """

    host: Annotated[str, AfterValidator(_address), Field(min_length=1, examples=['"192.0.2.21"'])] | None = None
    """Its IP address, for unicast. Without it, its data are sent by multicast."""
    multicast: bool = False
    """Sends by multicast too, if there is a host."""
    universes: Universes
    """The universes that it receives (E1.31 9.1.1: 1 to 63999)."""
    lead: ShortLength = 0
    """How much earlier its packets are sent, for a slow controller. At most 1000 ms."""
    spread: ShortLength = 0
    """How long the packets of a frame are spread over, for a controller with a small buffer. At most 1000 ms."""


class Supply(Named):
    """A power supply."""

    volts: Annotated[float, Field(gt=0, le=60, examples=["12"])]
    """Its voltage, in volts."""
    amps: Annotated[float, Field(gt=0, le=1000, examples=["29"])]
    """The current that it can supply, in amperes."""


class PixelString(Named):
    """A string of pixels. It continues in the universes that follow."""

    controller: Name
    """The controller that feeds it, by name."""
    universe: Annotated[int, Field(ge=1, le=UNIVERSE_MAX, examples=["1"])]
    """The universe of its first pixel."""
    slot: Annotated[int, Field(ge=1, le=SLOTS_MAX, examples=["1"])] = 1
    """The slot of its first pixel."""
    pixels: Annotated[int, Field(ge=1, le=100_000, examples=["150"])]
    """How many pixels it has."""
    order: Annotated[Literal["RGB", "RBG", "GRB", "GBR", "BRG", "BGR", "RGBW", "GRBW"], Field(examples=['"RGB"'])] = (
        "RGB"
    )
    """The colours of a pixel, in the order of its slots."""
    slots_per_universe: Annotated[int, Field(ge=1, le=SLOTS_MAX, examples=["510"])] = 510
    """How many slots of a universe it uses before it continues in the next one."""
    ma_per_channel: Annotated[float, Field(ge=0, le=1000, examples=["20"])] = 20.0
    """What one colour of one pixel draws at full, in milliamperes (20: common practice, no source)."""
    fuse_a: Annotated[float, Field(gt=0, le=100, examples=["5"])] | None = None
    """The fuse of its run, in amperes. Fuse a run for its wire."""
    supply: Annotated[str, Field(examples=['"left-12v"'])] | None = None
    """The supply that feeds it, by name."""
    volts: Annotated[float, Field(gt=0, le=60, examples=["12"])] | None = None
    """The voltage that it needs. Never feed a 5 V string from a 12 V supply."""
    port: Annotated[int, Field(ge=1, le=1000, examples=["1"])] | None = None
    """The controller's port. Strings of one port share its pixels."""
    group: Annotated[Name, Field(examples=['"roof"'])] | None = None
    """The survey judges the strings of a group together for flashes."""
    points: Annotated[list[Point], Field(examples=["[[0.0, 0.0], [0.1, 0.0]]"])] | None = None
    """Where each pixel hangs, in metres: right and up."""
    line: Annotated[list[Point], Field(min_length=2, examples=["[[0.0, 0.0], [5.0, 0.0]]"])] | None = None
    """Where it hangs, in metres: the corners of a line. The pixels are spread evenly along the line."""

    @property
    def slots(self) -> int:
        """How many slots the string uses."""
        return self.pixels * len(self.order)

    def spans(self) -> Iterator[tuple[int, int, int]]:
        """The string's slots as stretches `(universe, first slot, last slot)`, slots from 1."""
        universe, slot, left = self.universe, self.slot, self.slots
        while left > 0:
            count = min(left, max(0, self.slots_per_universe - slot + 1))
            if count:
                yield universe, slot, slot + count - 1
            universe, slot, left = universe + 1, 1, left - count


class Rig(Table):
    """A rig.toml: everything that hangs outside."""

    controller: Annotated[tuple[Controller, ...], Field(min_length=1, examples=["[[controller]]"])]
    """The controllers."""
    supply: tuple[Supply, ...] = ()
    """The power supplies."""
    string: tuple[PixelString, ...] = ()
    """The strings."""

    @cached_property
    def controller_of(self) -> dict[int, Controller]:
        """Which controller a universe belongs to."""
        return {number: controller for controller in self.controller for number in controller.universes}

    @cached_property
    def slots(self) -> dict[int, int]:
        """How many slots of each universe are sent: as many as its strings need, 510 without strings."""
        slots: dict[int, int] = {}
        for string in self.string:
            for universe, _, last in string.spans():
                slots[universe] = max(slots.get(universe, 0), last)
        return {number: slots.get(number, 510) for number in sorted(self.controller_of)}


def load_rig(path: Path) -> Rig:
    """A rig.toml, checked as a whole. Raises InputError with all errors."""
    rig = read_tables(path, Rig)
    errors = [*_names(path, rig), *_owners(path, rig), *_strings(path, rig)]
    if errors:
        raise InputError(*on_their_lines(path, errors))
    return rig


def _at(path: Path, table: Table, key: str, problem: str, hint: str) -> ConfigError:
    return ConfigError(path, int(table.place.rpartition(":")[2]), key, problem, hint)


def _names(path: Path, rig: Rig) -> Iterator[ConfigError]:
    groups: dict[str, tuple[Named, ...]] = {"controller": rig.controller, "supply": rig.supply, "string": rig.string}
    for kind, tables in groups.items():
        seen: dict[str, Named] = {}
        for index, table in enumerate(tables):
            if first := seen.get(table.name):
                problem = f"the name {table.name!r} is used twice; first at {first.place}"
                yield _at(path, table, f"{kind}[{index}].name", problem, "give each its own name")
            seen[table.name] = table


def _owners(path: Path, rig: Rig) -> Iterator[ConfigError]:
    """An address and a universe belong to one controller. Loopback addresses may belong to several."""
    owner: dict[int, Controller] = {}
    hosts: dict[str, Controller] = {}
    for index, controller in enumerate(rig.controller):
        first = hosts.setdefault(controller.host or "", controller)
        if controller.host and first is not controller and not ip_address(controller.host).is_loopback:
            problem = f"{controller.host} is already the address of {first.name} ({first.place})"
            hint = "give each controller its own address, or join the two into one controller with all the universes"
            yield _at(path, controller, f"controller[{index}].host", problem, hint)
        for number in controller.universes:
            if number in owner:
                problem = f"universe {number} already belongs to {owner[number].name} ({owner[number].place})"
                yield _at(
                    path,
                    controller,
                    f"controller[{index}].universes",
                    problem,
                    "give each universe to one controller only",
                )
                break
            owner[number] = controller


def _strings(path: Path, rig: Rig) -> Iterator[ConfigError]:
    controllers = {controller.name: controller for controller in rig.controller}
    owners = {number: controller.name for number, controller in rig.controller_of.items()}
    supplies = {supply.name for supply in rig.supply}
    taken: dict[int, list[tuple[int, int, PixelString]]] = {}
    for index, string in enumerate(rig.string):
        key = f"string[{index}]"
        if string.points and len(string.points) != string.pixels:
            problem = f"there are {len(string.points)} points for {string.pixels} pixels"
            yield _at(path, string, f"{key}.points", problem, "give one point for each pixel")
        if string.supply is not None and string.supply not in supplies:
            problem = f"there is no supply {string.supply!r}"
            hint = instead(string.supply, sorted(supplies) or ["a [[supply]] table"])
            yield _at(path, string, f"{key}.supply", problem, hint)
        controller = controllers.get(string.controller)
        if controller is None:
            problem = f"there is no controller {string.controller!r}"
            yield _at(path, string, f"{key}.controller", problem, instead(string.controller, controllers))
            continue
        if string.slot > string.slots_per_universe:
            problem = f"slot {string.slot} is past the {string.slots_per_universe} slots of its universe"
            yield _at(path, string, f"{key}.slot", problem, "as slot = 1")
            continue
        yield from _spans(path, key, string, controller, owners, taken)


def _spans(
    path: Path,
    key: str,
    string: PixelString,
    controller: Controller,
    owners: dict[int, str],
    taken: dict[int, list[tuple[int, int, PixelString]]],
) -> Iterator[ConfigError]:
    for universe, first, last in string.spans():
        if universe not in controller.universes:
            problem = f"its pixels run into universe {universe}, which {controller.name} does not have"
            hint = f"give {controller.name} more universes, or fewer pixels"
            if owner := owners.get(universe):
                problem = f"its pixels run into universe {universe}, which belongs to {owner}, not to {controller.name}"
                hint = "a string has one controller: give the string another universe, or divide it into two strings"
            yield _at(path, string, f"{key}.universe", problem, hint)
            return
        for begin, end, other in taken.setdefault(universe, []):
            if begin <= last and first <= end:
                problem = (
                    f"it overlaps string {other.name} ({other.place}) in universe {universe}, slot {max(first, begin)}"
                )
                yield _at(path, string, f"{key}.slot", problem, f"begin after slot {end}")
                return
        taken[universe].append((first, last, string))


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
