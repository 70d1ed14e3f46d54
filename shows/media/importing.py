"""Imports a file as a frame file, for the command and for uploads: chooses reader, rate, gamma and universes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile.layout import Universe
from gloaming.shows.framefile.source import (
    SLOTS,
    FrameSource,
    Progress,
    lay_out,
    parse_fps,
    refresh_warning,
    universes_of,
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


@dataclass(frozen=True, slots=True)
class ImportOptions:
    """What a person may say of a file, each in the form that `gloaming frames import` takes.

    Without `universes`, the frames of an array go to the universes of `rig` in their order, if they have as many slots.
    Otherwise they begin at the rig's first universe.
    """

    fps: str | None = None
    source_fps: str | None = None
    universes: str | None = "1"
    slots: int | None = None
    width: int | None = None
    skip: int | None = None
    pixels_are_slots: bool = False
    array: str | None = None
    gamma: str = "1"
    rig: Path | None = None
    matrix: str | None = None
    first_pixel: str = "top-left"
    runs: str = "across"
    back_and_forth: bool = False
    order: str = "RGB"


def import_file(
    path: Path,
    out: Path,
    options: ImportOptions,
    remembered: str,
    report: Callable[[str], None],
    progress: Progress | None = None,
) -> None:
    """Import one file or folder of PNGs. The new file remembers the rig of the JSON `remembered`. InputError.

    `report` gets each note and warning.
    """
    wanted = parse_fps(options.fps) if options.fps else None
    video = None
    layout = _layout(options, path)
    if layout is None:
        source = _array(options, path, out)
    else:
        source, video = _media(path, layout, wanted)
    if source.fps is None:
        source, fps = _at_rate(options, path, source, wanted)
    else:
        fps = source.fps
    universes = _universes(options, path, layout, source.slots)
    if warning := refresh_warning(fps, universes):
        report(f"warning: {path}: {warning}")
    if wanted not in (None, fps):
        pace = f"{float(fps):.6g} frames a second, not {float(wanted or 0):g}"
        report(f"note: {path}: {pace}, so that the length stays the same")
    source = resampling.shaded(source, resampling.curve(options.gamma))
    write_source(source, out, fps, universes, progress, remembered)
    if video and video.lost:
        report(f"warning: {path}: {video.lost} pictures could not be decoded; each is replaced by the one before")
    if video and video.mended:
        report(f"warning: {path}: {video.mended} pictures were damaged, and decoded as far as possible")


def _universes(options: ImportOptions, path: Path, layout: PixelLayout | None, slots: int) -> tuple[Universe, ...]:
    """The universes of the new file."""
    if isinstance(layout, RigLayout):
        return layout.universes
    text = options.universes
    if text is None:
        there = load_rig(options.rig).slots if options.rig else {}
        if sum(there.values()) == slots:
            return universes_of(dict(sorted(there.items())))
        text = str(min(there, default=1))
    return lay_out(text, slots, _slots(options, path))


def _layout(options: ImportOptions, path: Path) -> PixelLayout | None:
    """Where the pixels of pictures go. None for an array."""
    if options.matrix and (options.rig or options.pixels_are_slots):
        hint = "leave out --matrix, or --rig and --pixels-are-slots"
        raise input_error("--matrix", "the pictures go on a matrix, on a rig, or into slots as they are", hint)
    if _is_array(options, path):
        return None
    if options.pixels_are_slots:
        return pictures.slots_of_pixels(path)
    if options.rig:
        return RigLayout(load_rig(options.rig), options.rig)
    if options.matrix:
        return parse_matrix(options.matrix, options.first_pixel, options.runs, options.back_and_forth, options.order)
    return None


def _is_array(options: ImportOptions, path: Path) -> bool:
    return path.suffix.lower() in ARRAYS or _is_raw(options, path)


def _is_raw(options: ImportOptions, path: Path) -> bool:
    """Whether a file is bare bytes: by its name, or because their header or width is given for an unknown kind."""
    suffix = path.suffix.lower()
    known = suffix in ARRAYS | PICTURES | VIDEOS
    return suffix in RAW or (not known and (options.skip is not None or options.width is not None))


def _slots(options: ImportOptions, path: Path) -> int:
    """The slots of a universe. `--slots` is the frame of bare bytes without a width: one universe, if it fits."""
    slots: int | None = options.slots
    if slots is None or (_is_raw(options, path) and options.width is None and slots > SLOTS_MAX):
        return SLOTS
    return slots


def _array(options: ImportOptions, path: Path, out: Path) -> FrameSource:
    suffix = path.suffix.lower()
    if suffix in CAPTURES:
        raise input_error(path, "this is a network capture", f"gloaming record {out} --capture {path}")
    if path.is_dir() or suffix in PICTURES | VIDEOS:
        hint = "use --matrix 64x32, or --rig rig.toml; or --pixels-are-slots for a lossless video"
        raise input_error(path, "it is not known which pixels its pictures go to", hint)
    if _is_raw(options, path):
        return arrays.read_raw(path, options.width or options.slots, options.skip or 0)
    if suffix == ".npz":
        return arrays.read_npz(path, options.array)
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
    options: ImportOptions, path: Path, source: FrameSource, wanted: Fraction | None
) -> tuple[FrameSource, Fraction]:
    if wanted is None:
        raise input_error(path, "its frame rate is not known", "give it: --fps 25")
    if options.source_fps is None:
        return source, wanted
    return resampling.resampled(source, parse_fps(options.source_fps, "--source-fps"), wanted)
