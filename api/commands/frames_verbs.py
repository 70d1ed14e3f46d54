"""What the verbs of `gloaming frames` do: each takes the parsed arguments and returns an exit code."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Iterator
from typing import Any

from rich.console import Console
from rich.progress import Progress

from gloaming.shows import framefile, importing
from gloaming.shows.framefile import FrameFileInfo, inspect


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
    print(f"  {size} bytes, {100 * size / raw:.1f} % of the {raw} bytes of its frames")
    return 0


def _info_object(info: FrameFileInfo, size: int) -> dict[str, Any]:
    return {
        "path": str(info.path),
        "fps": float(info.fps),
        "fps_exact": [info.fps.numerator, info.fps.denominator],
        "frames": info.frames,
        "length_s": info.length_ns / 1e9,
        "frame_bytes": info.frame_bytes,
        "bytes": size,
        "universes": [{"number": one.number, "slots": one.slots, "offset": one.offset} for one in info.universes],
    }


def verify_(args: argparse.Namespace) -> int:
    """`frames verify`: exit 1 if any chunk is damaged, one line for each."""
    info = inspect(args.file)
    with bar("verifying") as progress:
        damaged = framefile.verify(args.file, progress)
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


def import_(args: argparse.Namespace) -> int:
    """`frames import`."""
    fps = importing.parse_fps(args.fps)
    source = importing.read_npy(args.source)
    universes = importing.lay_out(args.universes, source.slots, args.slots)
    if warning := importing.refresh_warning(fps, universes):
        print(f"warning: {warning}", file=sys.stderr)
    with bar("importing") as progress:
        importing.write_source(source, args.out, fps, universes, progress)
    return _made(args)


def mend_(args: argparse.Namespace) -> int:
    """`frames mend`."""
    framefile.mend(args.file, args.out)
    return _made(args)


@contextlib.contextmanager
def bar(text: str) -> Iterator[importing.Progress]:
    """A progress bar on stderr, if that is a terminal."""
    with Progress(console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task(text, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)


def _made(args: argparse.Namespace) -> int:
    """Say what was made, on one line; exit code 0."""
    info = inspect(args.out)
    print(
        f"{args.out}: {info.frames} frames at {_rate(info)} a second, {_time(info, info.frames)},"
        f" {len(info.universes)} universes: {_ranges(info)}"
    )
    return 0


def _rate(info: FrameFileInfo) -> str:
    """A frame rate as a person reads it: 25, 29.97."""
    return f"{float(info.fps):.6g}"


def _time(info: FrameFileInfo, frame: int) -> str:
    """The time of a frame as a person reads it: 5.28 s, 2:05.00 min."""
    hundredths = round(frame / info.fps * 100)
    minutes, rest = divmod(hundredths, 6000)
    return f"{minutes}:{rest // 100:02}.{rest % 100:02} min" if minutes else f"{rest / 100:.2f} s"


def _ranges(info: FrameFileInfo) -> str:
    """Universe numbers, runs put together: 1-13, 20."""
    runs: list[list[int]] = []
    for number in sorted(one.number for one in info.universes):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{first}" if first == last else f"{first}-{last}" for first, last in runs)
