"""Frames from pictures and videos, on a matrix or a rig: folders of PNGs, GIFs, pictures, video (extra `media`).

A picture is stretched over the whole layout. Transparent parts are black.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile.reader import Frames
from gloaming.shows.framefile.source import FrameSource
from gloaming.shows.media.mapping import Matrix, PixelLayout
from gloaming.shows.media.resampling import held, paced, picks

if TYPE_CHECKING:
    from PIL.Image import Image

MEDIA_MISSING = "install it with the extra: pip install 'gloaming[media]'"
GIF_PAUSE_S = Fraction(1, 10)
"""The time of a GIF's picture that has none. Common practice, no source."""


def read_pictures(folder: Path, layout: PixelLayout) -> FrameSource:
    """The PNGs of a folder, one for each frame, in the order of the numbers in their names."""
    paths = pngs(folder)
    if not paths:
        raise input_error(folder, "there are no .png files in this folder")
    frames = (layout.to_slots(_scaled(_open(path), path, layout)[None]) for path in paths)
    return FrameSource(layout.slots, len(paths), None, frames)


def pngs(folder: Path) -> list[Path]:
    """The PNGs of a folder, in the order of the numbers in their names."""
    paths = (path for path in folder.iterdir() if path.suffix.lower() == ".png" and not path.name.startswith("."))
    return sorted(paths, key=_natural)


def _natural(path: Path) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", path.name)]


def read_picture(path: Path, layout: PixelLayout, fps: Fraction | None) -> FrameSource:
    """A GIF or a single picture, at `fps` or at its own rate if it has one."""
    image = _open(path)
    starts_s, at_s = [], Fraction(0)
    for number in range(getattr(image, "n_frames", 1)):
        _seek(image, number, path)
        starts_s.append(at_s)
        at_s += Fraction(image.info.get("duration", 0)) / 1000 or GIF_PAUSE_S
    if len(starts_s) == 1:
        return FrameSource(layout.slots, 1, None, [layout.to_slots(_scaled(image, path, layout)[None])])
    steps = {after - before for before, after in zip(starts_s, [*starts_s[1:], at_s], strict=True)}
    if fps is None and len(steps) > 1:
        raise input_error(path, "its pictures have different lengths, so it has no frame rate", "add --fps 40")
    count, exact = paced(at_s, fps or 1 / min(steps))

    def pictures() -> Iterator[Frames]:
        for number in range(len(starts_s)):
            _seek(image, number, path)
            yield layout.to_slots(_scaled(image, path, layout)[None])

    return FrameSource(layout.slots, count, exact, held(enumerate(pictures()), picks(starts_s, count, exact)))


def _open(path: Path) -> Image:
    try:
        from PIL import Image
    except ImportError:
        raise input_error(path, "pictures need Pillow, which is not installed", MEDIA_MISSING) from None
    try:
        return Image.open(path)
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as error:
        raise input_error(path, f"the picture cannot be read ({error})") from None


def _seek(image: Image, number: int, path: Path) -> None:
    try:
        image.seek(number)
        image.load()
    except (OSError, EOFError, ValueError, SyntaxError) as error:
        raise input_error(path, f"picture {number} of it is damaged ({error})") from None


def _scaled(image: Image, path: Path, layout: PixelLayout) -> Frames:
    """A picture `(height, width, 3) uint8` in the size of the layout. Transparent parts are black."""
    try:
        rgba = np.asarray(image.convert("RGBA").resize((layout.width, layout.height), 4))  # 4: the mean of each box
    except (OSError, ValueError, SyntaxError) as error:
        raise input_error(path, f"the picture is damaged ({error})") from None
    return _on_black(rgba)


