"""Findings about the wiring of a rig: parts that are unused, too much for a port, or do not fit together."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import groupby

from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.rig.model import PixelString, Rig

PORT_PIXELS_MAX = 1024
"""Common practice, no source: 1024 pixels shared by 16 ports, so one port never drives more."""
NAMES_MAX = 6


def rig_findings(rig: Rig, files: Mapping[str, FrameFileInfo], places: Mapping[str, str]) -> tuple[Finding, ...]:
    """Findings about a rig and its frame files. `files` and `places` are by the name of the piece.

    `load_rig` refuses an impossible rig, such as one with strings that overlap.
    """
    return (
        *_controllers(rig),
        *_ports(rig),
        *_supplies(rig),
        *_split_pixels(rig),
        *_frame_files(rig, files, places),
        *_unfilled(rig, files),
        *_unused(rig),
    )


def ranges(numbers: Iterable[int]) -> str:
    """Numbers as a person writes them: 1-4, 7."""
    parts = []
    for _, run in groupby(enumerate(sorted(numbers)), key=lambda pair: pair[1] - pair[0]):
        group = [number for _, number in run]
        parts.append(f"{group[0]}" if len(group) == 1 else f"{group[0]}-{group[-1]}")
    return ", ".join(parts)


def listed(names: Iterable[str]) -> str:
    """Names as a list; only the first few of many."""
    found = list(names)
    more = f" and {len(found) - NAMES_MAX} more" if len(found) > NAMES_MAX else ""
    return ", ".join(found[:NAMES_MAX]) + more


def _controllers(rig: Rig) -> Iterator[Finding]:
    if not rig.string:
        text = "there are no strings: currents and flashes are unknown, and the limiter does nothing"
        yield Finding(FindingCode.NO_STRINGS, "warning", "rig.toml", text, "add a [[string]] table for each string")
        return
    for controller in rig.controller:
        if not rig.strings_of[controller.name]:
            hint = "add its [[string]] tables, or remove the controller"
            yield Finding(
                FindingCode.CONTROLLER_WITHOUT_STRINGS,
                "warning",
                controller.place,
                f"controller {controller.name} has no strings",
                hint,
            )


def _ports(rig: Rig) -> Iterator[Finding]:
    ports: dict[tuple[str, str], list[PixelString]] = {}
    for string in rig.string:
        port = f"port {string.port}" if string.port else f"string {string.name}"
        ports.setdefault((string.controller, port), []).append(string)
    for (controller, port), strings in ports.items():
        pixels = sum(string.pixels for string in strings)
        if pixels > PORT_PIXELS_MAX:
            text = f"{port} of controller {controller} drives {pixels} pixels; common practice is {PORT_PIXELS_MAX}"
            hint = "share the pixels among more ports, or make sure that the controller and the frame rate allow it"
            yield Finding(FindingCode.PORT_PIXELS, "warning", strings[0].place, text, hint)


def _supplies(rig: Rig) -> Iterator[Finding]:
    volts = {supply.name: supply.volts for supply in rig.supply}
    for string in rig.string:
        fed = volts.get(string.supply or "")
        if string.volts is not None and fed is not None and string.volts != fed:
            text = f"string {string.name} needs {string.volts:g} V, but {string.supply} supplies {fed:g} V"
            burns = "never put 12 V on a 5 V string: it burns; change the supply"
            weak = "it will light badly or not at all: change the supply, or correct the volts"
            yield Finding(FindingCode.VOLTS_DIFFER, "error", string.place, text, burns if fed > string.volts else weak)
    fed_by = {string.supply for string in rig.string}
    for supply in rig.supply:
        if supply.name not in fed_by:
            hint = "name it in the [[string]] tables that it feeds, or remove it"
            yield Finding(
                FindingCode.SUPPLY_UNUSED, "warning", supply.place, f"supply {supply.name} feeds no string", hint
            )
    bare = [string for string in rig.string if string.fuse_a is None]
    if bare:
        text = f"no fuse_a is given for {listed(string.name for string in bare)}"
        hint = "fuse every run for its wire and write the fuse into rig.toml, so that its limit is known"
        yield Finding(FindingCode.NO_FUSE, "warning", bare[0].place, text, hint)
    loose = [string for string in rig.string if string.supply is None]
    if loose:
        text = f"no supply is given for {listed(string.name for string in loose)}"
        yield Finding(
            FindingCode.NO_SUPPLY, "fact", loose[0].place, text, "give their supply, so that its load is known"
        )


def _split_pixels(rig: Rig) -> Iterator[Finding]:
    for string in rig.string:
        spans = list(string.spans())
        done = 0
        for universe, first, last in spans[:-1]:
            done += last - first + 1
            if done % len(string.order):
                pixel = done // len(string.order) + 1
                text = f"pixel {pixel} of string {string.name} lies across universes {universe} and {universe + 1}"
                yield Finding(FindingCode.PIXEL_ACROSS_UNIVERSES, "warning", string.place, text, _whole_pixels(string))
                break


def _whole_pixels(string: PixelString) -> str:
    """A hint so that no pixel is split: a first slot, and a number of slots for each universe."""
    channels = len(string.order)
    whole = max(string.slots_per_universe // channels, 1) * channels
    slot = min((string.slot - 1) // channels * channels, whole - channels) + 1
    later = f", or {slot + channels}" if slot + channels <= whole else ""
    keys = [f"slot = {slot}{later}"] if slot != string.slot else []
    keys += [f"slots_per_universe = {whole}"] if whole != string.slots_per_universe else []
    return f"most controllers begin a universe with a whole pixel: {' and '.join(keys)}"


def _frame_files(rig: Rig, files: Mapping[str, FrameFileInfo], places: Mapping[str, str]) -> Iterator[Finding]:
    needed = _needed(rig)
    for name, info in files.items():
        strange = [one.number for one in info.universes if one.number not in rig.controller_of]
        if strange:
            text = f"{name} has frames for universes that no controller has: {ranges(strange)}"
            yield Finding(
                FindingCode.UNIVERSE_WITHOUT_CONTROLLER,
                "error",
                places[name],
                text,
                "give the universes to a controller in rig.toml, or render the piece without them",
            )
        short = [one.number for one in info.universes if one.slots < needed.get(one.number, 0)]
        if short:
            text = f"{name} has fewer slots than the strings of universes {ranges(short)} need"
            yield Finding(
                FindingCode.SLOTS_TOO_FEW,
                "warning",
                places[name],
                text,
                "render the piece again for this rig; until then the ends of the strings stay black",
            )


def _needed(rig: Rig) -> dict[int, int]:
    needed: dict[int, int] = {}
    for string in rig.string:
        for universe, _, last in string.spans():
            needed[universe] = max(needed.get(universe, 0), last)
    return needed


def _unfilled(rig: Rig, files: Mapping[str, FrameFileInfo]) -> Iterator[Finding]:
    filled = {one.number for info in files.values() for one in info.universes}
    for controller in rig.controller:
        empty = [number for number in controller.universes if number not in filled]
        if empty and files:
            text = f"no frame file fills universes {ranges(empty)} of controller {controller.name}: they stay black"
            yield Finding(
                FindingCode.UNIVERSES_UNFILLED,
                "warning",
                controller.place,
                text,
                "render pieces for these universes, or remove the universes from the controller",
            )


def _unused(rig: Rig) -> Iterator[Finding]:
    used: dict[int, list[tuple[int, int]]] = {}
    for string in rig.string:
        for universe, first, last in string.spans():
            used.setdefault(universe, []).append((first, last))
    for controller in rig.controller:
        if not rig.strings_of[controller.name]:
            continue
        idle = [number for number in controller.universes if number not in used]
        parts = [f"universes {ranges(idle)}"] if idle else []
        for number in controller.universes:
            free = _gaps(sorted(used.get(number, ())))
            gaps = ", ".join(f"{first}" if first == last else f"{first}-{last}" for first, last in free)
            if gaps:
                parts.append(f"slots {gaps} of universe {number}")
        if parts:
            text = f"no string uses {listed(parts)} of controller {controller.name}"
            yield Finding(FindingCode.SLOTS_UNUSED, "fact", controller.place, text)


def _gaps(spans: list[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """The gaps between the strings of a universe, up to the end of the last one."""
    free = 1
    for first, last in spans:
        if first > free:
            yield free, first - 1
        free = last + 1
