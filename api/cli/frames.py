"""`gloaming frames`: its verbs and their arguments. The work is in frames_verbs, imported when one is called."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

Verbs = argparse._SubParsersAction  # argparse has no public name for it


def add_parser(subparsers: Verbs[argparse.ArgumentParser]) -> None:
    """Add `frames` and its verbs. Every handler takes the parsed arguments and returns an exit code."""
    frames = subparsers.add_parser("frames", help="inspect, check, make and edit frame files")
    verbs = frames.add_subparsers(metavar="VERB", required=True)

    info = _verb(verbs, "info", "show the length, rate and universes of a frame file")
    verify = _verb(verbs, "verify", "read every byte; exit 1 if any of it is damaged")
    for parser in (info, verify):
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument("--json", action="store_true", help="print one JSON object")

    text = "make frame files of arrays, tables, pictures and videos: of one, or of all in a folder"
    parser = _verb(verbs, "import", text, "frames_import")
    parser.add_argument(
        "source",
        type=Path,
        metavar="IN",
        help=".npy, .npz, .raw, .csv; with --matrix or --rig a folder of PNGs, a GIF, a video; a folder of such files",
    )
    parser.add_argument("out", type=Path, metavar="OUT", help="the frame file; for a folder of files a folder")
    parser.add_argument("--fps", help="frames a second: 25, 29.97, 30000/1001; a video has its own")
    parser.add_argument("--source-fps", help="the rate of the array, if it is to be brought to another by --fps")
    parser.add_argument("--universes", default="1", help="the first universe (1), a range (1-13) or a list (1-4,8)")
    parser.add_argument(
        "--slots", type=int, help="slots in a universe (510); in a frame of a .raw file, if it has no --width"
    )
    parser.add_argument("--width", type=int, metavar="BYTES", help="bytes in a frame of a .raw file")
    parser.add_argument("--skip", type=int, metavar="BYTES", help="bytes of a .raw file before its first frame")
    parser.add_argument(
        "--pixels-are-slots",
        action="store_true",
        help="the pixels of a lossless video are slots, row after row: three a pixel, one if it is grey",
    )
    parser.add_argument("--array", metavar="NAME", help="which array of an .npz file")
    parser.add_argument("--gamma", default="1", help="screen values to levels of light: srgb, or a power such as 2.2")
    parser.add_argument(
        "--rig",
        type=Path,
        metavar="rig.toml",
        help="the rig that the file remembers (default: the rig.toml in its folder, or in the folder above);"
        " pictures go where its strings hang",
    )
    _matrix(parser)

    parser = _verb(
        verbs, "export", "the frames as an array (.npy), as bare bytes (.raw), or as a video to look at (.mp4)"
    )
    parser.add_argument("file", type=Path, metavar="FILE")
    parser.add_argument("out", type=Path, metavar="OUT")
    parser.add_argument("--rig", type=Path, metavar="rig.toml", help="the video shows its strings where they hang")
    parser.add_argument("--gamma", default="1", help="levels of light, as the eye sees them: srgb, or a power")
    _matrix(parser)

    parser = _verb(verbs, "preview", "one PNG: pictures evenly over time, and a strip of time, one line a second")
    parser.add_argument("file", type=Path, metavar="FILE")
    parser.add_argument("out", type=Path, nargs="?", metavar="OUT.png", help="default: FILE, ending in .png")
    parser.add_argument("--rig", type=Path, metavar="rig.toml", help="draw its strings where they hang")
    parser.add_argument("--gamma", default="1", help="levels of light, as the eye sees them: srgb, or a power")
    _matrix(parser)

    parser = _verb(verbs, "trim", "keep a stretch of time")
    parser.add_argument("file", type=Path, metavar="FILE")
    _out(parser)
    parser.add_argument("--from", dest="first", default="0", metavar="TIME", help="seconds, or minutes: 2.5, 1:02.5")
    parser.add_argument("--until", metavar="TIME", help="default: the end")

    parser = _verb(verbs, "split", "cut into pieces at black, each a frame file in a folder", "split_verb")
    parser.add_argument("file", type=Path, metavar="FILE")
    parser.add_argument("out", type=Path, metavar="FOLDER")
    parser.add_argument("--at-black", dest="black_s", default="3", metavar="SECONDS", help="the black, at least (3)")
    parser.add_argument("--names", type=Path, metavar="FILE", help="the names of the pieces, one a line")

    parser = _verb(verbs, "join", "one after another, all of the same rate and universes")
    parser.add_argument("files", type=Path, nargs="+", metavar="FILE")
    parser.add_argument("--out", type=Path, required=True, metavar="OUT.frames")

    parser = _verb(verbs, "gain", "every level times a number, held at 255")
    parser.add_argument("file", type=Path, metavar="FILE")
    _out(parser)
    parser.add_argument("--by", type=float, required=True, metavar="GAIN", help="0.5 is half the level")
    parser.add_argument("--universes", help="only these: 1, 1-13, 1-4,8")

    parser = _verb(verbs, "rename-universes", "give the universes other numbers")
    parser.add_argument("file", type=Path, metavar="FILE")
    _out(parser)
    parser.add_argument("--from", dest="old", metavar="UNIVERSES", help="which: 1-13, 1-4,8 (default: all)")
    parser.add_argument("--to", required=True, metavar="UNIVERSES", help="the first new number (101), or all of them")

    parser = _verb(verbs, "remap", "move the pixels of each string to where it hangs now, by its name", "frames_rig")
    parser.add_argument("file", type=Path, metavar="OLD.frames")
    parser.add_argument("out", type=Path, metavar="NEW.frames")
    parser.add_argument(
        "--from",
        dest="old_rig",
        type=Path,
        metavar="old-rig.toml",
        help="the rig that OLD was made for (default: the one that OLD remembers, see frames info)",
    )
    parser.add_argument("--to", type=Path, required=True, metavar="rig.toml", help="the rig as it hangs now")

    parser = _verb(verbs, "mend", "finish a frame file whose writer was killed")
    parser.add_argument("file", type=Path, metavar="FILE.part")
    _out(parser)


def _matrix(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--matrix", metavar="WIDTHxHEIGHT", help="the pixels hang in a matrix: 64x32")
    corners = ("top-left", "top-right", "bottom-left", "bottom-right")
    parser.add_argument("--first-pixel", choices=corners, default=corners[0], help="the corner where its cable begins")
    parser.add_argument(
        "--runs", choices=("across", "down"), default="across", help="the cable runs along rows or columns"
    )
    parser.add_argument("--back-and-forth", action="store_true", help="every second row or column runs back")
    parser.add_argument("--order", default="RGB", help="colours of a pixel in the order of its slots (default: RGB)")


def _verb(
    verbs: Verbs[argparse.ArgumentParser], name: str, help_: str, module: str = "frames_verbs"
) -> argparse.ArgumentParser:
    parser = verbs.add_parser(name, help=help_, description=help_)
    parser.set_defaults(handler=_handler(module, f"{name}_".replace("-", "_")))
    return parser


def _handler(module: str, function: str) -> Callable[[argparse.Namespace], int]:
    def handler(args: argparse.Namespace) -> int:
        code: int = getattr(import_module(f"gloaming.api.cli.{module}"), function)(args)
        return code

    return handler


def _out(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("out", type=Path, metavar="OUT.frames")