def _on_black(rgba: Frames) -> Frames:
    """RGBA `(..., 4)` as RGB `(..., 3)`: colours times opacity, rounded."""
    opacity = rgba[..., 3:].astype(np.uint16)
    return ((rgba[..., :3] * opacity + 127) // 255).astype(np.uint8)


def _opened(path: Path) -> Any:  # PyAV's containers have no common type
    try:
        import av
    except ImportError:
        raise input_error(path, "video needs PyAV, which is not installed", MEDIA_MISSING) from None
    try:
        container = av.open(str(path))
    except (OSError, ValueError) as error:
        raise input_error(path, f"this is not a video that can be read ({error})") from None
    if not container.streams.video:
        container.close()
        raise input_error(path, "there is no video in the file")
    return container


def slots_of_pixels(path: Path) -> Matrix:
    """The layout of a lossless video whose pixels are slots: row after row, three a pixel, or one if it is grey.

    InputError for a video that changes levels: a lossy codec, colours other than RGB, or other than 8 bits.
    """
    with _opened(path) as container:
        context = container.streams.video[0].codec_context
        kind = context.format
        grey = kind is not None and len(kind.components) == 1 and not kind.has_palette
        eight = kind is not None and all(one.bits == 8 for one in kind.components)
        if not (context.codec.lossless and eight and (grey or kind.is_rgb)):
            problem = f"its levels are not exact ({context.name}, {kind.name if kind else 'unknown colours'})"
            raise input_error(path, problem, "use a lossless codec with RGB or grey of 8 bits, as FFV1 or PNG")
        return Matrix(context.width, context.height, order="W" if grey else "RGB")


class Video:
    """A video's pictures on a layout, as `source`.

    Two counts are final when the source is read. `lost` are pictures that could not be decoded: the one before is
    held. `mended` are packets that are damaged, but gave a picture.
    """

    def __init__(self, path: Path, layout: PixelLayout, fps: Fraction | None) -> None:
        self._path, self._layout, self.lost, self.mended = path, layout, 0, 0
        with _opened(path) as container:
            stream = container.streams.video[0]
            rate, second = stream.average_rate, Fraction(stream.time_base)
            stamps = {packet.pts for packet in container.demux(stream) if packet.size}  # this decodes nothing
        if not stamps:
            raise input_error(path, "there are no pictures in the video")
        self._stamps = sorted(stamps - {None})
        if not self._stamps:
            raise input_error(path, "its pictures have no times", "convert it to an .mkv or .mp4 file")
        if fps is None and not rate:
            raise input_error(path, "the video has no frame rate", "add one: --fps 25")
        starts_s = [(stamp - self._stamps[0]) * second for stamp in self._stamps]
        own_fps = Fraction(rate) if rate else len(starts_s) / (starts_s[-1] or Fraction(1))
        length_s = starts_s[-1] + 1 / own_fps
        if fps in (None, own_fps) and abs(length_s * own_fps - len(starts_s)) < Fraction(1, 2):
            count, exact = len(starts_s), own_fps
            wanted: Iterator[int] = iter(range(count))
        else:
            count, exact = paced(length_s, fps or own_fps)
            wanted = picks(starts_s, count, exact)
        self.source = FrameSource(layout.slots, count, exact, held(self._pictures(), wanted))

    def _pictures(self) -> Iterator[tuple[int, Frames]]:
        """The pictures that can be decoded, each with its number in the order of the time stamps."""
        import av
        import av.logging

        due = 0
        av.logging.set_level(av.logging.ERROR)  # most decoders report damage only in the log
        with _opened(self._path) as container:
            stream = container.streams.video[0]
            stream.codec_context.thread_count = 1  # so that a log line belongs to the packet
            for packet in container.demux(stream):
                try:
                    with av.logging.Capture() as said:
                        frames = packet.decode()
                except av.FFmpegError:  # counted below, as a missing number
                    continue
                self.mended += bool(said)
                for frame in frames:
                    if frame.pts is None or frame.is_corrupt:
                        continue
                    number = bisect_left(self._stamps, frame.pts)
                    self.lost += max(0, number - due)
                    due = number + 1
                    yield number, self._layout.to_slots(self._scaled(frame)[None])
        if not due:
            raise input_error(self._path, "none of its pictures can be decoded")
        self.lost += len(self._stamps) - due

    def _scaled(self, frame: Any) -> Frames:  # a frame of PyAV
        # counterclockwise: an upright phone stores a sideways picture and its rotation; over 180 the matrix is damaged
        turns = round(frame.rotation / 90) if abs(frame.rotation) <= 180 else 0
        width, height = (self._layout.width, self._layout.height)[:: -1 if turns % 2 else 1]
        alpha = any(component.is_alpha for component in frame.format.components)
        small = frame.reformat(width, height, "rgba" if alpha else "rgb24", interpolation="AREA").to_ndarray()
        picture: Frames = np.rot90(_on_black(small) if alpha else small, turns)
        return picture
