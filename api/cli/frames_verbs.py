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
import rich.progress
from rich.console import Console

from gloaming.shows.analysis.wiring import listed
from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile import edit
from gloaming.shows.framefile.reader import FrameFileInfo, Universe, inspect, mend, verify
from gloaming.shows.framefile.source import FrameSource, Progress, parse_universes, write_source
from gloaming.shows.media import exporting, resampling
from gloaming.shows.media.mapping import parse_matrix
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.made_for import MadeFor, made_for


def info_(args: argparse.Namespace) -> int:
    """`frames info`."""
    info = inspect(args.file)
    size = args.file.stat().st_size
    if args.json:
        print(json.dumps(_info_object(info, size)))
        return 0
    raw = info.frames * info.frame_bytes
    print(f"{info.path}")
    print(f"  {info.frames} frames at {_rate(info)} a second: {_time(info, info.frames)}")
    print(f"  {len(info.universes)} universes: {_ranges(info)}; {info.frame_bytes} slots")
    if rig := made_for(info):
        print(f"  made for {in_words(rig)}")
    print(f"  {size} bytes, {100 * size / raw:.1f} % of the {raw} bytes of its frames")
    return 0


def _info_object(info: FrameFileInfo, size: int) -> dict[str, Any]:
    rig = made_for(info)
    return {
        "path": str(info.path),
        "fps": float(info.fps),
        "fps_exact": [info.fps.numerator, info.fps.denominator],
        "frames": info.frames,
        "length_s": info.length_ns / 1e9,
        "frame_bytes": info.frame_bytes,
        "bytes": size,
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
    with bar("verifying") as progress:
        damaged = verify(args.file, progress)
    if args.json:
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
        print(json.dumps({"path": str(args.file), "frames": info.frames, "whole": not rows, "damaged": rows}))
    elif damaged:
        for _, _, text in damaged:
            print(f"{args.file}: {text}")
    else:
        print(f"{args.file}: whole, {info.frames} frames, {_time(info, info.frames)}")
    return 1 if damaged else 0


def mend_(args: argparse.Namespace) -> int:
    """`frames mend`."""
    mend(args.file, args.out)
    return made(args.out)


def trim_(args: argparse.Namespace) -> int:
    """`frames trim`."""
    info = _info(args)
    until_s = None if args.until is None else _seconds("--until", args.until)
    source = edit.trimmed(info, _seconds("--from", args.first), until_s)
    return _written(source, args.out, info.universes, info.rig)


def join_(args: argparse.Namespace) -> int:
    """`frames join`."""
    apart(args.out, *args.files)
    first, source = edit.joined(args.files)
    rigs = {inspect(path).rig for path in args.files}
    if len(rigs) > 1:
        report(f"note: {args.out} remembers no rig: the files were made for different ones")
    return _written(source, args.out, first.universes, first.rig if len(rigs) == 1 else "")


def gain_(args: argparse.Namespace) -> int:
    """`frames gain`."""
    info = _info(args)
    numbers = None if args.universes is None else parse_universes(args.universes)
    return _written(edit.gained(info, args.by, numbers), args.out, info.universes, info.rig)


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
    return _written(edit.whole(info), args.out, universes, moved.to_json() if moved else "")


def export_(args: argparse.Namespace) -> int:
    """`frames export`."""
    info = _info(args)
    with bar("exporting") as progress:
        if args.out.suffix in exporting.SUFFIXES:
            view = exporting.through(_view(args, info), _as_seen(args))
            exporting.export(info, args.out, view, progress)
        elif args.matrix or args.rig or args.gamma != "1":
            hint = "leave out --matrix, --rig and --gamma, or use a name that ends in .mp4"
            raise input_error(args.out, "only a video shows the pixels; an array has the levels as they are", hint)
        else:
            edit.export(info, args.out, progress)
    print(f"{args.out}: {info.frames} frames of {info.frame_bytes} bytes")
    return 0


def preview_(args: argparse.Namespace) -> int:
    """`frames preview`."""
    info = inspect(args.file)
    out = args.out or args.file.with_suffix(".png")
    apart(out, args.file)
    with bar("reading") as progress:
        exporting.draw(info, out, _view(args, info), progress, _as_seen(args))
    print(out)
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


def _written(source: FrameSource, out: Path, universes: Sequence[Universe], rig: str) -> int:
    assert source.fps  # sources out of frame files have a rate
    with bar("writing") as progress:
        write_source(source, out, source.fps, universes, progress, rig)
    return made(out)


def report(line: str) -> None:
    """Print a note or a warning."""
    print(line, file=sys.stderr)


def _seconds(key: str, text: str) -> Fraction:
    """A time as a person writes it: `12`, `2.5`, `1:02.5`."""
    match = re.fullmatch(r"(?:([0-9]{1,5}):)?([0-9]{1,6}(?:[.][0-9]{1,9})?)", text, re.ASCII)
    if not match or (match[1] and Fraction(match[2]) >= 60):
        raise input_error(key, f"{text!r} is not a time", "write seconds, or minutes and seconds: 2.5, 1:02.5")
    return int(match[1] or 0) * 60 + Fraction(match[2])


@contextlib.contextmanager
def bar(text: str) -> Iterator[Progress]:
    """A progress bar, if stderr is a terminal."""
    with rich.progress.Progress(
        console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()
    ) as progress:
        task = progress.add_task(text, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)


def made(out: Path) -> int:
    """Print one line about the new file; exit code 0."""
    info = inspect(out)
    print(
        f"{out}: {info.frames} frames at {_rate(info)} a second, {_time(info, info.frames)},"
        f" {len(info.universes)} universes: {_ranges(info)}"
    )
    return 0


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
