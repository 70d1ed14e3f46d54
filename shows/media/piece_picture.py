"""A small picture of a piece: its brightest of a few frames, on the strings where they hang.

`python -m gloaming.shows.media.piece_picture FRAMES RIG OUT.png` draws it in a process of its own.
"""

from __future__ import annotations

import struct
import sys
import zlib
from contextlib import suppress
from pathlib import Path

import numpy as np

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import DamagedChunkError, FrameReader, Frames
from gloaming.shows.media.exporting import on_strings, rows_of_pixels
from gloaming.shows.media.low_priority import lower_priority
from gloaming.shows.rig.load import load_rig

LOOKS = 12
"""So many frames, evenly over the piece, are looked at."""


def picture_of(frames: Path, rig_path: Path) -> Frames:
    """The picture, `(height, width, 3) uint8`. InputError if no frame can be read."""
    with FrameReader(frames) as reader:
        info, best = reader.info, None
        for look in range(LOOKS):
            with suppress(DamagedChunkError):
                frame = reader.frame((2 * look + 1) * info.frames // (2 * LOOKS))
                best = frame if best is None or frame.sum() > best.sum() else best
    try:
        view = on_strings(info, load_rig(rig_path), rig_path)
    except InputError:
        view = rows_of_pixels(info)
    picture: Frames = view((np.zeros(info.frame_bytes, np.uint8) if best is None else best)[None])[0]
    return picture


def png(picture: Frames) -> bytes:
    """A picture `(height, width, 3) uint8` as a PNG: ISO/IEC 15948, 11.2 (IHDR, IDAT, IEND), filter 0 (9.2)."""
    height, width, _ = picture.shape
    rows = np.pad(picture.reshape(height, -1), ((0, 0), (1, 0)))
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", header), (b"IDAT", zlib.compress(rows.tobytes(), 9)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(_chunk(kind, data) for kind, data in chunks)


def _chunk(kind: bytes, data: bytes) -> bytes:
    """ISO/IEC 15948, 5.3: length, type, data, and the CRC of type and data."""
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def main() -> None:
    lower_priority()
    frames, rig, out = map(Path, sys.argv[1:4])
    try:
        data = png(picture_of(frames, rig))
    except InputError as error:
        raise SystemExit(str(error)) from None
    out.write_bytes(data)


if __name__ == "__main__":
    main()
