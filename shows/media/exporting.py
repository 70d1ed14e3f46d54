"""Frames to look at: a contact sheet, a strip with one line a second, and a video of the strings.

All need the extra `media`.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from gloaming.shows.config_files.errors import input_error
from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.reader import FrameFileInfo, Frames
from gloaming.shows.framefile.source import Progress
from gloaming.shows.media.mapping import Matrix, colours_of, string_slots
from gloaming.shows.replacing import replacing
from gloaming.shows.rig.model import Rig, positions

if TYPE_CHECKING:
    from PIL.Image import Image

COLUMNS, ROWS = 6, 4
THUMB_PX = 200
MARGIN_PX = 8
LABEL_PX = 16
TIME_PX = 64
LINE_PX_MAX = 12
LINES_MAX = 1800
GROUND = (18, 18, 22)
INK = (190, 190, 196)

View = Callable[[Frames], Frames]
"""Frames `(n, frame_bytes)` as pictures `(n, height, width, 3)`, all uint8."""


def rows_of_pixels(info: FrameFileInfo) -> View:
    """A view without a rig or a matrix: three slots a pixel, row after row, twice as wide as high."""
    pixels = -(-info.frame_bytes // 3)
    width = max(1, int((2 * pixels) ** 0.5))
    matrix = Matrix(width, -(-pixels // width))

    def view(frames: Frames) -> Frames:
        return matrix.to_pictures(np.pad(frames, ((0, 0), (0, matrix.slots - frames.shape[1]))))

    return view


def on_matrix(info: FrameFileInfo, matrix: Matrix) -> View:
    """A view of a matrix that begins at the first slot. InputError if it is larger than a frame."""
    if matrix.slots > info.frame_bytes:
        problem = (
            f"a matrix of {matrix.width}x{matrix.height} has {matrix.slots} slots, but a frame has {info.frame_bytes}"
        )
        raise input_error("--matrix", problem)
    return matrix.to_pictures


def on_strings(info: FrameFileInfo, rig: Rig, rig_path: Path) -> View:
    """A view of a rig's strings at their `points` or `line`. InputError if no string has any."""
    universes = {one.number: one for one in info.universes}
    places: list[npt.NDArray[np.float64]] = []
    strings: list[tuple[npt.NDArray[np.intp], str]] = []
    for string in rig.string:
        points = positions(string)
        if points is None:
            continue
        places.append(points)
        strings.append((string_slots(string, universes), string.order))
    if not places:
        raise input_error(rig_path, "no string has a position", "give the strings points or a line")
    xy = np.concatenate(places)
    span = np.ptp(xy, axis=0)
    scale = (2 * THUMB_PX - 5) / max(span.max(), 1e-9)
    columns, rows = (np.rint((xy - xy.min(axis=0)) * scale).astype(int) + 2).T
    height = int(span[1] * scale) + 5
    rows = height - 1 - rows  # y points up in the rig and down in a picture

    def view(frames: Frames) -> Frames:
        pixels = [colours_of(np.where(slots >= 0, frames[:, slots], 0), order) for slots, order in strings]
        colours = np.concatenate(pixels, axis=1)
        pictures = np.zeros((len(frames), height, 2 * THUMB_PX, 3), np.uint8)
        for down in (-1, 0, 1):
            for right in (-1, 0, 1):
                where = (slice(None), np.clip(rows + down, 0, height - 1), columns + right)
                pictures[where] = np.maximum(pictures[where], colours)
        return pictures

    return view


def through(view: View, table: np.ndarray | None) -> View:
    """A view that maps every value by a table of 256. None changes nothing."""
    return view if table is None else lambda frames: table[view(frames)]


