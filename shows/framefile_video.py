"""A frame file as a video to be looked at: what the strings show, at the file's own rate (extra `media`)."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gloaming.shows.framefile import FrameFileInfo, Frames
from gloaming.shows.framefile_edit import beside, frames_of
from gloaming.shows.importing import Progress, mistake

if TYPE_CHECKING:
    from gloaming.shows.preview import View

SUFFIXES = {".mp4": "mp4", ".mkv": "matroska"}
WIDTH_PX = 640
"""Small pictures are made larger by whole pixels, up to about this width."""


def export(info: FrameFileInfo, out: Path, view: View, progress: Progress | None = None) -> None:
    """Write H.264, its kind by the ending of the name. MistakeError without PyAV, or at a damaged chunk."""
    try:
        import av
    except ImportError:
        raise mistake(out, "video needs PyAV, which is not installed", "pip install 'gloaming[media]'") from None
    with beside(out) as temporary:
        try:
            with av.open(str(temporary), "w", format=SUFFIXES[out.suffix]) as container:
                _encode(av, container, info, view, progress)
        except av.FFmpegError as error:
            raise mistake(out, f"it cannot be written ({error})") from error


def _encode(av: Any, container: Any, info: FrameFileInfo, view: View, progress: Progress | None) -> None:
    """`av` is the module; its containers and streams differ by kind."""
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
    """A picture `(height, width, 3)` made larger by whole pixels, its sides even, as 4:2:0 wants them."""
    times = max(1, WIDTH_PX // picture.shape[1])
    large = picture.repeat(times, axis=0).repeat(times, axis=1)
    return np.ascontiguousarray(np.pad(large, ((0, large.shape[0] % 2), (0, large.shape[1] % 2), (0, 0))))
