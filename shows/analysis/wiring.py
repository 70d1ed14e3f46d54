"""Findings about the slots of a rig: controllers without users, pixels that are split, frame files that do not fit."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from itertools import chain, groupby

from gloaming.shows.analysis.finding import Finding, FindingCode
from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.protocols import ProtocolName
from gloaming.shows.protocols.artnet import as_written
from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.rig.model import Fixture, PixelString, Rig
from gloaming.shows.rig.wire import stream_gaps

NAMES_MAX = 6


def rig_findings(rig: Rig, files: Mapping[str, FrameFileInfo], places: Mapping[str, str]) -> tuple[Finding, ...]:
    """Findings about a rig and its frame files. `files` and `places` are by the name of the piece.

    `load_rig` refuses an impossible rig, such as one with strings that overlap.
    """
    return (
        *_controllers(rig),
        *_split_pixels(rig),
        *_stream_gaps(rig),
        *_frame_files(rig, files, places),
        *_unfilled(rig, files),
        *_unclaimed(rig, files),
    )


def ranges(numbers: Iterable[int], written: Callable[[int], str] = str, between: str = ", ") -> str:
    """Numbers as a person writes them, sorted: 1-4, 7. `written` writes one of them."""
    return in_their_order(sorted(numbers), written, between)


def in_their_order(numbers: Iterable[int], written: Callable[[int], str] = str, between: str = ", ") -> str:
    """The same, unsorted: 7, 1-4."""
    parts = []
    for _, run in groupby(enumerate(numbers), key=lambda pair: pair[1] - pair[0]):
        group = [number for _, number in run]
        parts.append("-".join(written(one) for one in dict.fromkeys((group[0], group[-1]))))
    return between.join(parts)


def port_ranges(numbers: Iterable[int]) -> str:
    """Port-addresses of Art-Net in their order, as the pages of controllers write them: 0:0:0-0:0:7, 1:0:0."""
    return in_their_order(numbers, as_written)


def numbered(noun: str, numbers: Sequence[int]) -> str:
    """Numbers with their noun: pixel 7, pixels 141-150."""
    return f"{noun}{'s' if len(numbers) > 1 else ''} {ranges(numbers)}"


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
    used = _users(rig)
    for controller in rig.controller:
        if controller.name not in used:
            text, hint = f"controller {controller.name} has no strings", "add its [[string]] tables, or remove it"
            yield Finding(FindingCode.CONTROLLER_WITHOUT_STRINGS, "warning", controller.place, text, hint)


def _split_pixels(rig: Rig) -> Iterator[Finding]:
    """Pixels that a controller gets in two packets. DDP has no universes: a stream is one row of pixels."""
    for string in rig.string:
        if rig.controller_of[string.universe].protocol is ProtocolName.DDP:
            continue
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


def _stream_gaps(rig: Rig) -> Iterator[Finding]:
    for controller in rig.controller:
        gaps = list(stream_gaps(rig, controller))
        parts: Iterator[PixelString | Fixture] = chain(rig.string, rig.fixture) if gaps else iter(())
        own = {(one.universe, one.slot): one for one in parts if one.controller == controller.name}
        places = sorted(own)
        for universe, first, last in gaps:
            place = bisect_left(places, (universe, last))
            part, before = own[places[place]], own[places[place - 1]] if place else None
            slots = "1 slot" if first == last else f"{last - first + 1} slots"
            text = f"DDP sends {slots} as zeros before {part.name} of controller {controller.name}: nothing hangs there"
            hint = f"begin {part.name} at slot {first}"
            if isinstance(part, PixelString) and isinstance(before, PixelString):
                hint = f'hang {part.name} on the next slots, as after = "{before.name}"'
            hint += ", or leave room in the controller's own settings"
            yield Finding(FindingCode.STREAM_GAP, "warning", part.place, text, hint)


def _users(rig: Rig) -> set[str]:
    """The controllers that have strings or fixtures."""
    return {one.controller for one in rig.string} | {one.controller for one in rig.fixture}


def _claimed(rig: Rig) -> dict[int, list[tuple[int, int]]]:
    """The slots of strings and fixtures by universe, in order: first and last."""
    claimed: dict[int, list[tuple[int, int]]] = {}
    spans = chain.from_iterable(one.spans() for kind in (rig.string, rig.fixture) for one in kind)
    for universe, first, last in spans:
        claimed.setdefault(universe, []).append((first, last))
    return {universe: sorted(found) for universe, found in claimed.items()}


def _frame_files(rig: Rig, files: Mapping[str, FrameFileInfo], places: Mapping[str, str]) -> Iterator[Finding]:
    needed = {universe: spans[-1][1] for universe, spans in _claimed(rig).items()}
    for name, info in files.items():
        strange = [one.number for one in info.universes if one.number not in rig.controller_of]
        if strange:
            text = f"{name} has frames for universes that no controller has: {ranges(strange)}"
            hint = "give the universes to a controller in rig.toml, or render the piece without them"
            yield Finding(FindingCode.UNIVERSE_WITHOUT_CONTROLLER, "error", places[name], text, hint)
        short = [one.number for one in info.universes if one.slots < needed.get(one.number, 0)]
        if short:
            text = f"{name} has fewer slots than the strings and fixtures of {numbered('universe', short)} need"
            hint = "render the piece again for this rig; until then the last slots stay black there"
            yield Finding(FindingCode.SLOTS_TOO_FEW, "warning", places[name], text, hint)


def _unfilled(rig: Rig, files: Mapping[str, FrameFileInfo]) -> Iterator[Finding]:
    filled = {one.number for info in files.values() for one in info.universes}
    for controller in rig.controller:
        empty = [number for number in controller.universes if number not in filled]
        if empty and files:
            stays = "they stay" if len(empty) > 1 else "it stays"
            text = f"no frame file fills {numbered('universe', empty)} of controller {controller.name}: {stays} black"
            hint = "render pieces for these universes, or remove the universes from the controller"
            yield Finding(FindingCode.UNIVERSES_UNFILLED, "warning", controller.place, text, hint)


def _unclaimed(rig: Rig, files: Mapping[str, FrameFileInfo]) -> Iterator[Finding]:
    """Slots without a string or fixture: those that a frame file has, which are sent, and those that none has."""
    claimed = _claimed(rig)
    has: dict[int, int] = {}
    for info in files.values():
        for one in info.universes:
            has[one.number] = max(has.get(one.number, 0), one.slots)
    users = _users(rig)
    for controller in rig.controller:
        sent: dict[int, list[tuple[int, int]]] = {}
        unused: dict[int, list[tuple[int, int]]] = {}
        for number in controller.universes:
            spans, end = claimed.get(number, []), has.get(number, 0)
            if not spans and not end:
                unused[number] = [(1, SLOTS_MAX)]
                continue
            after = max(end, spans[-1][1] if spans else 0) + 1
            for first, last in _gaps([*spans, (after, after)]):
                if first <= end:
                    sent.setdefault(number, []).append((first, min(last, end)))
                if last > end:
                    unused.setdefault(number, []).append((max(first, end + 1), last))
        if sent:
            text = f"no string or fixture claims {_slots(sent, claimed)} of controller {controller.name}; frame files "
            as_hung = controller.protocol is ProtocolName.DDP and controller.name in users
            text += "have them, but they are not sent by DDP" if as_hung else "have them, and they are sent as they are"
            yield Finding(FindingCode.SLOTS_UNCLAIMED, "fact", controller.place, text)
        if unused and controller.name in users:
            text = f"no string or fixture uses {_slots(unused, claimed)} of controller {controller.name}"
            yield Finding(FindingCode.SLOTS_UNUSED, "fact", controller.place, text)


def _slots(free: Mapping[int, list[tuple[int, int]]], claimed: Container[int]) -> str:
    """Slots by universe, as text. A universe that nothing claims is free as a whole."""
    whole = [number for number in free if number not in claimed]
    parts = [numbered("universe", whole)] if whole else []
    for number in sorted(free.keys() - set(whole)):
        gaps = ", ".join(f"{first}" if first == last else f"{first}-{last}" for first, last in free[number])
        noun = "slot" if gaps.isdecimal() else "slots"
        parts.append(f"{noun} {gaps} of universe {number}")
    return listed(parts)


def _gaps(spans: list[tuple[int, int]]) -> Iterator[tuple[int, int]]:
    """The gaps between stretches of slots, up to the end of the last one."""
    free = 1
    for first, last in spans:
        if first > free:
            yield free, first - 1
        free = last + 1
