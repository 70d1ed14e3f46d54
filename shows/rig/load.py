"""Reads rig.toml, completes it and checks it as a whole."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import chain
from pathlib import Path

from gloaming.shows.config_files.checking import Table, on_their_lines, read_tables
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.config_files.known_names import Known, instead
from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.rig.model import Controller, Fixture, Named, PixelString, Port, Rig, Zone, port_name
from gloaming.shows.rig.protocol_keys import protocol_errors
from gloaming.shows.rig.values import is_loopback

CIRCLE_MAX = 6
"""The most strings of a circle that its error names."""
Errors = list[ConfigError]
Fail = Callable[[PixelString, str, str, str], None]
"""Notes an error of a string: its key, the problem and a hint."""


def load_rig(path: Path) -> Rig:
    """A rig.toml, complete and checked as a whole. Raises InputError with all errors."""
    rig, errors = complete(path, read_tables(path, Rig))
    if errors:
        raise InputError(*on_their_lines(path, errors))
    return rig


def complete(path: Path, rig: Rig) -> tuple[Rig, Errors]:
    """A rig as it was read from a file, complete; and what is wrong with it as a whole, each at the line of its table.

    Complete means: a string with `after` has its controller, universe and slot. Each port that a string names has a
    table, with its fuse. A string has the supply of its port.
    """
    errors = [*_names(path, rig), *_owners(path, rig), *_protocols(path, rig), *_references(path, rig)]
    strings = in_place(path, rig.string, errors)
    ports = _ports(path, rig.port, strings, errors)
    rig = rig.model_copy(update={"port": tuple(ports.values()), "string": tuple(_on_ports(strings, ports))})
    return rig, [*errors, *_strings(path, rig), *_slots(path, rig), *_zones(path, rig)]


def _at(path: Path, table: Table, key: str, problem: str, hint: str) -> ConfigError:
    return ConfigError(path, int(table.place.rpartition(":")[2]), key, problem, hint)


def _names(path: Path, rig: Rig) -> Iterator[ConfigError]:
    groups: dict[str, tuple[Named, ...]] = {
        "controller": rig.controller,
        "circuit": rig.circuit,
        "supply": rig.supply,
        "string": rig.string,
        "fixture": rig.fixture,
        "zone": rig.zone,
    }
    for kind, tables in groups.items():
        seen: dict[str, Named] = {}
        for index, table in enumerate(tables):
            if first := seen.get(table.name):
                problem = f"the name {table.name!r} is used twice; first at {first.place}"
                yield _at(path, table, f"{kind}[{index}].name", problem, "give each its own name")
            seen[table.name] = table


def _owners(path: Path, rig: Rig) -> Iterator[ConfigError]:
    """A host and a universe belong to one controller. Loopback addresses may belong to several."""
    owner: dict[int, Controller] = {}
    hosts: dict[str, Controller] = {}
    for index, controller in enumerate(rig.controller):
        first = hosts.setdefault(controller.host or "", controller)
        if controller.host and first is not controller and not is_loopback(controller.host):
            problem = f"{controller.host} is already the address of {first.name} ({first.place})"
            hint = "give each controller its own address, or join the two into one controller with all the universes"
            yield _at(path, controller, f"controller[{index}].host", problem, hint)
        for number in controller.universes:
            if number in owner:
                problem = f"universe {number} already belongs to {owner[number].name} ({owner[number].place})"
                hint = "give each universe to one controller only"
                yield _at(path, controller, f"controller[{index}].universes", problem, hint)
                break
            owner[number] = controller


def _protocols(path: Path, rig: Rig) -> Iterator[ConfigError]:
    for index, key, problem, hint in protocol_errors(rig.controller):
        yield _at(path, rig.controller[index], f"controller[{index}].{key}", problem, hint)


def _references(path: Path, rig: Rig) -> Iterator[ConfigError]:
    """Each name of another table is known. The controller of a string is checked where its slots are."""
    known = {
        "controller": {one.name for one in rig.controller},
        "supply": {one.name for one in rig.supply},
        "circuit": {one.name for one in rig.circuit},
    }
    hints = {key: Known(sorted(names) or [f"a [[{key}]] table"]) for key, names in known.items()}
    named: dict[str, tuple[tuple[Table, ...], tuple[str, ...]]] = {
        "supply": (rig.supply, ("circuit",)),
        "port": (rig.port, ("controller", "supply")),
        "string": (rig.string, ("supply",)),
        "fixture": (rig.fixture, ("supply", "circuit")),
    }
    for kind, (tables, keys) in named.items():
        for index, table in enumerate(tables):
            for key in keys:
                name = getattr(table, key)
                if name is not None and name not in known[key]:
                    problem = f"there is no {key} {name!r}"
                    yield _at(path, table, f"{kind}[{index}].{key}", problem, hints[key].instead(name))


def in_place(path: Path, strings: Sequence[PixelString], errors: Errors) -> list[PixelString]:
    """The strings, each with its controller and first slot. A string without a place, by an error, stays as it is."""
    by_name = {string.name: string for string in strings}
    numbers = {string.name: number for number, string in enumerate(strings)}
    known = Known(by_name)
    placed: dict[str, PixelString] = {}

    def fail(string: PixelString, key: str, problem: str, hint: str) -> None:
        errors.append(_at(path, string, f"string[{numbers[string.name]}].{key}", problem, hint))

    for string in by_name.values():
        line = [string]  # the string, the one that it follows, and so on, up to one that has its place
        names = {string.name: 0}  # where they are in the line
        while (after := line[-1].after) is not None and line[-1].name not in placed:
            if after not in by_name:
                fail(line[-1], "after", f"there is no string {after!r}", known.instead(after, line[-1].name))
                break
            if after in names:
                circle = [one.name for one in line[names[after] :]]
                if len(circle) > CIRCLE_MAX:
                    circle[CIRCLE_MAX:] = [f"{len(circle) - CIRCLE_MAX} more"]
                problem = f"the strings follow each other in a circle: {' after '.join(circle)} after {after}"
                fail(line[-1], "after", problem, "give one of them a universe and a slot")
                break
            names[after] = len(line)
            line.append(by_name[after])
        for one in reversed(line):
            if one.name not in placed:
                placed[one.name] = follow(one, placed.get(one.after or ""), fail)
    return [placed[string.name] if by_name[string.name] is string else string for string in strings]


def follow(string: PixelString, before: PixelString | None, fail: Fail) -> PixelString:
    """A string with its place, after the string that it follows."""
    if string.after is None:
        if not string.universe:
            fail(string, "universe", "it is missing", "as universe = 1, or as after = the string that it follows")
        if not string.controller:
            fail(string, "controller", "it is missing", "name its controller, or the string that it follows")
        return string
    for key in ("universe", "slot"):
        if key in string.model_fields_set:
            hint = f"remove {key}, or remove after"
            fail(string, key, f"it has two places: this one, and the one after {string.after}", hint)
            return string
    if before is None or not before.universe:
        return string
    if string.controller not in ("", before.controller):
        problem = f"it follows {before.name}, which is a string of controller {before.controller}"
        fail(string, "controller", problem, "a string has one controller: remove this line, or remove after")
        return string
    *_, (universe, _, last) = before.spans()
    slot = last + 1
    if slot + len(string.order) - 1 > string.slots_per_universe:
        universe, slot = universe + 1, 1
    return string.model_copy(update={"controller": before.controller, "universe": universe, "slot": slot})


def _ports(path: Path, tables: tuple[Port, ...], strings: list[PixelString], errors: Errors) -> dict[str, Port]:
    """Every port by its name, those without a table too."""
    ports: dict[str, Port] = {}
    fused_at: dict[str, str] = {}
    for index, port in enumerate(tables):
        if first := ports.get(port.name):
            problem = f"port {port.name} has a table already, at {first.place}"
            if None not in (first.fuse_a, port.fuse_a):
                problem = f"port {port.name} has two fuses: one here, and one at {first.place}"
            errors.append(_at(path, port, f"port[{index}].number", problem, "give each port one table and one fuse"))
            continue
        ports[port.name], fused_at[port.name] = port, port.place
    for index, string in enumerate(strings):
        if string.port is None or not string.controller:
            continue
        name = port_name(string.controller, string.port)
        found = ports.get(name) or Port(controller=string.controller, number=string.port, place=string.place)
        if string.fuse_a is not None and found.fuse_a is None:
            found = found.model_copy(update={"fuse_a": string.fuse_a})
            fused_at[name] = string.place
        elif string.fuse_a not in (None, found.fuse_a):
            problem = f"port {name} has two fuses: {string.fuse_a:g} A here, {found.fuse_a:g} A at {fused_at[name]}"
            hint = "strings of one port share its fuse: give it once"
            errors.append(_at(path, string, f"string[{index}].fuse_a", problem, hint))
        ports[name] = found
    return ports


def _on_ports(strings: list[PixelString], ports: Mapping[str, Port]) -> Iterator[PixelString]:
    """The strings, each with the supply of its port if it names none."""
    for string in strings:
        port = ports.get(port_name(string.controller, string.port)) if string.port is not None else None
        supply = port.supply if port else None
        yield string if string.supply or not supply else string.model_copy(update={"supply": supply})


def _strings(path: Path, rig: Rig) -> Iterator[ConfigError]:
    for index, string in enumerate(rig.string):
        key = f"string[{index}]"
        if string.points and len(string.points) != string.pixels:
            problem = f"there are {len(string.points)} points for {string.pixels} pixels"
            yield _at(path, string, f"{key}.points", problem, "give one point for each pixel")
        for name, numbers in (("missing", string.missing), ("inject_at", string.inject_at)):
            if beyond := [number for number in numbers if number > string.pixels]:
                problem = f"there is no pixel {beyond[0]}: the string has {string.pixels}"
                yield _at(path, string, f"{key}.{name}", problem, "count the pixels of a frame, from 1")
            elif len(set(numbers)) < len(numbers):
                yield _at(path, string, f"{key}.{name}", "it names a pixel twice", "name each pixel once")
        if len(set(string.missing)) == string.pixels:
            yield _at(path, string, f"{key}.missing", "no pixel is left", "remove the string")
        if string.awg is not None and string.mm2 is not None:
            yield _at(path, string, f"{key}.mm2", "it has a gauge too", "give awg or mm2, not both")
    for index, fixture in enumerate(rig.fixture):
        if fixture.supply is not None and fixture.circuit is not None:
            problem = f"it has a supply too: {fixture.supply}"
            hint = "a fixture is fed by a supply or by the mains: remove one of the two"
            yield _at(path, fixture, f"fixture[{index}].circuit", problem, hint)


def _slots(path: Path, rig: Rig) -> Iterator[ConfigError]:
    """Each string and fixture has slots of its own, in universes of its controller."""
    controllers = {controller.name: controller for controller in rig.controller}
    known = Known(controllers)
    owners: dict[int, list[str]] = {}
    for controller in rig.controller:
        for universe in controller.universes:
            owners.setdefault(universe, []).append(controller.name)
    taken: dict[int, list[tuple[int, int, PixelString | Fixture]]] = {}
    strings: Iterator[tuple[str, PixelString | Fixture]]
    strings = ((f"string[{index}]", one) for index, one in enumerate(rig.string))
    for key, one in chain(strings, ((f"fixture[{index}]", one) for index, one in enumerate(rig.fixture))):
        most = one.slots_per_universe if isinstance(one, PixelString) else SLOTS_MAX
        if not one.universe or not one.controller:
            continue
        if one.controller not in controllers:
            problem = f"there is no controller {one.controller!r}"
            yield _at(path, one, f"{key}.controller", problem, known.instead(one.controller))
        elif one.slot > most:
            problem = f"slot {one.slot} is past the {most} slots of its universe"
            yield _at(path, one, f"{key}.slot", problem, "as slot = 1")
        elif isinstance(one, Fixture) and one.slot + len(one.channels) - 1 > SLOTS_MAX:
            problem = f"its {len(one.channels)} channels run past slot {SLOTS_MAX} (ANSI E1.11)"
            yield _at(path, one, f"{key}.slot", problem, f"begin at slot {SLOTS_MAX + 1 - len(one.channels)} or before")
        else:
            yield from _spans(path, key, one, controllers[one.controller], owners, taken)


def _spans(
    path: Path,
    key: str,
    one: PixelString | Fixture,
    controller: Controller,
    owners: Mapping[int, list[str]],
    taken: dict[int, list[tuple[int, int, PixelString | Fixture]]],
) -> Iterator[ConfigError]:
    kind = "string" if isinstance(one, PixelString) else "fixture"
    where = "after" if isinstance(one, PixelString) and one.after else None
    for universe, first, last in one.spans():
        names = owners.get(universe, ())
        if controller.name not in names:
            problem = f"its slots run into universe {universe}, which {controller.name} does not have"
            hint = f"give {controller.name} more universes" + (", or fewer pixels" if kind == "string" else "")
            if names:
                problem = (
                    f"its slots run into universe {universe}, which belongs to {names[0]}, not to {controller.name}"
                )
                hint = f"a {kind} has one controller: give it another universe, or divide it into two"
            yield _at(path, one, f"{key}.{where or 'universe'}", problem, hint)
            return
        for begin, end, other in taken.setdefault(universe, []):
            if begin <= last and first <= end:
                named = "string" if isinstance(other, PixelString) else "fixture"
                shared = f"universe {universe}, slot {max(first, begin)}"
                problem = f"it overlaps {named} {other.name} ({other.place}) in {shared}"
                hint = f"let it follow {other.name}" if where else f"begin after slot {end}"
                yield _at(path, one, f"{key}.{where or 'slot'}", problem, hint)
                return
        taken[universe].append((first, last, one))


def _zones(path: Path, rig: Rig) -> Iterator[ConfigError]:
    """The parts of each zone are known, and no zone is within itself."""
    groups = {string.group: None for string in rig.string if string.group is not None}
    tables = {zone.name: zone for zone in rig.zone}
    known: dict[str, Mapping[str, object]] = {
        "strings": {one.name: one for one in rig.string},
        "fixtures": {one.name: one for one in rig.fixture},
        "controllers": {one.name: one for one in rig.controller},
        "groups": groups,
        "zones": {**tables, **groups},
    }
    for index, zone in enumerate(rig.zone):
        key = f"zone[{index}]"
        for kind in ("strings", "fixtures", "controllers"):
            if zone.name in known[kind]:
                problem = f"there is a {kind[:-1]} {zone.name} too"
                yield _at(path, zone, f"{key}.name", problem, "give the zone another name, so that commands are clear")
        for kind, names in known.items():
            for name in getattr(zone, kind):
                if name not in names:
                    hint = instead(name, names or [f"a [[{kind[:-1]}]] table"])
                    yield _at(path, zone, f"{key}.{kind}", f"there is no {kind[:-1]} {name!r}", hint)
        if not any(getattr(zone, kind) for kind in known) and zone.name not in groups:
            yield _at(path, zone, key, "the zone has no part", "name strings, fixtures, controllers, groups or zones")
        if around := _circle(zone.name, tables):
            problem = f"the zone is within itself: {' within '.join(around)}"
            yield _at(path, zone, f"{key}.zones", problem, "remove one of these zones from the other")


def _circle(name: str, tables: Mapping[str, Zone]) -> list[str]:
    """The zones from a zone back to itself, by name. Empty where there is no such way."""
    ways = [[name]]
    seen = set[str]()
    for way in ways:
        for inner in tables[way[-1]].zones if way[-1] in tables else ():
            if inner == name:
                return [name, *reversed(way)]
            if inner not in seen:
                seen.add(inner)
                ways.append([*way, inner])
    return []
