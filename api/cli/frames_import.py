"""`gloaming frames import`: chooses reader, rate, gamma and universes."""

from __future__ import annotations

import argparse
import sys
from fractions import Fraction
from pathlib import Path

from gloaming.api.cli.frames_rig import remembered_rig
from gloaming.api.cli.frames_verbs import apart, bar, made
from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile.source import FrameSource, lay_out, parse_fps, refresh_warning, write_source
from gloaming.shows.media import arrays, pictures, resampling
from gloaming.shows.media.mapping import PixelLayout, RigLayout, parse_matrix
from gloaming.shows.media.pictures import Video
from gloaming.shows.rig.load import load_rig

PICTURES = {".gif", ".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
VIDEOS = {".mp4", ".mkv", ".mov", ".avi", ".webm", ".m4v", ".mpg", ".mpeg", ".ts", ".wmv"}
ARRAYS = {".npy", ".npz", ".raw", ".bin", ".csv"}
CAPTURES = {".pcap", ".pcapng"}


def import_(args: argparse.Namespace) -> int:
    """`frames import`."""
    apart(args.out, args.source)
    rig = remembered_rig(args.rig, args.out)
    wanted = parse_fps(args.fps) if args.fps else None
    video = None
    layout = _layout(args)
    if layout is None:
        source = _array(args)
    else:
        source, video = _media(args.source, layout, wanted)
    if source.fps is None:
        source, fps = _at_rate(args, source, wanted)
    else:
        fps = source.fps
    universes = layout.universes if isinstance(layout, RigLayout) else lay_out(args.universes, source.slots, args.slots)
    if warning := refresh_warning(fps, universes):
        _report(f"warning: {warning}")
    if wanted not in (None, fps):
        _report(
            f"note: {float(fps):.6g} frames a second, not {float(wanted or 0):g}, so that the length stays the same"
        )
    source = resampling.shaded(source, resampling.curve(args.gamma))
    with bar("importing") as progress:
        write_source(source, args.out, fps, universes, progress, rig.json)
    if video and video.lost:
        _report(f"warning: {video.lost} pictures could not be decoded; each is replaced by the one before")
    if video and video.mended:
        _report(f"warning: {video.mended} pictures were damaged, and decoded as far as possible")
    made(args.out)
    rig.report(args.out)
    return 0


def _report(line: str) -> None:
    print(line, file=sys.stderr)


def _layout(args: argparse.Namespace) -> PixelLayout | None:
    if args.matrix and args.rig:
        raise input_error("--matrix", "the pictures go on a matrix or on a rig", "leave out --matrix, or --rig")
    if args.rig and args.source.suffix.lower() not in ARRAYS:
        return RigLayout(load_rig(args.rig), args.rig)
    if args.matrix:
        return parse_matrix(args.matrix, args.first_pixel, args.runs, args.back_and_forth, args.order)
    return None


def _array(args: argparse.Namespace) -> FrameSource:
    path: Path = args.source
    if path.suffix.lower() in CAPTURES:
        raise input_error(path, "this is a network capture", f"gloaming record {args.out} --capture {path}")
    if path.is_dir() or path.suffix.lower() in PICTURES | VIDEOS:
        raise input_error(
            path, "it is not known which pixels its pictures go to", "use --matrix 64x32, or --rig rig.toml"
        )
    if path.suffix == ".npz":
        return arrays.read_npz(path, args.array)
    if path.suffix in (".raw", ".bin"):
        return arrays.read_raw(path, args.width)
    if path.suffix == ".csv":
        return arrays.read_csv(path)
    return arrays.read_npy(path)


def _media(path: Path, layout: PixelLayout, fps: Fraction | None) -> tuple[FrameSource, Video | None]:
    if not path.exists():
        raise input_error(path, "there is no such file")
    if path.is_dir():
        return pictures.read_pictures(path, layout), None
    if path.suffix.lower() in PICTURES:
        return pictures.read_picture(path, layout, fps), None
    video = Video(path, layout, fps)
    return video.source, video


def _at_rate(args: argparse.Namespace, source: FrameSource, wanted: Fraction | None) -> tuple[FrameSource, Fraction]:
    if wanted is None:
        raise input_error(args.source, "its frame rate is not known", "give it: --fps 25")
    if args.source_fps is None:
        return source, wanted
    return resampling.resampled(source, parse_fps(args.source_fps, "--source-fps"), wanted)
