"""Cutting at black, for `gloaming frames split` and `gloaming record --split-at-black`: folder, names, report."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from gloaming.api.cli.frames_verbs import folder_of, made_line
from gloaming.api.cli.parser import answer
from gloaming.api.cli.progress import bar
from gloaming.shows.analysis.wiring import listed
from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile import split
from gloaming.shows.framefile.reader import FrameFileInfo, inspect
from gloaming.shows.recording.report import ranges


@dataclass(frozen=True, slots=True)
class Pieces:
    """The pieces that were cut: their files, the first frame of each in the whole, and lines for the person."""

    paths: tuple[Path, ...]
    first_frames: tuple[int, ...]
    lines: tuple[str, ...]

    def rows(self, fps: Fraction) -> list[dict[str, object]]:
        """The pieces for JSON, with their times in the whole."""
        return [
            {"path": str(path), "frames": inspect(path).frames, "from_s": float(first / fps)}
            for path, first in zip(self.paths, self.first_frames, strict=True)
        ]


@dataclass(frozen=True, slots=True)
class Split:
    """What a person asks for: pieces in `folder`, with these names, cut at `black_s` of black."""

    folder: Path
    black_s: Fraction
    names: tuple[str, ...]

    def cut(self, args: argparse.Namespace, info: FrameFileInfo) -> Pieces:
        """Cut a frame file. InputError if nothing in it is lit, or if a piece cannot be written: then none is."""
        with bar(args, "looking for black") as progress:
            found = split.find_pieces(info, self.black_s, progress)
        if not found.pieces:
            raise input_error(info.path, "it is black from beginning to end, so there is no piece in it")
        paths = split.places_of(self.folder, self.names, len(found.pieces))
        with bar(args, "cutting") as progress:
            split.cut(info, found.pieces, paths, progress)
        lines = self._lines(info, found, paths)
        return Pieces(tuple(paths), tuple(one.first for one in found.pieces), tuple(lines))

    def _lines(self, info: FrameFileInfo, found: split.Cuts, paths: list[Path]) -> Iterator[str]:
        count, names = len(paths), self.names
        if count == 1:
            longest_s = float(found.longest / info.fps)
            yield f"one piece: the longest black inside it lasts {longest_s:.2f} s, less than {float(self.black_s):g} s"
            if found.never_dark:
                yield f"never black, because a slot is above 0 in every frame: {ranges(list(found.never_dark))}"
        if names and count > len(names):
            unnamed = [path.name for path in paths[len(names) :]]
            yield f"{count} pieces, but {len(names)} names; without a name: {listed(unnamed)}"
        if count < len(names):
            yield f"{count} pieces, but {len(names)} names; names without a piece: {listed(names[count:])}"


def wanted_split(args: argparse.Namespace, key: str) -> Split:
    """The split that a call asks for. InputError for a wrong time or name, or a name that a file already has."""
    if not re.fullmatch(r"[0-9]{1,6}([.][0-9]{1,9})?", args.black_s, re.ASCII) or not Fraction(args.black_s):
        raise input_error(key, f"{args.black_s!r} is not a number of seconds", "write the time of the black, as 3")
    folder: Path = args.out
    names = split.read_names(args.names) if args.names else ()
    split.refuse_existing([split.path_of(folder, name) for name in names])
    return Split(folder, Fraction(args.black_s), names)


def split_(args: argparse.Namespace) -> int:
    """`frames split`."""
    wanted = wanted_split(args, "--at-black")
    info = inspect(args.file)
    with folder_of(wanted.folder):
        pieces = wanted.cut(args, info)
    found = {"pieces": pieces.rows(info.fps), "lines": pieces.lines}
    answer(args, found, *map(made_line, pieces.paths), *(f"  {line}" for line in pieces.lines))
    return 0
