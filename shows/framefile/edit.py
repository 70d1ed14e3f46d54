"""Makes frame files from frame files: trim, join, gain, rename universes. Exports frames as arrays.

Each function returns a source of frames, block by block. No file is held in memory whole or changed in place.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile.reader import DamagedChunkError, FrameFileInfo, FrameReader, Frames, Universe, inspect
from gloaming.shows.framefile.source import FrameSource, Progress
from gloaming.shows.protocols.e131 import UNIVERSE_MAX
from gloaming.shows.replacing import replacing


def frames_of(path: Path, first: int = 0, until: int | None = None) -> Iterator[Frames]:
    """The frames from `first` up to before `until`, chunk by chunk. InputError at a damaged chunk."""
    with FrameReader(path) as reader:
        end = reader.info.frames if until is None else until
        at = first
        while at < end:
            try:
                begin, frames = reader.chunk(at)
            except DamagedChunkError as error:
                hint = "`gloaming frames trim` saves the frames before or after the damage"
                raise input_error(path, error.text, hint) from None
            block = frames[at - begin : end - begin]
            yield block
            at += len(block)


def whole(info: FrameFileInfo) -> FrameSource:
    """All of a frame file."""
    return FrameSource(info.frame_bytes, info.frames, info.fps, frames_of(info.path))


def trimmed(info: FrameFileInfo, from_s: Fraction, until_s: Fraction | None) -> FrameSource:
    """The frames from one time to another, both rounded to the nearest frame."""
    first = _nearest(from_s, info.fps)
    until = info.frames if until_s is None else _nearest(until_s, info.fps)
    if not 0 <= first < until <= info.frames:
        end_s = until / info.fps if until_s is None else until_s
        problem = f"from {float(from_s):g} s until {float(end_s):g} s is not a part of the file"
        raise input_error(info.path, problem, f"the file is {float(info.frames / info.fps):g} s long")
    return FrameSource(info.frame_bytes, until - first, info.fps, frames_of(info.path, first, until))


def _nearest(at_s: Fraction, fps: Fraction) -> int:
    return int(at_s * fps + Fraction(1, 2))


def joined(paths: Sequence[Path]) -> tuple[FrameFileInfo, FrameSource]:
    """Frame files one after another. All need the rate and the universes of the first. Offsets may differ."""
    infos = [inspect(path) for path in paths]
    first = infos[0]
    slots = {one.number: one.slots for one in first.universes}
    for info in infos[1:]:
        if info.fps != first.fps:
            raise input_error(info.path, f"it has {info.fps} frames a second, but {first.path} has {first.fps}")
        if {one.number: one.slots for one in info.universes} != slots:
            raise input_error(info.path, f"its universes are not those of {first.path}")

    def blocks() -> Iterator[Frames]:
        for info in infos:
            places = _places(first, info)
            for block in frames_of(info.path):
                yield block if places is None else block[:, places]

    return first, FrameSource(first.frame_bytes, sum(info.frames for info in infos), first.fps, blocks())


def _places(wanted: FrameFileInfo, info: FrameFileInfo) -> np.ndarray | None:
    """The place in a frame of `info` of each byte of a `wanted` frame. None if the layouts are equal."""
    if set(wanted.universes) == set(info.universes):
        return None
    offsets = {one.number: one.offset for one in info.universes}
    ordered = sorted(wanted.universes, key=lambda one: one.offset)
    return np.concatenate([np.arange(one.slots) + offsets[one.number] for one in ordered])


def gained(info: FrameFileInfo, gain: float, numbers: Sequence[int] | None = None) -> FrameSource:
    """Every level times `gain`, rounded, at most 255. `numbers` limits this to some universes."""
    if not 0 <= gain <= 255:
        raise input_error("--by", f"{gain:g} is not a gain", "0 is black, 1 changes nothing, 255 is the most")
    table = np.clip(np.rint(np.arange(256) * gain), 0, 255).astype(np.uint8)
    touched = np.zeros(info.frame_bytes, bool)
    for one in _named(info, numbers):
        touched[one.offset : one.offset + one.slots] = True
    blocks = (np.where(touched, table[block], block) for block in frames_of(info.path))
    return FrameSource(info.frame_bytes, info.frames, info.fps, blocks)


def renamed(info: FrameFileInfo, numbers: Sequence[int] | None, to: Sequence[int]) -> tuple[Universe, ...]:
    """The universes of a file with new numbers. A single number in `to` is the first of a run."""
    old = [one.number for one in _named(info, numbers)]
    if len(to) == 1:
        to = range(to[0], to[0] + len(old))
    if len(to) != len(old):
        raise input_error("--to", f"{len(old)} universes are to be renamed, but {len(to)} numbers are given")
    names: Mapping[int, int] = dict(zip(old, to, strict=True))
    universes = tuple(replace(one, number=names.get(one.number, one.number)) for one in info.universes)
    if len({one.number for one in universes}) < len(universes):
        raise input_error("--to", "two universes would have the same number")
    if max(one.number for one in universes) > UNIVERSE_MAX:
        raise input_error("--to", f"E1.31 has universes 1 to {UNIVERSE_MAX}")
    return universes


def _named(info: FrameFileInfo, numbers: Sequence[int] | None) -> list[Universe]:
    """The universes with these numbers, in their order. For None: all, sorted by number."""
    there = {one.number: one for one in info.universes}
    missing = [number for number in numbers or () if number not in there]
    if missing:
        raise input_error(info.path, f"universe {missing[0]} is not in the file")
    return [there[number] for number in (sorted(there) if numbers is None else numbers)]


def export(info: FrameFileInfo, out: Path, progress: Progress | None = None) -> None:
    """Write the frames to `out`: an array `(frames, frame_bytes) uint8` for `.npy`, bare bytes for `.raw`."""
    if out.suffix not in (".npy", ".raw"):
        raise input_error(
            out, "this kind of file cannot be written", "choose a name that ends in .npy, .raw, .mp4 or .mkv"
        )
    with replacing(out) as temporary, temporary.open("wb") as file:
        if out.suffix == ".npy":
            shape = (info.frames, info.frame_bytes)
            header = {"descr": "|u1", "fortran_order": False, "shape": shape}
            np.lib.format.write_array_header_1_0(file, header)
        done = 0
        for block in frames_of(info.path):
            file.write(block.data)
            done += len(block)
            if progress:
                progress(done, info.frames)
