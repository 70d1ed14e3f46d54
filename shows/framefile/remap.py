"""Moves frames from one rig to another: pixels of strings and channels of fixtures, by the names of both."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from gloaming.shows.analysis.wiring import numbered
from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.layout import CHUNK_BYTES_MAX, FrameFileInfo, Frames, Universe, bytes_of
from gloaming.shows.framefile.source import FrameSource, universes_of
from gloaming.shows.rig.made_for import MadeFor
from gloaming.shows.rig.model import Fixture, PixelString, Rig

Index = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class Remap:
    """How the frames of a file become frames for another rig.

    `index` has, for each byte of a new frame, its byte in an old frame: `(new frame_bytes,) intp`. -1 stays dark.
    `moved` counts the strings and fixtures that both rigs have. `no_place` names what has no place in the new rig.
    `dark` names what stays dark there.
    """

    universes: tuple[Universe, ...]
    index: Index
    moved: int
    no_place: tuple[str, ...]
    dark: tuple[str, ...]

    def source(self, info: FrameFileInfo) -> FrameSource:
        """The frames of the file, moved, in blocks of at most 2 MiB, unless a single frame is larger."""
        step = max(1, CHUNK_BYTES_MAX // len(self.index))
        move = mover(self.index)

        def blocks() -> Iterator[Frames]:
            for block in frames_of(info.path):
                for first in range(0, len(block), step):
                    yield move(block[first : first + step])

        return FrameSource(len(self.index), info.frames, info.fps, blocks())


def mover(index: Index) -> Callable[[Frames], Frames]:
    """A function that moves frames `(n, old frame_bytes) uint8` by an index as of `Remap`."""
    lit = np.where(index < 0, 0, 255).astype(np.uint8)

    def move(frames: Frames) -> Frames:
        moved: Frames = np.take(frames, index, axis=1, mode="clip")  # clip: -1 takes byte 0, made dark below
        return np.bitwise_and(moved, lit, out=moved)

    return move


def remap(info: FrameFileInfo, old: MadeFor, new: Rig) -> Remap:
    """The way of the frames of a file from the rig that it was made for to another. Time is linear in their slots."""
    universes = universes_of(new.slots)
    before, after = ({one.number: one for one in part} for part in (info.universes, universes))
    index = np.full(sum(one.slots for one in universes), -1, np.intp)
    moved = 0
    no_place: list[str] = []
    dark: list[str] = []
    for kind, olds, news in (("string", old.strings, new.string), ("fixture", old.fixtures, new.fixture)):
        sources, targets = ({one.name: one for one in part} for part in (olds, news))
        no_place += _named(kind, [name for name in sources if name not in targets])
        dark += _named(kind, [name for name in targets if name not in sources])
        for name, target in targets.items():
            if source := sources.get(name):
                moved += 1
                from_, to = _table(source, before), _table(target, after)
                _fill(index, from_, to)
                no_place += (f"{part} of {kind} {name}" for part in _surplus(from_, to))
                dark += (f"{part} of {kind} {name}" for part in _surplus(to, from_))
                dark += (f"{part} of {kind} {name}: not in {info.path.name}" for part in _absent(from_, to))
    return Remap(universes, index, moved, (*no_place, *_unclaimed(info, old, before)), tuple(dark))


Table = dict[str, Index]
"""The byte of a frame for each pixel, by channel. A fixture is one pixel of many channels."""


def _table(one: PixelString | Fixture, universes: Mapping[int, Universe]) -> Table:
    letters = tuple(one.order) if isinstance(one, PixelString) else one.channels
    counts = [letters[: at + 1].count(letter) for at, letter in enumerate(letters)]
    names = [f"{letter} ({n})" if n > 1 else letter for letter, n in zip(letters, counts, strict=True)]
    places = bytes_of(one.spans(), universes).reshape(-1, len(letters))
    return dict(zip(names, places.T, strict=True))


def _pixels(table: Table) -> int:
    return len(next(iter(table.values())))


def _fill(index: Index, from_: Table, to: Table) -> None:
    for channel in to.keys() & from_.keys():
        count = min(_pixels(from_), _pixels(to))
        index[to[channel][:count]] = from_[channel][:count]


def _surplus(table: Table, other: Table) -> Iterator[str]:
    """The channels and the last pixels of a table that another does not have."""
    if channels := [channel for channel in table if channel not in other]:
        yield ", ".join(channels)
    if _pixels(table) > _pixels(other):
        yield numbered("pixel", range(_pixels(other) + 1, _pixels(table) + 1))


def _absent(from_: Table, to: Table) -> Iterator[str]:
    """What both tables have, but not the file: of a string its pixels, of a fixture its channels."""
    pixels = min(_pixels(from_), _pixels(to))
    shared = {channel: from_[channel][:pixels] < 0 for channel in from_ if channel in to}
    if pixels == 1:
        absent = [channel for channel, gone in shared.items() if gone.any()]
        if absent:
            yield ", ".join(absent)
    elif shared and (gone := np.any(list(shared.values()), axis=0)).any():
        yield numbered("pixel", (np.flatnonzero(gone) + 1).tolist())


def _unclaimed(info: FrameFileInfo, old: MadeFor, universes: Mapping[int, Universe]) -> Iterator[str]:
    """The slots of a file that no string and no fixture has. Universes with the same ones are together."""
    claimed = np.zeros(info.frame_bytes + 1, bool)  # -1 claims the last
    for one in old.hung:
        claimed[bytes_of(one.spans(), universes)] = True
    free: dict[str, list[int]] = {}
    for universe in info.universes:
        slots = np.flatnonzero(~claimed[universe.offset : universe.offset + universe.slots]) + 1
        if len(slots):
            free.setdefault(numbered("slot", slots.tolist()), []).append(universe.number)
    for slots_text, numbers in free.items():
        yield f"{slots_text} of {numbered('universe', numbers)}: no string or fixture of the old rig has them"


def _named(kind: str, names: Sequence[str]) -> list[str]:
    """Names with their kind, as a list of one text: strings oak, elm. Empty without names."""
    return [f"{kind}{'s' if len(names) > 1 else ''} {', '.join(names)}"] if names else []
