"""Pictures and video onto a matrix or a rig: folders of PNGs, GIFs, pictures, all that PyAV decodes (extra `media`).

A picture is stretched over the whole of it; what is transparent shows black.
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
from gloaming.shows.media.mapping import PixelLayout
from gloaming.shows.media.resampling import held, paced, picks

if TYPE_CHECKING:
    from PIL.Image import Image

MEDIA_MISSING = "install it with the extra: pip install 'gloaming[media]'"
GIF_PAUSE_S = Fraction(1, 10)
"""For a GIF's picture that gives no time of its own; common practice, no source."""


def read_pictures(folder: Path, canvas: PixelLayout) -> FrameSource:
    """The PNGs of a folder, one a frame, in the order of the numbers in their names."""
    paths = sorted((path for path in folder.iterdir() if path.suffix.lower() == ".png"), key=_natural)
    if not paths:
        raise input_error(folder, "there are no .png files in this folder")
    frames = (canvas.to_slots(_scaled(_open(path), path, canvas)[None]) for path in paths)
    return FrameSource(canvas.slots, len(paths), None, frames)


def _natural(path: Path) -> list[tuple[int, str]]:
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split(r"(\d+)", path.name)]


def read_picture(path: Path, canvas: PixelLayout, fps: Fraction | None) -> FrameSource:
    """A GIF or a single picture, at `fps` or at its own rate, if it has one."""
    image = _open(path)
    starts_s, at_s = [], Fraction(0)
    for number in range(getattr(image, "n_frames", 1)):
        _seek(image, number, path)
        starts_s.append(at_s)
        at_s += Fraction(image.info.get("duration", 0)) / 1000 or GIF_PAUSE_S
    if len(starts_s) == 1:
        return FrameSource(canvas.slots, 1, None, [canvas.to_slots(_scaled(image, path, canvas)[None])])
    steps = {after - before for before, after in zip(starts_s, [*starts_s[1:], at_s], strict=True)}
    if fps is None and len(steps) > 1:
        raise input_error(path, "its pictures stand for different times, so it has no rate of its own", "give --fps 40")
    count, exact = paced(at_s, fps or 1 / min(steps))

    def pictures() -> Iterator[Frames]:
        for number in range(len(starts_s)):
            _seek(image, number, path)
            yield canvas.to_slots(_scaled(image, path, canvas)[None])

    return FrameSource(canvas.slots, count, exact, held(enumerate(pictures()), picks(starts_s, count, exact)))


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


def _scaled(image: Image, path: Path, canvas: PixelLayout) -> Frames:
    """A picture `(height, width, 3) uint8` of the canvas's size; what is transparent is black."""
    try:
        rgba = np.asarray(image.convert("RGBA").resize((canvas.width, canvas.height), 4))  # 4: the mean of each box
    except (OSError, ValueError, SyntaxError) as error:
        raise input_error(path, f"the picture is damaged ({error})") from None
    return _on_black(rgba)


def _on_black(rgba: Frames) -> Frames:
    """`(..., 4)` as `(..., 3)`: colours times opacity, rounded."""
    opacity = rgba[..., 3:].astype(np.uint16)
    return ((rgba[..., :3] * opacity + 127) // 255).astype(np.uint8)


class Video:
    """A video's pictures on a canvas, as `source`.

    Once that is read, `lost` counts what could not be decoded: there the picture before is held; `mended` counts the
    packets that the decoder found damaged, but made some picture of.
    """

    def __init__(self, path: Path, canvas: PixelLayout, fps: Fraction | None) -> None:
        self._path, self._canvas, self.lost, self.mended = path, canvas, 0, 0
        with self._opened() as container:
            stream = container.streams.video[0]
            rate, second = stream.average_rate, Fraction(stream.time_base)
            stamps = {packet.pts for packet in container.demux(stream) if packet.size}  # nothing is decoded for this
        if not stamps:
            raise input_error(path, "there are no pictures in it")
        self._stamps = sorted(stamps - {None})
        if not self._stamps:
            raise input_error(path, "its pictures do not say when they are shown", "put it into an .mkv or .mp4 file")
        if fps is None and not rate:
            raise input_error(path, "the video has no frame rate", "give one: --fps 25")
        starts_s = [(stamp - self._stamps[0]) * second for stamp in self._stamps]
        own_fps = Fraction(rate) if rate else len(starts_s) / (starts_s[-1] or Fraction(1))
        length_s = starts_s[-1] + 1 / own_fps
        if fps in (None, own_fps) and abs(length_s * own_fps - len(starts_s)) < Fraction(1, 2):
            count, exact = len(starts_s), own_fps
            wanted: Iterator[int] = iter(range(count))
        else:
            count, exact = paced(length_s, fps or own_fps)
            wanted = picks(starts_s, count, exact)
        self.source = FrameSource(canvas.slots, count, exact, held(self._pictures(), wanted))

    def _opened(self) -> Any:  # PyAV's containers differ by kind; only what all of them have is used
        try:
            import av
        except ImportError:
            raise input_error(self._path, "video needs PyAV, which is not installed", MEDIA_MISSING) from None
        try:
            container = av.open(str(self._path))
        except (OSError, ValueError) as error:
            raise input_error(self._path, f"this is no video that can be read ({error})") from None
        if not container.streams.video:
            container.close()
            raise input_error(self._path, "there is no video in it")
        return container

    def _pictures(self) -> Iterator[tuple[int, Frames]]:
        """The pictures that can be decoded, each with its number among the time stamps."""
        import av
        import av.logging

        due = 0
        av.logging.set_level(av.logging.ERROR)  # most decoders only speak of damage there
        with self._opened() as container:
            stream = container.streams.video[0]
            stream.codec_context.thread_count = 1  # so that what is said belongs to the packet
            for packet in container.demux(stream):
                try:
                    with av.logging.Capture() as said:
                        frames = packet.decode()
                except av.FFmpegError:  # counted below, by the number that is missing
                    continue
                self.mended += bool(said)
                for frame in frames:
                    if frame.pts is None or frame.is_corrupt:
                        continue
                    number = bisect_left(self._stamps, frame.pts)
                    self.lost += max(0, number - due)
                    due = number + 1
                    yield number, self._canvas.to_slots(self._scaled(frame)[None])
        if not due:
            raise input_error(self._path, "none of its pictures can be decoded")
        self.lost += len(self._stamps) - due

    def _scaled(self, frame: Any) -> Frames:  # a frame as PyAV has it
        # counterclockwise: a telephone held upright films sideways, and says so; more than 180 is a damaged matrix
        turns = round(frame.rotation / 90) if abs(frame.rotation) <= 180 else 0
        width, height = (self._canvas.width, self._canvas.height)[:: -1 if turns % 2 else 1]
        alpha = any(component.is_alpha for component in frame.format.components)
        small = frame.reformat(width, height, "rgba" if alpha else "rgb24", interpolation="AREA").to_ndarray()
        picture: Frames = np.rot90(_on_black(small) if alpha else small, turns)
        return picture
