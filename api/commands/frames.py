"""`gloaming frames ...`: what a person does with frame files at the terminal. The work itself is done in shows."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import Progress

from gloaming.shows import importing
from gloaming.shows.framefile import FrameFileInfo, inspect, mend, verify


def add_parser(subparsers: Any) -> None:
    """Add `frames` and its verbs. Every handler takes the parsed arguments and returns an exit code."""
    frames = subparsers.add_parser("frames", help="look at frame files, check them, make them")
    verbs = frames.add_subparsers(dest="verb", metavar="VERB", required=True)

    parser = _verb(verbs, "info", _info, "what a frame file says of itself")
    parser.add_argument("file", type=Path, metavar="FILE")
    _json(parser)

    parser = _verb(verbs, "verify", _verify, "read every byte; exit 1 if any of it is damaged")
    parser.add_argument("file", type=Path, metavar="FILE")
    _json(parser)

    parser = _verb(verbs, "import", _import, "make a frame file of an array")
    parser.add_argument("source", type=Path, metavar="IN.npy", help="an array (frames, slots) of uint8")
    parser.add_argument("out", type=Path, metavar="OUT.frames")
    parser.add_argument("--fps", required=True, help="frames a second: 25, 29.97, 30000/1001")
    parser.add_argument("--universes", default="1", help="the first universe (1), a range (1-13) or a list (1-4,8)")
    parser.add_argument("--slots", type=int, default=importing.SLOTS, help="slots in a universe (default: %(default)s)")

    parser = _verb(verbs, "mend", _mend, "finish a frame file whose writer was killed")
    parser.add_argument("temporary", type=Path, metavar="FILE.part")
    parser.add_argument("out", type=Path, metavar="OUT.frames")


def _verb(verbs: Any, name: str, handler: Callable[[argparse.Namespace], int], help_: str) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = verbs.add_parser(name, help=help_, description=help_)
    parser.set_defaults(handler=handler)
    return parser


def _json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print one JSON object")


@contextlib.contextmanager
def _bar(text: str) -> Iterator[Callable[[int, int | None], None]]:
    """A progress bar on stderr, if that is a terminal."""
    with Progress(console=Console(stderr=True), transient=True, disable=not sys.stderr.isatty()) as bar:
        task = bar.add_task(text, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _info(args: argparse.Namespace) -> int:
    info = inspect(args.file)
    size = args.file.stat().st_size
    if args.json:
        print(json.dumps(_info_object(info, size)))
        return 0
    raw = info.frames * info.frame_bytes
    print(f"{info.path}")
    print(f"  {info.frames} frames at {rate(info)} a second: {seconds(info, info.frames)}")
    print(f"  {len(info.universes)} universes: {ranges(info)}; {info.frame_bytes} slots")
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


def _verify(args: argparse.Namespace) -> int:
    info = inspect(args.file)
    with _bar("verifying") as progress:
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
        print(f"{args.file}: whole, {info.frames} frames, {seconds(info, info.frames)}")
    return 1 if damaged else 0


def _import(args: argparse.Namespace) -> int:
    fps = importing.parse_fps(args.fps)
    source = importing.read_npy(args.source)
    universes = importing.lay_out(args.universes, source.slots, args.slots)
    if warning := importing.refresh_warning(fps, universes):
        print(f"warning: {warning}", file=sys.stderr)
    with _bar("importing") as progress:
        importing.write_source(source, args.out, fps, universes, progress)
    return said(args.out)


def _mend(args: argparse.Namespace) -> int:
    mend(args.temporary, args.out)
    return said(args.out)


def said(out: Path) -> int:
    """Say what was made, on one line; exit code 0."""
    info = inspect(out)
    print(
        f"{out}: {info.frames} frames at {rate(info)} a second, {seconds(info, info.frames)},"
        f" {len(info.universes)} universes: {ranges(info)}"
    )
    return 0


def rate(info: FrameFileInfo) -> str:
    """A frame rate as a person reads it: 25, 29.97."""
    return f"{float(info.fps):.6g}"


def seconds(info: FrameFileInfo, frame: int) -> str:
    """The time of a frame as a person reads it: 5.28 s, 2:05.00 min."""
    at = float(frame / info.fps)
    return f"{at:.2f} s" if at < 60 else f"{int(at // 60)}:{at % 60:05.2f} min"


def ranges(info: FrameFileInfo) -> str:
    """Universe numbers, runs put together: 1-13, 20."""
    runs: list[list[int]] = []
    for number in sorted(one.number for one in info.universes):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{first}" if first == last else f"{first}-{last}" for first, last in runs)
