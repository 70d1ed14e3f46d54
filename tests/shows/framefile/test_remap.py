"""Frames moved to another rig, against a map that the test builds pixel by pixel and NumPy's indexing of that map."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.layout import FrameFileInfo
from gloaming.shows.framefile.reader import FrameWriter, Universe, inspect
from gloaming.shows.framefile.remap import mover, remap
from gloaming.shows.framefile.source import write_source
from gloaming.shows.rig.made_for import MadeFor
from gloaming.shows.rig.model import Rig

ORDERS = ["RGB", "GRB", "BGR", "RGBW", "WGRB", "GBW", "W", "RGBWA", "GRWBW", "WWBRG"]
CHANNELS = ["dimmer", "red", "green", "white", "strobe", "fog", "other"]
Place = tuple[int, int]


def table(kind: str, name: str, universe: int, slot: int, **keys: Any) -> dict[str, Any]:
    return {"kind": kind, "name": name, "controller": "left", "universe": universe, "slot": slot, **keys}


def rig_of(tables: list[dict[str, Any]]) -> Rig:
    """A rig of these strings and fixtures, on one controller."""
    of = {
        kind: [{key: one[key] for key in one if key != "kind"} for one in tables if one["kind"] == kind]
        for kind in ("string", "fixture")
    }
    universes = sorted({universe for one in tables for universe, _ in walk(one)})
    return Rig.model_validate({"controller": [{"name": "left", "universes": universes}], **of})


def walk(one: dict[str, Any]) -> list[Place]:
    """Universe and slot of each channel of each pixel, one step at a time."""
    at, places = (one["universe"], one["slot"]), []
    count = one["pixels"] * len(one["order"]) if one["kind"] == "string" else len(one["channels"])
    for _ in range(count):
        places.append(at)
        at = (at[0], at[1] + 1) if at[1] < one.get("slots_per_universe", 512) else (at[0] + 1, 1)
    return places


def places_by_name(tables: list[dict[str, Any]]) -> dict[tuple[object, ...], Place]:
    """Where a channel of a pixel is: by kind, name, pixel, channel, and its turn among the pixel's equal channels."""
    found: dict[tuple[object, ...], Place] = {}
    for one in tables:
        channels = list(one["order"] if one["kind"] == "string" else one["channels"])
        turns: Counter[tuple[int, str]] = Counter()
        for step, place in enumerate(walk(one)):
            pixel, channel = step // len(channels), channels[step % len(channels)]
            found[one["kind"], one["name"], pixel, channel, turns[pixel, channel]] = place
            turns[pixel, channel] += 1
    return found


@st.composite
def drawn(draw: st.DrawFn) -> list[dict[str, Any]]:
    """Strings and fixtures one after another, with gaps. Strings may lie across universes."""
    most = draw(st.sampled_from([4, 7, 30, 510, 512]))
    universe, slot, tables = draw(st.integers(1, 40)), draw(st.integers(1, most)), []
    for name in draw(st.permutations("abcde"))[: draw(st.integers(1, 5))]:
        if draw(st.integers(0, 3)):
            keys = {"pixels": draw(st.integers(1, 25)), "order": draw(st.sampled_from(ORDERS))}
            tables.append(table("string", name, universe, slot, slots_per_universe=most, **keys))
        else:
            channels = draw(st.lists(st.sampled_from(CHANNELS), min_size=1, max_size=6))
            universe, slot = (universe, slot) if slot + len(channels) <= 512 else (universe + 1, 1)
            tables.append(table("fixture", name, universe, slot, channels=channels))
        universe, slot = walk(tables[-1])[-1]
        slot += draw(st.integers(1, 5))
        if slot > most:
            universe, slot = universe + 1, 1
    return tables


@st.composite
def files(draw: st.DrawFn, tables: list[dict[str, Any]]) -> FrameFileInfo:
    """A file with most universes of a rig and perhaps others, in any order, some with fewer slots than needed."""
    numbers = sorted({universe for one in tables for universe, _ in walk(one)})
    kept = draw(st.permutations([*draw(st.lists(st.sampled_from(numbers), min_size=1, unique=True)), 60_000]))
    offset, universes = 0, []
    for number in kept:
        universes.append(Universe(number, draw(st.integers(1, 40) | st.integers(500, 512)), offset))
        offset += universes[-1].slots
    return FrameFileInfo(Path("old.frames"), Fraction(40), 3, offset, tuple(universes))


