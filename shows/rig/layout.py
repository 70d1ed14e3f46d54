"""Gives slots to strings and fixtures that have none, so that nobody needs to count them."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from pathlib import Path

from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.rig.load import follow, in_place
from gloaming.shows.rig.model import Controller, Fixture, PixelString, Rig

Placed = PixelString | Fixture


def lay_out(rig: Rig, loose: Collection[str]) -> Rig:
    """A rig in which each string has `universe` or `after`, each fixture its slot, and each controller its universes.

    A string follows the one above it on its controller, or begins the universe after it if its pixels have another
    number of colours. The first one begins at the first universe of the controller.
    `loose` names the fixtures without a place: they begin in the universe after the strings. A controller without
    universes gets new ones, as many as it needs, and one for each port-address. Errors are left to `load.complete`.
    """
    owners = _owners(rig.string)
    hung: dict[str, list[PixelString]] = {controller.name: [] for controller in rig.controller}
    for string in rig.string:
        hung.setdefault(owners[string.name], []).append(string)
    lamps: dict[str, list[Fixture]] = {controller.name: [] for controller in rig.controller}
    for fixture in rig.fixture:
        lamps.setdefault(fixture.controller, []).append(fixture)
    fixed: list[Placed] = [one for one in rig.string if one.universe]
    fixed += [one for one in rig.fixture if one.name not in loose]
    highest = max([*_universes(fixed), *(number for one in rig.controller for number in one.universes)], default=0)
    strings: dict[str, PixelString] = {}
    fixtures: dict[str, Fixture] = {}
    controllers = []
    for controller in rig.controller:
        begin = controller.universes[0] if controller.universes else highest + 1
        row = _in_a_row(hung[controller.name], begin)
        placed: list[Placed] = [one for one in in_place(Path(), row, []) if one.universe]
        placed += [one for one in lamps[controller.name] if one.name not in loose]
        free = [one for one in lamps[controller.name] if one.name in loose]
        added = _one_by_one(free, max(_universes(placed), default=begin - 1) + 1)
        universes = _universes([*placed, *added])
        universes |= set(range(begin, begin + len(controller.port_addresses)))
        highest = max(highest, *universes, 0)
        controllers.append(_with_universes(controller, universes))
        strings |= {one.name: one for one in row}
        fixtures |= {one.name: one for one in added}
    return rig.model_copy(
        update={
            "controller": tuple(controllers),
            "string": tuple(strings.get(one.name, one) for one in rig.string),
            "fixture": tuple(fixtures.get(one.name, one) for one in rig.fixture),
        }
    )


def _owners(strings: Iterable[PixelString]) -> dict[str, str]:
    """The controller of each string by its name; "" if it has none."""
    by_name = {string.name: string for string in strings}
    owners: dict[str, str] = {}
    for string in by_name.values():
        line: dict[str, PixelString] = {}
        one: PixelString | None = string
        while one and one.name not in owners and one.name not in line and not one.controller:
            line[one.name] = one
            one = by_name.get(one.after or "")
        owner = (one.controller or owners.get(one.name, "")) if one else ""
        owners |= {string.name: owner, **dict.fromkeys(line, owner)}
    return owners


def _universes(placed: Iterable[Placed]) -> set[int]:
    return {universe for one in placed for universe, _, _ in one.spans()}


def _in_a_row(strings: list[PixelString], begin: int) -> list[PixelString]:
    """The strings of a controller. Each one without a place follows the last one above it that has one."""
    found: list[PixelString] = []
    placed: dict[str, PixelString] = {}
    above = None
    for string in strings:
        if string.after is None and not string.model_fields_set & {"universe", "slot"}:
            string = string.model_copy(update=_place(string, above, begin))
        found.append(string)
        placed[string.name] = follow(string, placed.get(string.after or ""), lambda *_: None)
        above = placed[string.name] if placed[string.name].universe else above
    return found


def _place(string: PixelString, above: PixelString | None, begin: int) -> dict[str, str | int]:
    """The keys that give a string its place. No pixel lies across universes."""
    channels = len(string.order)
    place: dict[str, str | int] = {}
    if "slots_per_universe" not in string.model_fields_set:
        place["slots_per_universe"] = string.slots_per_universe // channels * channels
    if above is None:
        return {**place, "universe": begin}
    if len(above.order) == channels:
        return {**place, "after": above.name}
    return {**place, "universe": max(_universes([above])) + 1}


def _one_by_one(fixtures: list[Fixture], universe: int) -> list[Fixture]:
    """The fixtures one after the other, from the first slot of a universe."""
    found, slot = [], 1
    for fixture in fixtures:
        if slot + len(fixture.channels) - 1 > SLOTS_MAX:
            universe, slot = universe + 1, 1
        found.append(fixture.model_copy(update={"universe": universe, "slot": slot}))
        slot += len(fixture.channels)
    return found


def _with_universes(controller: Controller, universes: set[int]) -> Controller:
    return controller if controller.universes else controller.model_copy(update={"universes": tuple(sorted(universes))})
