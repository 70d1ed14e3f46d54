"""`gloaming frames import`: chooses reader, rate, gamma and universes; of one file, or of all in a folder."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path

from gloaming.api.cli.frames_rig import RememberedRig, remembered_rig
from gloaming.api.cli.frames_verbs import apart, bar, folder_of, made, report
from gloaming.shows.analysis.wiring import listed
from gloaming.shows.config_files.errors import InputError, input_error
from gloaming.shows.framefile.source import (
    SLOTS,
    FrameSource,
    Progress,
    lay_out,
    parse_fps,
    refresh_warning,
    write_source,
)
from gloaming.shows.media import arrays, pictures, resampling
from gloaming.shows.media.mapping import PixelLayout, RigLayout, parse_matrix
from gloaming.shows.media.pictures import Video
from gloaming.shows.protocols.e131 import SLOTS_MAX
from gloaming.shows.rig.load import load_rig

PICTURES = {".gif", ".png", ".jpg", ".jpeg", ".webp", ".bmp", ".tif", ".tiff"}
VIDEOS = {".mp4", ".mkv", ".mov", ".avi", ".webm", ".m4v", ".mpg", ".mpeg", ".ts", ".wmv"}
RAW = {".raw", ".bin"}
ARRAYS = {".npy", ".npz", ".csv", *RAW}
CAPTURES = {".pcap", ".pcapng"}


def import_(args: argparse.Namespace) -> int:
    """`frames import`. A folder of PNGs is one piece. In any other folder each file is one."""
    if args.source.is_dir() and not pictures.pngs(args.source):
        return _folder(args)
    apart(args.out, args.source)
    rig = remembered_rig(args.rig, args.out)
    with bar("importing") as progress:
        _import(args, args.source, args.out, rig, progress)
    made(args.out)
    rig.report(args.out)
    return 0


def _folder(args: argparse.Namespace) -> int:
    """Import each file of a known kind. Exit code 1 if some could not be imported, 2 if none could."""
    there = sorted(path for path in args.source.iterdir() if not path.name.startswith("."))
    files = [path for path in there if path.suffix.lower() in ARRAYS | PICTURES | VIDEOS and not path.is_dir()]
    if not files:
        hint = f"it takes {' '.join(sorted(ARRAYS))}, pictures and videos"
        raise input_error(args.source, "there is no file in this folder that can be imported", hint)
    rig = remembered_rig(args.rig, args.out / "piece.frames")
    outs: list[Path] = []
    failed: list[str] = []
    try:
        with folder_of(args.out):
            _import_each(args, files, rig, outs, failed)
    finally:
        for out in outs:
            made(out)
        for line in dict.fromkeys(failed):  # what is wrong in the call is so for each file
            report(line)
    if outs:
        rig.report(outs[0])
    if others := [path.name for path in there if path not in files]:
        report(f"note: left out, because it is no kind that can be imported: {listed(others)}")
    return (1 if outs else 2) if failed else 0


def _import_each(
    args: argparse.Namespace, files: Sequence[Path], rig: RememberedRig, outs: list[Path], failed: list[str]
) -> None:
    """Import files, with one progress bar over their bytes. Adds to `outs` what was made, to `failed` what is wrong."""
    times = Counter(path.stem for path in files)
    sizes = [path.stat().st_size if path.is_file() else 0 for path in files]
    done, whole = 0, sum(sizes)
    with bar("importing") as progress:
        for path, size in zip(files, sizes, strict=True):
            out = args.out / f"{path.stem}.frames"
            try:
                if not path.is_file():
                    raise input_error(path, "this is not a file that can be read")
                if times[path.stem] > 1:
                    raise input_error(path, f"another file would become {out.name} too", "rename one of them")
                _import(args, path, out, rig, _part(progress, done, size, whole))
                outs.append(out)
            except InputError as error:
                failed += map(str, error.errors)
            except OSError as error:
                failed.append(f"{path}: it cannot be read ({error.strerror or error})")
            done += size
            progress(done, whole)


def _part(progress: Progress, before: int, size: int, whole: int) -> Progress:
    """The progress of one file, in bytes of all files."""
    return lambda done, total: progress(before + (size * done // total if total else 0), whole)


def _import(args: argparse.Namespace, path: Path, out: Path, rig: RememberedRig, progress: Progress) -> None:
    """Import one file."""
    wanted = parse_fps(args.fps) if args.fps else None
    video = None
    layout = _layout(args, path)
    if layout is None:
        source = _array(args, path)
    else:
        source, video = _media(path, layout, wanted)
    if source.fps is None:
        source, fps = _at_rate(args, path, source, wanted)
    else:
        fps = source.fps
    universes = (
        layout.universes if isinstance(layout, RigLayout) else lay_out(args.universes, source.slots, _slots(args, path))
    )
    if warning := refresh_warning(fps, universes):
        report(f"warning: {path}: {warning}")
    if wanted not in (None, fps):
        pace = f"{float(fps):.6g} frames a second, not {float(wanted or 0):g}"
        report(f"note: {path}: {pace}, so that the length stays the same")
    source = resampling.shaded(source, resampling.curve(args.gamma))
    write_source(source, out, fps, universes, progress, rig.json)
    if video and video.lost:
        report(f"warning: {path}: {video.lost} pictures could not be decoded; each is replaced by the one before")
    if video and video.mended:
        report(f"warning: {path}: {video.mended} pictures were damaged, and decoded as far as possible")


def _layout(args: argparse.Namespace, path: Path) -> PixelLayout | None:
    """Where the pixels of pictures go. None for an array."""
    if args.matrix and (args.rig or args.pixels_are_slots):
        hint = "leave out --matrix, or --rig and --pixels-are-slots"
        raise input_error("--matrix", "the pictures go on a matrix, on a rig, or into slots as they are", hint)
    if _is_array(args, path):
        return None
    if args.pixels_are_slots:
        return pictures.slots_of_pixels(path)
    if args.rig:
        return RigLayout(load_rig(args.rig), args.rig)
    if args.matrix:
        return parse_matrix(args.matrix, args.first_pixel, args.runs, args.back_and_forth, args.order)
    return None


def _is_array(args: argparse.Namespace, path: Path) -> bool:
    return path.suffix.lower() in ARRAYS or _is_raw(args, path)


def _is_raw(args: argparse.Namespace, path: Path) -> bool:
    """Whether a file is bare bytes: by its name, or because their header or width is given for an unknown kind."""
    suffix = path.suffix.lower()
    known = suffix in ARRAYS | PICTURES | VIDEOS
    return suffix in RAW or (not known and (args.skip is not None or args.width is not None))


def _slots(args: argparse.Namespace, path: Path) -> int:
    """The slots of a universe. `--slots` is the frame of bare bytes without a width: one universe, if it fits."""
    slots: int | None = args.slots
    if slots is None or (_is_raw(args, path) and args.width is None and slots > SLOTS_MAX):
        return SLOTS
    return slots


def _array(args: argparse.Namespace, path: Path) -> FrameSource:
    suffix = path.suffix.lower()
    if suffix in CAPTURES:
        raise input_error(path, "this is a network capture", f"gloaming record {args.out} --capture {path}")
    if path.is_dir() or suffix in PICTURES | VIDEOS:
        hint = "use --matrix 64x32, or --rig rig.toml; or --pixels-are-slots for a lossless video"
        raise input_error(path, "it is not known which pixels its pictures go to", hint)
    if _is_raw(args, path):
        return arrays.read_raw(path, args.width or args.slots, args.skip or 0)
    if suffix == ".npz":
        return arrays.read_npz(path, args.array)
    if suffix == ".csv":
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


def _at_rate(
    args: argparse.Namespace, path: Path, source: FrameSource, wanted: Fraction | None
) -> tuple[FrameSource, Fraction]:
    if wanted is None:
        raise input_error(path, "its frame rate is not known", "give it: --fps 25")
    if args.source_fps is None:
        return source, wanted
    return resampling.resampled(source, parse_fps(args.source_fps, "--source-fps"), wanted)