@given(st.data())
@settings(max_examples=300, deadline=None)
def test_frames_are_what_numpy_makes_of_a_map_that_is_built_pixel_by_pixel(data: st.DataObject) -> None:
    old, new = data.draw(drawn()), data.draw(drawn())
    info = data.draw(files(old))
    found = remap(info, MadeFor.of(rig_of(old)), rig_of(new))
    end = [(one.offset, one.slots) for one in found.universes]
    assert [offset for offset, _ in end] == [sum(slots for _, slots in end[:at]) for at in range(len(end))]
    needed: dict[int, int] = {}
    for universe, slot in (place for one in new for place in walk(one)):
        needed[universe] = max(slot, needed.get(universe, 0))
    assert {one.number: one.slots for one in found.universes} == needed

    before, after = places_by_name(old), places_by_name(new)
    there = {(one.number, slot + 1): one.offset + slot for one in info.universes for slot in range(one.slots)}
    here = {(one.number, slot + 1): one.offset + slot for one in found.universes for slot in range(one.slots)}
    by_hand = [-1] * sum(needed.values())
    for name, place in after.items():
        if name in before:
            by_hand[here[place]] = there.get(before[name], -1)
    frames = np.random.default_rng(info.frame_bytes).integers(0, 256, (3, info.frame_bytes), np.uint8)
    with_dark = np.concatenate([frames, np.zeros((3, 1), np.uint8)], axis=1)  # index -1 is the last: dark
    moved = mover(found.index)(frames)
    assert moved.dtype == np.uint8 and moved.tobytes() == np.ascontiguousarray(with_dark[:, by_hand]).tobytes()
    assert found.moved == len({name[:2] for name in before} & {name[:2] for name in after})


OLD = [
    table("string", "ridge", 1, 1, pixels=200, order="RGB", slots_per_universe=510),
    table("string", "eaves", 3, 10, pixels=50, order="RGBW", slots_per_universe=512),
    table("string", "oak", 11, 1, pixels=10, order="RGB", slots_per_universe=510),
    table("string", "elm", 11, 31, pixels=10, order="RGB", slots_per_universe=510),
    table("fixture", "lamp", 12, 2, channels=["dimmer", "red", "red", "strobe"]),
]
NEW = [
    table("string", "arch", 1, 1, pixels=5, order="RGB", slots_per_universe=510),
    table("string", "ridge", 11, 1, pixels=180, order="GRB", slots_per_universe=510),
    table("string", "eaves", 13, 1, pixels=60, order="RGB", slots_per_universe=510),
    table("fixture", "lamp", 14, 1, channels=["red", "dimmer", "white"]),
]
SLOTS = {1: 510, 2: 20, 3: 512, 11: 60, 12: 60}


def laid_out(slots: dict[int, int]) -> tuple[Universe, ...]:
    """Universes one after another."""
    ends = np.cumsum(list(slots.values())).tolist()
    return tuple(Universe(number, slots[number], end - slots[number]) for number, end in zip(slots, ends, strict=True))


def info_of(slots: dict[int, int]) -> FrameFileInfo:
    return FrameFileInfo(Path("pieces/tide.frames"), Fraction(40), 3, sum(slots.values()), laid_out(slots))


def test_what_has_no_place_and_what_stays_dark_is_named() -> None:
    found = remap(info_of(SLOTS), MadeFor.of(rig_of(OLD)), rig_of(NEW))
    assert found.moved == 3
    assert found.no_place == (
        "strings oak, elm",
        "pixels 181-200 of string ridge",
        "W of string eaves",
        "red (2), strobe of fixture lamp",
        "slots 1-9, 210-512 of universe 3: no string or fixture of the old rig has them",
        "slots 1, 6-60 of universe 12: no string or fixture of the old rig has them",
    )
    assert found.dark == (
        "string arch",
        "pixels 177-180 of string ridge: not in tide.frames",
        "pixels 51-60 of string eaves",
        "white of fixture lamp",
    )


def test_a_file_that_lacks_slots_of_a_fixture_leaves_its_channels_dark() -> None:
    found = remap(info_of({1: 9, 12: 2}), MadeFor.of(rig_of(OLD)), rig_of(NEW))
    assert found.dark[-1] == "red of fixture lamp: not in tide.frames"
    assert "pixels 4-180 of string ridge: not in tide.frames" in found.dark


def test_the_same_rig_changes_nothing(tmp_path: Path) -> None:
    """The frames of each string and fixture of a rig that stays as it is, through a file."""
    universes = [
        Universe(1, 510, 0),
        Universe(2, 90, 510),
        Universe(3, 209, 600),
        Universe(11, 60, 809),
        Universe(12, 5, 869),
    ]
    frames = np.random.default_rng(2).integers(0, 256, (9000, 874), np.uint8)
    frames[:, 600:609] = frames[:, 869] = 0
    with FrameWriter(tmp_path / "a.frames", Fraction(40), universes, crash_safe=False) as writer:
        writer.write(frames)
    info = inspect(tmp_path / "a.frames")
    found = remap(info, MadeFor.of(rig_of(OLD)), rig_of(OLD))
    write_source(found.source(info), tmp_path / "b.frames", info.fps, found.universes)
    assert inspect(tmp_path / "b.frames").universes == info.universes and found.dark == ()
    assert np.array_equal(np.concatenate(list(frames_of(tmp_path / "b.frames"))), frames)


def test_blocks_stay_small_where_the_new_rig_is_much_larger(tmp_path: Path) -> None:
    with FrameWriter(tmp_path / "a.frames", Fraction(40), laid_out({11: 60})) as writer:
        writer.write(np.full((20_000, 60), 7, np.uint8))
    large = table("string", "oak", 1, 1, pixels=20_000, order="RGB", slots_per_universe=510)
    found = remap(info := inspect(tmp_path / "a.frames"), MadeFor.of(rig_of(OLD)), rig_of([large]))
    blocks = found.source(info).blocks
    assert max(block.nbytes for _, block in zip(range(50), blocks, strict=False)) <= 2 * 1024 * 1024
