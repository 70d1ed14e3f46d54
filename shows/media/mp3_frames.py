"""Mends MP3 files in which frames are missing: silent frames fill the holes.

A frame does not say its time (ISO/IEC 11172-3, 2.4.1). Without the mend all frames after a hole would come too early.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

_KBIT_1 = (0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_KBIT_2 = (0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_RATES_HZ = {3: (44_100, 48_000, 32_000), 2: (22_050, 24_000, 16_000), 0: (11_025, 12_000, 8_000)}
"""By the two version bits: MPEG-1, MPEG-2 (ISO/IEC 13818-3), and the lower rates of many encoders."""
_KIND = 0xFFFE_0C00
"""The bits of a header that are the same in a whole file: synchronization, version, layer, rate."""
_NO_CHECKSUM = 0x01
_COUNTED = 1
_TAG_BYTES = 128


class _Header(NamedTuple):
    """A frame by its four header bytes: its size, the size of its side information, its samples and their rate."""

    kind: int
    size: int
    side: int
    samples: int
    rate_hz: int
    checksum: int

    @property
    def unsaid(self) -> int:
        """How many of the first 16 bits of the side information do not belong to main_data_begin."""
        return 7 if self.samples == 1152 else 8


class _Hole(NamedTuple):
    """Bytes `[begin, end)` without frames. The frame before them begins at `last` and has the `number`."""

    last: int
    begin: int
    end: int
    number: int


@dataclass(frozen=True, slots=True)
class Mended:
    """A file with silence in its holes, and the times of the holes in seconds."""

    content: bytes
    holes: tuple[tuple[float, float], ...]


def mend_holes(data: bytes) -> Mended | None:
    """The bytes of a file with its holes filled. None without holes, or if the frames are unknown."""
    first = _next_frame(data, _tag_bytes(data, 0), None)
    if first is None:
        return None
    holes, count, size = _walk(data, first)
    return _fill(data, holes, _missing(data, first, holes, count, size)) if holes else None


@lru_cache(maxsize=4096)
def _header(word: bytes) -> _Header | None:
    """A header by ISO/IEC 11172-3, 2.4.2.3, or None."""
    value = int.from_bytes(word)
    version, kbit, rate = value >> 19 & 3, value >> 12 & 15, value >> 10 & 3
    if len(word) < 4 or value >> 21 != 0x7FF or version == 1 or value >> 17 & 3 != 1 or kbit in (0, 15) or rate == 3:
        return None
    rate_hz, mono = _RATES_HZ[version][rate], value >> 6 & 3 == 3
    samples, kbits, sides = (1152, _KBIT_1, (17, 32)) if version == 3 else (576, _KBIT_2, (9, 17))
    size = samples // 8 * kbits[kbit] * 1000 // rate_hz + (value >> 9 & 1)
    return _Header(value & _KIND, size, sides[not mono], samples, rate_hz, 0 if value >> 16 & 1 else 2)


def _frame(data: bytes, at: int, kind: int | None) -> _Header | None:
    """The header of the frame at a place, or None. `kind` limits it to frames of one kind."""
    found = _header(data[at : at + 4])
    return found if found and kind in (None, found.kind) else None


def _next_frame(data: bytes, at: int, kind: int | None) -> int | None:
    """The next place where two frames follow each other. A single header may be two bytes of chance."""
    while (at := data.find(b"\xff", at)) >= 0:
        found = _frame(data, at, kind)
        if found and _frame(data, at + found.size, found.kind):
            return at
        at += 1
    return None


def _tag_bytes(data: bytes, at: int) -> int:
    """The length of the tag at a place (ID3v2 3.1: seven bits a byte), 0 without a tag."""
    if data[at : at + 3] == b"TAG":
        return _TAG_BYTES
    if data[at : at + 3] != b"ID3" or at + 10 > len(data):
        return 0
    return 10 + sum((data[at + 6 + place] & 127) << 7 * (3 - place) for place in range(4))


def _walk(data: bytes, first: int) -> tuple[list[_Hole], int, int]:
    """Go from frame to frame: the holes, the number of frames, and their bytes."""
    kind = _header(data[first : first + 4])
    holes: list[_Hole] = []
    at, last, count, size = first, first, 0, 0
    while at < len(data):
        found = _frame(data, at, kind.kind if kind else None)
        if found:
            last, count, size = at, count + 1, size + found.size
            at += found.size
        elif tag := _tag_bytes(data, at):
            at += tag
        else:
            after = _next_frame(data, at, kind.kind if kind else None)
            if after is None:
                break
            holes.append(_Hole(last, at, after, count))
            at = after
    return holes, count, size


def _missing(data: bytes, first: int, holes: list[_Hole], count: int, size: int) -> list[int]:
    """How many frames each hole lacks. Most encoders write a count into the first frame. Else the mean size decides."""
    lost = [hole.end - hole.begin for hole in holes]
    header = _header(data[first : first + 4])
    assert header
    info_at = first + 4 + header.side
    if data[info_at : info_at + 4] in (b"Xing", b"Info") and data[info_at + 7] & _COUNTED:
        gone = max(0, int.from_bytes(data[info_at + 8 : info_at + 12]) - (count - 1))
        edges = [round(gone * sum(lost[:place]) / sum(lost)) for place in range(len(lost) + 1)]
        return [after - before for before, after in pairwise(edges)]
    return [round(each * count / size) for each in lost]


def _fill(data: bytes, holes: list[_Hole], missing: list[int]) -> Mended:
    """Fill the holes with silent frames.

    The frame before a hole lacks its end. The frames after it lack data of earlier frames (2.4.2.7, main_data_begin).
    These are silent too.
    """
    content, silent_s = bytearray(), []
    at = 0
    for hole, frames in zip(holes, missing, strict=True):
        header = _header(data[hole.last : hole.last + 4])
        assert header
        content += data[at : hole.begin]
        _silence(content, len(content) - (hole.begin - hole.last))
        for _ in range(frames):
            content += data[hole.last : hole.last + 4] + bytes(header.size - 4)
            _silence(content, len(content) - header.size)
        at = hole.end
        muted = 0
        for begin, found in _without_their_data(data, hole.end, header.kind):
            content += data[begin : begin + found.size]
            _silence(content, len(content) - found.size)
            at, muted = begin + found.size, muted + 1
        begin_s = max(0, hole.number - 2) * header.samples / header.rate_hz
        silent_s.append((begin_s, begin_s + (1 + frames + muted) * header.samples / header.rate_hz))
    return Mended(bytes(content + data[at:]), tuple(silent_s))


def _without_their_data(data: bytes, at: int, kind: int) -> Iterator[tuple[int, _Header]]:
    """The frames after a hole that need data from before it. A frame cut off by the end of the file is left out."""
    there = 0
    while (found := _frame(data, at, kind)) and at + found.size <= len(data):
        side = at + 4 + found.checksum
        if int.from_bytes(data[side : side + 2]) >> found.unsaid <= there:
            return
        yield at, found
        there += found.size - 4 - found.checksum - found.side
        at += found.size


def _silence(content: bytearray, at: int) -> None:
    """Make a frame silent: zeros in the side information after main_data_begin. Its data stay, for later frames."""
    found = _header(bytes(content[at : at + 4]))
    assert found
    side, end = at + 4 + found.checksum, at + 4 + found.checksum + found.side
    begin = int.from_bytes(content[side : side + 2]) >> found.unsaid << found.unsaid
    content[at + 1] |= _NO_CHECKSUM
    content[at + 4 : end] = begin.to_bytes(2) + bytes(end - at - 6)
