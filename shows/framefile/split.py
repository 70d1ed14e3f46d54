"""Cuts a frame file into pieces at black. Each piece becomes a frame file of its own.

A file that is there is never replaced.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gloaming.shows.config_files.errors import ConfigError, InputError, input_error
from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.framefile.source import FrameSource, Progress, write_source
from gloaming.shows.framefile.writer import NAME_BYTES_MAX
from gloaming.shows.rig.made_for import made_for
from gloaming.shows.rig.model import LIGHT_CHANNELS

SUFFIX = ".frames"


@dataclass(frozen=True, slots=True)
class Stretch:
    """The frames of a piece: from `first` up to before `until`."""

    first: int
    until: int


@dataclass(frozen=True, slots=True)
class Cuts:
    """Where the pieces of a frame file are.

    `longest` is the longest black inside a piece, in frames. `never_dark` are the universes with a slot that is above 0
    in every frame.
    """

    pieces: tuple[Stretch, ...]
    longest: int
    never_dark: tuple[int, ...]


def find_pieces(info: FrameFileInfo, black_s: Fraction, progress: Progress | None = None) -> Cuts:
    """The pieces between stretches of black that last `black_s` or longer.

    Black is 0 in all slots, except those of a fixture in the file's rig that are no light (strobe, fog, other).
    Black before the first piece and after the last one belongs to no piece, however short it is.
    """
    gap = max(1, round(black_s * info.fps))
    light = _light(info)
    least = np.full(info.frame_bytes, 255, np.uint8)
    pieces: list[Stretch] = []
    done = longest = 0
    for block in frames_of(info.path):
        if not light.all():
            block = np.where(light, block, 0)
        np.minimum(least, block.min(axis=0), out=least)
        for frame in (done + np.flatnonzero(block.max(axis=1))).tolist():
            first = frame
            if pieces and (black := frame - pieces[-1].until) < gap:
                longest = max(longest, black)
                first = pieces.pop().first
            pieces.append(Stretch(first, frame + 1))
        done += len(block)
        if progress:
            progress(done, info.frames)
    lit = [one.number for one in info.universes if least[one.offset : one.offset + one.slots].any()]
    return Cuts(tuple(pieces), longest, tuple(sorted(lit)))


def _light(info: FrameFileInfo) -> npt.NDArray[np.bool_]:
    """Which bytes of a frame are levels of light, `(frame_bytes,)`."""
    light = np.ones(info.frame_bytes, np.bool_)
    rig = made_for(info)
    offsets = {one.number: (one.offset, one.slots) for one in info.universes}
    for fixture in rig.fixtures if rig else ():
        offset, slots = offsets.get(fixture.universe, (0, 0))
        for place, channel in enumerate(fixture.channels, start=fixture.slot - 1):
            if place < slots and channel not in LIGHT_CHANNELS:
                light[offset + place] = False
    return light


def read_names(path: Path) -> tuple[str, ...]:
    """The names in a text file, one a line, without the ending `.frames`. Empty lines do not count.

    InputError with the line of every name that no file can have, or that is there twice.
    """
    names: dict[str, int] = {}
    errors: list[ConfigError] = []
    try:
        with path.open(encoding="utf-8-sig") as file:
            for line, text in enumerate(file, start=1):
                name = text.strip().removesuffix(SUFFIX)
                if not name:
                    continue
                problem = _name_problem(name)
                if name in names:
                    problem = f"the name {name!r} is already in line {names[name]}", "give each piece its own name"
                if problem:
                    errors.append(ConfigError(path, line, None, *problem))
                names.setdefault(name, line)
    except UnicodeDecodeError:
        raise input_error(path, "this is not a text file in UTF-8", "write one name a line") from None
    except OSError as error:
        raise input_error(path, f"it cannot be read ({error.strerror or error})") from None
    if errors:
        raise InputError(*errors)
    if not names:
        raise input_error(path, "there is no name in the file", "write one name a line")
    return tuple(names)


def _name_problem(name: str) -> tuple[str, str] | None:
    """What is wrong with the name of a file, and what to do. None: nothing."""
    if "/" in name:
        return f"{name!r} has a slash, which no name of a file can have", "use another sign"
    if name.startswith("."):
        return f"{name!r} begins with a dot, so the file would be hidden", "begin with a letter or a digit"
    if not name.isprintable():
        return f"{name!r} has a sign that cannot be printed", "write only the name in the line"
    if len(os.fsencode(f"{name}{SUFFIX}")) > NAME_BYTES_MAX:
        return f"{name[:20]!r}... is longer than {NAME_BYTES_MAX} bytes", "use a shorter name"
    return None


def places_of(folder: Path, names: Sequence[str], count: int) -> list[Path]:
    """The files for so many pieces: by their names, and `piece-01` and so on for those without a name.

    A piece without a name has its number in the row. If there are such names already, the numbers go on after theirs.
    """
    there = [re.fullmatch("piece-([0-9]{1,9})", name) for name in [*names, *(one.stem for one in folder.iterdir())]]
    before = max((int(match[1]) for match in there if match), default=0)
    digits = max(2, len(str(before + count)))  # all the same, so that a list by name is in their order
    unnamed = [f"piece-{before + number:0{digits}}" for number in range(1, count + 1)]
    return [path_of(folder, name) for name in [*names[:count], *unnamed[len(names) :]]]


def path_of(folder: Path, name: str) -> Path:
    """The file of a piece with this name."""
    return folder / f"{name}{SUFFIX}"


def refuse_existing(paths: Sequence[Path]) -> None:
    """InputError if one of the files is there already. A piece never takes a file's place."""
    for path in paths:
        if path.exists() or path.is_symlink():
            raise input_error(path, "there is already a file with this name", "move it away, or use another name")


def cut(
    info: FrameFileInfo, pieces: Sequence[Stretch], paths: Sequence[Path], progress: Progress | None = None
) -> None:
    """Write each piece to its file. Either all pieces are written or none. InputError if a file is already there."""
    in_all, done = sum(one.until - one.first for one in pieces), 0
    written: list[Path] = []
    try:
        for piece, path in zip(pieces, paths, strict=True):
            refuse_existing([path])
            length = piece.until - piece.first
            source = FrameSource(info.frame_bytes, length, info.fps, frames_of(info.path, piece.first, piece.until))
            written.append(path)  # before it is there: a Ctrl-C may come as soon as it is
            write_source(source, path, info.fps, info.universes, _after(done, in_all, progress), info.rig)
            done += length
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise


def _after(before: int, in_all: int, progress: Progress | None) -> Progress | None:
    """The progress of a part of the work, after `before` of `in_all`."""
    return progress and (lambda done, _: progress(before + done, in_all))
