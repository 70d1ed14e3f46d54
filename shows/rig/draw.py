"""What strings draw, and what they share: fuses, ports and supplies. The survey, the limiter and the reports use it.

A string draws `slot_ma` times the sum of its slots / 255, and always `idle_ma`. A fixture counts as if it were always
at full.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

from gloaming.shows.rig.model import PixelString, Rig, Supply

FeedKind = Literal["string", "port", "supply"]
"""A string's own fuse, a port or a supply."""


@dataclass(frozen=True, slots=True)
class Feed:
    """Strings that share a limit.

    `strings` are indices in the rig. `limit_ma` is None if it is not known. `always_ma` is drawn by dark pixels and by
    fixtures, whatever the frames are.
    """

    kind: FeedKind
    name: str
    place: str
    strings: tuple[int, ...]
    limit_ma: float | None
    always_ma: float


def slot_ma(rig: Rig) -> tuple[float, ...]:
    """What a slot of each string draws at 255, in mA, at the brightness that is set in its controller."""
    brightness = {controller.name: controller.brightness for controller in rig.controller}
    return tuple(brightness[string.controller] * string.ma_per_channel for string in rig.string)


def idle_ma(string: PixelString) -> float:
    """What a string draws with all slots at 0, in mA."""
    return string.idle_ma * string.hung


def fed_volts(rig: Rig) -> tuple[float | None, ...]:
    """The voltage that feeds each string: that of its supply, else of its port, else what it needs, if it is known."""
    supplies = {supply.name: supply.volts for supply in rig.supply}
    ports = {(port.controller, port.number): port.volts for port in rig.port}
    return tuple(
        supplies.get(string.supply or "") or ports.get((string.controller, string.port or 0)) or string.volts
        for string in rig.string
    )


class MainsWatts(NamedTuple):
    """What strings take from the mains: for light, at full brightness, and all the time, for dark pixels. In watts."""

    light: float
    idle: float

    def at(self, level: float) -> float:
        """Their power at a brightness 0..1."""
        return self.light * level + self.idle


def total(watts: Iterable[MainsWatts]) -> MainsWatts:
    """What several take together."""
    found = tuple(watts)
    return MainsWatts(sum(one.light for one in found), sum(one.idle for one in found))


def mains_w_per_ma(rig: Rig) -> tuple[float, ...]:
    """What 1 mA of each string takes from the mains, with the losses of its supply, in watts.

    A string without a supply has a usual one. 0 if its volts are not known.
    """
    efficiency = {supply.name: supply.efficiency for supply in rig.supply}
    usual = Supply.model_fields["efficiency"].default
    return tuple(
        (volts or 0.0) / 1000 / efficiency.get(string.supply or "", usual)
        for volts, string in zip(fed_volts(rig), rig.string, strict=True)
    )


def feeds(rig: Rig) -> tuple[Feed, ...]:
    """The strings without a port, then the ports, then the supplies; each in the order of the rig."""
    on_port: dict[tuple[str, int], list[int]] = {(port.controller, port.number): [] for port in rig.port}
    on_supply: dict[str, list[int]] = {supply.name: [] for supply in rig.supply}
    found: list[Feed] = []
    for index, string in enumerate(rig.string):
        if string.port is None:
            limit_ma = _ma(string.own_fuse_a)
            found.append(Feed("string", string.name, string.place, (index,), limit_ma, idle_ma(string)))
        else:
            on_port[string.controller, string.port].append(index)
        if string.supply is not None:
            on_supply[string.supply].append(index)
    for port in rig.port:
        strings = on_port[port.controller, port.number]
        always_ma = sum(idle_ma(rig.string[index]) for index in strings)
        found.append(Feed("port", port.name, port.place, tuple(strings), _ma(port.fuse_a), always_ma))
    fixtures_w = dict.fromkeys(on_supply, 0.0)
    for fixture in rig.fixture:
        if fixture.supply is not None:
            fixtures_w[fixture.supply] += fixture.watts or 0
    for supply in rig.supply:
        strings = on_supply[supply.name]
        always_ma = sum(idle_ma(rig.string[index]) for index in strings) + fixtures_w[supply.name] / supply.volts * 1000
        found.append(Feed("supply", supply.name, supply.place, tuple(strings), supply.amps * 1000, always_ma))
    return tuple(found)


def feeds_of_part(part: Rig, rig: Rig) -> tuple[Feed, ...]:
    """The feeds of a part of a rig, none above what is the part's own.

    Of a supply that feeds other parts too, this part has a share of what is left for light: as its strings at full have
    of all its strings at full. So all parts together stay within the supply, whatever each of them shows.
    """
    whole, of_all = {(one.kind, one.name): one for one in feeds(rig)}, _full_ma(rig)
    own, found = _full_ma(part), []
    for one in feeds(part):
        all_of_it = whole[one.kind, one.name]
        if all_of_it.limit_ma is not None and len(one.strings) < len(all_of_it.strings):
            full_ma = sum(of_all[index] for index in all_of_it.strings)
            share = sum(own[index] for index in one.strings) / full_ma if full_ma else 0.0
            light_ma = max(0.0, all_of_it.limit_ma - all_of_it.always_ma) * share
            one = replace(one, limit_ma=one.always_ma + light_ma)
        found.append(one)
    return tuple(found)


def _full_ma(rig: Rig) -> tuple[float, ...]:
    """What the light of each string draws with all slots at 255, in mA."""
    return tuple(ma * one.hung * len(one.order) for ma, one in zip(slot_ma(rig), rig.string, strict=True))


def hung_spans(string: PixelString) -> Iterator[tuple[int, int, int]]:
    """The stretches of a frame, as `PixelString.spans`, without the slots of missing pixels."""
    channels = len(string.order)
    gaps = [((number - 1) * channels, number * channels) for number in sorted(string.missing)]
    done = 0  # slots of the string in the spans before
    for universe, first, last in string.spans():
        end, at = done + last - first + 1, done
        for begin, until in gaps:
            if at < begin < end:
                yield universe, first + at - done, first + begin - done - 1
            if begin < end:
                at = max(at, until)
        if at < end:
            yield universe, first + at - done, last
        done = end


def _ma(amps: float | None) -> float | None:
    return None if amps is None else amps * 1000