def draw(
    info: FrameFileInfo, out: Path, view: View, progress: Progress | None = None, table: np.ndarray | None = None
) -> None:
    """Write the contact sheet and the strip to one PNG. `table` maps every value.

    InputError without Pillow, for another kind of file, or at a damaged chunk.
    """
    if out.suffix.lower() != ".png":
        raise input_error(out, "a preview is a PNG", "choose a name that ends in .png")
    try:
        from PIL import Image, ImageDraw
    except ImportError:
        raise input_error(
            out, "a preview needs Pillow, which is not installed", "pip install 'gloaming[media]'"
        ) from None
    width = COLUMNS * (THUMB_PX + MARGIN_PX) + MARGIN_PX
    thumbs, strip, line_s = _gather(info, through(view, table), width - TIME_PX - MARGIN_PX, progress)
    strip = strip if table is None else table[strip]
    line_px = max(1, min(LINE_PX_MAX, 600 // len(strip)))
    thumb_px = max(1, round(THUMB_PX * thumbs[0][1].shape[0] / thumbs[0][1].shape[1]))
    sheet_px = -(-len(thumbs) // COLUMNS) * (thumb_px + LABEL_PX + MARGIN_PX) + MARGIN_PX
    image = Image.new("RGB", (width, sheet_px + len(strip) * line_px + MARGIN_PX), GROUND)
    pen = ImageDraw.Draw(image)
    for number, (frame, picture) in enumerate(thumbs):
        x = MARGIN_PX + number % COLUMNS * (THUMB_PX + MARGIN_PX)
        y = MARGIN_PX + number // COLUMNS * (thumb_px + LABEL_PX + MARGIN_PX)
        image.paste(_fitted(Image.fromarray(picture), THUMB_PX, thumb_px), (x, y))
        pen.text((x, y + thumb_px + 2), _clock(frame / info.fps), INK)
    image.paste(Image.fromarray(strip).resize((strip.shape[1], len(strip) * line_px), 0), (TIME_PX, sheet_px))
    for line in range(0, len(strip), max(1, -(-LABEL_PX // line_px))):
        pen.text((MARGIN_PX, sheet_px + line * line_px), _clock(Fraction(line * line_s)), INK)
    buffer = io.BytesIO()
    image.save(buffer, "PNG")
    with replacing(out) as temporary:
        temporary.write_bytes(buffer.getvalue())


def _gather(
    info: FrameFileInfo, view: View, strip_px: int, progress: Progress | None
) -> tuple[list[tuple[int, Frames]], Frames, int]:
    """In one pass: pictures at even distances in time, the mean of each line of the strip, and its seconds."""
    count = min(COLUMNS * ROWS, info.frames)
    chosen = [(2 * number + 1) * info.frames // (2 * count) for number in range(count)]
    length_s = info.frames / info.fps
    line_s = max(1, int(-(-length_s // LINES_MAX)))
    lines = int(-(-length_s // line_s))
    sums = np.zeros((lines, info.frame_bytes), np.float32)
    counts = np.zeros(lines)
    thumbs: list[tuple[int, Frames]] = []
    first = 0
    for block in frames_of(info.path):
        until = first + len(block)
        thumbs += [
            (frame, view(block[frame - first : frame - first + 1])[0]) for frame in chosen if first <= frame < until
        ]
        line_of = np.array([int(frame / info.fps) // line_s for frame in range(first, until)])
        for line in np.unique(line_of):
            sums[line] += block[line_of == line].sum(axis=0, dtype=np.float32)
            counts[line] += np.count_nonzero(line_of == line)
        first = until
        if progress:
            progress(first, info.frames)
    means = np.rint(sums / np.maximum(counts, 1)[:, None]).astype(np.uint8)
    return thumbs, _lines(means, strip_px), line_s


def _lines(means: Frames, width: int) -> Frames:
    """The pixels of each line on `width` places, three slots a pixel. The brightest of a place counts."""
    pixels = np.pad(means, ((0, 0), (0, -means.shape[1] % 3))).reshape(len(means), -1, 3)
    count = pixels.shape[1]
    if count <= width:
        return np.ascontiguousarray(pixels[:, np.arange(width) * count // width])
    starts = np.arange(width) * count // width
    strip: Frames = np.maximum.reduceat(pixels, starts, axis=1)
    return strip


def _fitted(picture: Image, width: int, height: int) -> Image:
    """A picture enlarged by whole pixels, or reduced by the mean of each box."""
    return picture.resize((width, height), 0 if picture.width < width else 4)


def _clock(at_s: Fraction) -> str:
    hundredths = round(at_s * 100)
    return f"{hundredths // 6000}:{hundredths // 100 % 60:02}.{hundredths % 100:02}"


SUFFIXES = {".mp4": "mp4", ".mkv": "matroska"}
WIDTH_PX = 640
"""Small pictures are enlarged by whole pixels, up to about this width."""


def export(info: FrameFileInfo, out: Path, view: View, progress: Progress | None = None) -> None:
    """Write H.264 video in the container of the name's ending. InputError without PyAV, or at a damaged chunk."""
    try:
        import av
    except ImportError:
        raise input_error(out, "video needs PyAV, which is not installed", "pip install 'gloaming[media]'") from None
    with replacing(out) as temporary:
        try:
            with av.open(str(temporary), "w", format=SUFFIXES[out.suffix]) as container:
                _encode(av, container, info, view, progress)
        except av.FFmpegError as error:
            raise input_error(out, f"it cannot be written ({error})") from error


def _encode(av: Any, container: Any, info: FrameFileInfo, view: View, progress: Progress | None) -> None:
    """`av` is the module PyAV. Its containers and streams have no common type."""
    stream, done = None, 0
    for block in frames_of(info.path):
        for frame in block:
            picture = _even(view(frame[None])[0])
            if stream is None:
                stream = container.add_stream("libx264", rate=info.fps, options={"crf": "16", "preset": "fast"})
                stream.height, stream.width = picture.shape[:2]
                stream.pix_fmt = "yuv420p"
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
            done += 1
        if progress:
            progress(done, info.frames)
    if stream is not None:
        container.mux(stream.encode())


def _even(picture: Frames) -> Frames:
    """A picture `(height, width, 3)` enlarged by whole pixels, with even sides for 4:2:0."""
    times = max(1, WIDTH_PX // picture.shape[1])
    large = picture.repeat(times, axis=0).repeat(times, axis=1)
    return np.ascontiguousarray(np.pad(large, ((0, large.shape[0] % 2), (0, large.shape[1] % 2), (0, 0))))
