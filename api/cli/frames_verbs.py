"""The work of `gloaming frames`: each function takes the parsed arguments and returns an exit code."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import sys
from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from gloaming.api.cli.parser import answer
from gloaming.api.cli.progress import bar
from gloaming.shows.analysis.wiring import listed
from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile import edit
from gloaming.shows.framefile.reader import FrameFileInfo, Universe, inspect, mend, verify
from gloaming.shows.framefile.source import FrameSource, parse_universes, write_source
from gloaming.shows.media import exporting, resampling
from gloaming.shows.media.mapping import parse_matrix
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.made_for import MadeFor, made_for


def info_(args: argparse.Namespace) -> int:
    """`frames info`."""
    info = inspect(args.file)
    size = args.file.stat().st_size
    raw = info.frames * info.frame_bytes
    rig = made_for(info)
    answer(
        args,
        info_object(args.file),
        f"{info.path}",
        f"  {info.frames} frames at {_rate(info)} a second: {_time(info, info.frames)}",
        f"  {len(info.universes)} universes: {_ranges(info)}; {info.frame_bytes} slots",
        *([f"  made for {in_words(rig)}"] if rig else []),
        f"  {size} bytes, {100 * size / raw:.1f} % of the {raw} bytes of its frames",
    )
    return 0


def info_object(path: Path) -> dict[str, Any]:
    """What a frame file has, for JSON."""
    info = inspect(path)
    rig = made_for(info)
    return {
        "path": str(info.path),
        "fps": float(info.fps),
        "fps_exact": [info.fps.numerator, info.fps.denominator],
        "frames": info.frames,
        "length_s": info.length_ns / 1e9,
        "frame_bytes": info.frame_bytes,
        "bytes": path.stat().st_size,
        "universes": [{"number": one.number, "slots": one.slots, "offset": one.offset} for one in info.universes],
        "made_for": rig and json.loads(rig.to_json()),
    }


def in_words(rig: MadeFor) -> str:
    """A rig as a person reads it: 2 strings: ridge, eaves; 1 fixture: lamp."""
    kinds = {"string": rig.strings, "fixture": rig.fixtures}
    return "; ".join(
        f"{len(tables)} {kind}{'' if len(tables) == 1 else 's'}: {listed(one.name for one in tables)}"
        for kind, tables in kinds.items()
        if tables
    )


def verify_(args: argparse.Namespace) -> int:
    """`frames verify`: exit 1 if any chunk is damaged, one line for each."""
    info = inspect(args.file)
    with bar(args, "verifying") as progress:
        damaged = verify(args.file, progress)
    rows = [
        {
            "first_frame": first,
            "frames": frames,
            "from_s": float(first / info.fps),
            "until_s": float((first + frames) / info.fps),
            "text": text,
        }
        for first, frames, text in damaged
    ]
    whole = f"whole, {info.frames} frames, {_time(info, info.frames)}"
    found = {"path": str(args.file), "frames": info.frames, "whole": not rows, "damaged": rows}
    answer(args, found, *(f"{args.file}: {text}" for text in [row["text"] for row in rows] or [whole]))
    return 1 if damaged else 0


def mend_(args: argparse.Namespace) -> int:
    """`frames mend`."""
    mend(args.file, args.out)
    return made(args, args.out)


def trim_(args: argparse.Namespace) -> int:
    """`frames trim`."""
    info = _info(args)
    until_s = None if args.until is None else _seconds("--until", args.until)
    source = edit.trimmed(info, _seconds("--from", args.first), until_s)
    return _written(args, source, info.universes, info.rig)


def join_(args: argparse.Namespace) -> int:
    """`frames join`."""
    apart(args.out, *args.files)
    first, source = edit.joined(args.files)
    rigs = {inspect(path).rig for path in args.files}
    if len(rigs) > 1:
        report(f"note: {args.out} remembers no rig: the files were made for different ones")
    return _written(args, source, first.universes, first.rig if len(rigs) == 1 else "")


def gain_(args: argparse.Namespace) -> int:
    """`frames gain`."""
    info = _info(args)
    numbers = None if args.universes is None else parse_universes(args.universes)
    return _written(args, edit.gained(info, args.by, numbers), info.universes, info.rig)


def rename_universes_(args: argparse.Namespace) -> int:
    """`frames rename-universes`."""
    info = _info(args)
    numbers = None if args.old is None else parse_universes(args.old, "--from")
    universes = edit.renamed(info, numbers, parse_universes(args.to, "--to"))
    names = {old.number: new.number for old, new in zip(info.universes, universes, strict=True)}
    rig = made_for(info)
    moved = rig.renumbered(names) if rig else None
    if rig and not moved:
        report(f"note: {args.out} remembers no rig: the universes of a string do not follow each other any more")
    return _written(args, edit.whole(info), universes, moved.to_json() if moved else "")


def export_(args: argparse.Namespace) -> int:
    """`frames export`."""
    info = _info(args)
    with bar(args, "exporting") as progress:
        if args.out.suffix in exporting.SUFFIXES:
            view = exporting.through(_view(args, info), _as_seen(args))
            exporting.export(info, args.out, view, progress)
        elif args.matrix or args.rig or args.gamma != "1":
            hint = "leave out --matrix, --rig and --gamma, or use a name that ends in .mp4"
            raise input_error(args.out, "only a video shows the pixels; an array has the levels as they are", hint)
        else:
            edit.export(info, args.out, progress)
    written = {"path": str(args.out), "frames": info.frames, "frame_bytes": info.frame_bytes}
    answer(args, written, f"{args.out}: {info.frames} frames of {info.frame_bytes} bytes")
    return 0


def preview_(args: argparse.Namespace) -> int:
    """`frames preview`."""
    info = inspect(args.file)
    out = args.out or args.file.with_suffix(".png")
    apart(out, args.file)
    with bar(args, "reading") as progress:
        exporting.draw(info, out, _view(args, info), progress, _as_seen(args))
    answer(args, {"path": str(out)}, f"{out}")
    return 0


def apart(out: Path, *read: Path) -> None:
    """InputError where `out` is one of the files that are read: a command never changes its input."""
    for path in read:
        if os.path.exists(out) and os.path.exists(path) and out.samefile(path):  # noqa: PTH110  # too long a name: no
            raise input_error(out, "this is the file that is read; it must not change", "name another one")


@contextlib.contextmanager
def folder_of(out: Path) -> Iterator[None]:
    """The folder `out` for new files: made if it is not there, and removed again if nothing was put into it."""
    if out.suffix == ".frames" or (out.exists() and not out.is_dir()):
        raise input_error(out, "several files are made, and this is the name of one", "name a folder, as pieces/")
    new = not out.exists()
    try:
        out.mkdir(exist_ok=True)
    except FileNotFoundError:
        raise input_error(out, f"there is no folder {out.parent}", "make it first, or name another one") from None
    try:
        yield
    finally:
        if new:
            with contextlib.suppress(OSError):  # there is something in it
                out.rmdir()


def _info(args: argparse.Namespace) -> FrameFileInfo:
    apart(args.out, args.file)
    return inspect(args.file)


def _as_seen(args: argparse.Namespace) -> np.ndarray | None:
    return resampling.undone(resampling.curve(args.gamma))


def _view(args: argparse.Namespace, info: FrameFileInfo) -> exporting.View:
    if args.matrix:
        matrix = parse_matrix(args.matrix, args.first_pixel, args.runs, args.back_and_forth, args.order)
        return exporting.on_matrix(info, matrix)
    if args.rig:
        return exporting.on_strings(info, load_rig(args.rig), args.rig)
    return exporting.rows_of_pixels(info)


def _written(args: argparse.Namespace, source: FrameSource, universes: Sequence[Universe], rig: str) -> int:
    assert source.fps  # sources out of frame files have a rate
    with bar(args, "writing") as progress:
        write_source(source, args.out, source.fps, universes, progress, rig)
    return made(args, args.out)


def report(line: str) -> None:
    """Print a note or a warning."""
    print(line, file=sys.stderr)


def _seconds(key: str, text: str) -> Fraction:
    """A time as a person writes it: `12`, `2.5`, `1:02.5`."""
    match = re.fullmatch(r"(?:([0-9]{1,5}):)?([0-9]{1,6}(?:[.][0-9]{1,9})?)", text, re.ASCII)
    if not match or (match[1] and Fraction(match[2]) >= 60):
        raise input_error(key, f"{text!r} is not a time", "write seconds, or minutes and seconds: 2.5, 1:02.5")
    return int(match[1] or 0) * 60 + Fraction(match[2])


def made(args: argparse.Namespace, out: Path, *lines: str, **more: object) -> int:
    """Print what a new file has, and `more` about it; exit code 0."""
    answer(args, info_object(out) | more, made_line(out), *lines)
    return 0


def made_line(out: Path) -> str:
    """What a new file has, in one line."""
    info = inspect(out)
    return (
        f"{out}: {info.frames} frames at {_rate(info)} a second, {_time(info, info.frames)},"
        f" {len(info.universes)} universes: {_ranges(info)}"
    )


def _rate(info: FrameFileInfo) -> str:
    """A frame rate as a person reads it: 25, 29.97."""
    return f"{float(info.fps):.6g}"


def _time(info: FrameFileInfo, frame: int) -> str:
    """The time of a frame as a person reads it: 5.28 s, 2:05.00 min."""
    hundredths = round(frame / info.fps * 100)
    minutes, left = divmod(hundredths, 6000)
    return f"{minutes}:{left // 100:02}.{left % 100:02} min" if minutes else f"{left / 100:.2f} s"


def _ranges(info: FrameFileInfo) -> str:
    """Universe numbers as ranges: 1-13, 20."""
    runs: list[list[int]] = []
    for number in sorted(one.number for one in info.universes):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{first}" if first == last else f"{first}-{last}" for first, last in runs)
