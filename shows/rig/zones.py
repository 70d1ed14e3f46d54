"""Zones: named parts of a rig, as sets of slots, and the areas into which zones part a rig."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import chain
from typing import TYPE_CHECKING

from gloaming.shows.protocols.e131 import SLOTS_MAX

if TYPE_CHECKING:  # the direction and the transmitter know areas, and load no model
    from gloaming.shows.rig.model import Rig

Span = tuple[int, int, int]
"""A stretch of slots: universe, first slot, last slot."""
Spans = tuple[Span, ...]


@dataclass(frozen=True, slots=True)
class Area:
    """All slots that belong to the same zones. The areas of a rig do not overlap."""

    zones: frozenset[str]
    spans: Spans


def zone_spans(rig: Rig) -> dict[str, Spans]:
    """The slots of every zone by its name: of the [[zone]] tables, and of the groups of strings."""
    groups: dict[str, list[Span]] = {}
    for string in rig.string:
        if string.group is not None:
            groups.setdefault(string.group, []).extend(string.spans())
    tables = {zone.name: zone for zone in rig.zone}
    parts = part_spans(rig)

    def spans(name: str) -> Iterator[Span]:
        yield from groups.get(name, ())
        if zone := tables.get(name):
            for kind in ("string", "fixture", "controller"):
                for one in getattr(zone, f"{kind}s"):
                    yield from parts[kind].get(one, ())
            for other in (*zone.groups, *zone.zones):
                yield from spans(other)

    return {name: joined(spans(name)) for name in dict.fromkeys((*groups, *tables))}


def part_spans(rig: Rig) -> dict[str, dict[str, Spans]]:
    """The slots of each string, fixture and controller, by kind and name. A controller has all its universes."""
    return {
        "string": {one.name: tuple(one.spans()) for one in rig.string},
        "fixture": {one.name: tuple(one.spans()) for one in rig.fixture},
        "controller": {one.name: joined((number, 1, SLOTS_MAX) for number in one.universes) for one in rig.controller},
    }


def named_spans(rig: Rig) -> dict[str, Spans]:
    """The slots of everything that has a name: zones first, then strings, fixtures and controllers."""
    parts = part_spans(rig)
    return {**parts["controller"], **parts["fixture"], **parts["string"], **zone_spans(rig)}


def parts_in(spans: Spans, parts: Mapping[str, Spans]) -> tuple[str, ...]:
    """The names of the parts of which every slot is in the spans, in their order."""
    inside: dict[int, list[Span]] = {}
    for span in spans:
        inside.setdefault(span[0], []).append(span)

    def holds(part: Span) -> bool:
        universe, first, last = part
        return any(begin <= first and last <= end for _, begin, end in inside.get(universe, ()))

    return tuple(name for name, own in parts.items() if own and all(map(holds, own)))


def joined(spans: Iterable[Span]) -> Spans:
    """The same slots in order, with spans that touch or overlap joined."""
    found: list[Span] = []
    for universe, first, last in sorted(spans):
        if found and found[-1][0] == universe and first <= found[-1][2] + 1:
            found[-1] = (universe, found[-1][1], max(found[-1][2], last))
        else:
            found.append((universe, first, last))
    return tuple(found)


def areas(zones: Mapping[str, Spans]) -> tuple[Area, ...]:
    """The areas into which zones part a rig, without what is in no zone. In order of their first slots."""
    edges: dict[int, set[int]] = {}
    for universe, first, last in chain.from_iterable(zones.values()):
        edges.setdefault(universe, set()).update((first, last + 1))
    beginnings = {universe: sorted(each) for universe, each in edges.items()}
    places = {universe: {at: place for place, at in enumerate(each)} for universe, each in beginnings.items()}
    members: dict[tuple[int, int], list[str]] = {}
    for name, spans in zones.items():
        for universe, first, last in spans:
            for place in range(places[universe][first], places[universe][last + 1]):
                members.setdefault((universe, place), []).append(name)
    found: dict[frozenset[str], list[Span]] = {}
    for (universe, place), names in sorted(members.items()):
        span = (universe, beginnings[universe][place], beginnings[universe][place + 1] - 1)
        found.setdefault(frozenset(names), []).append(span)
    return tuple(Area(names, joined(spans)) for names, spans in found.items())
