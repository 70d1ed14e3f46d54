"""The size of frame files: little overhead for noise, and the right filter."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import zstandard

from gloaming.shows.framefile.layout import SAMPLE_BYTES, Filter, encode_chunk
from gloaming.shows.framefile.reader import Frames, FrameWriter, Universe
from tests.bench import framefiles


def rig(slots: int, count: int) -> list[Universe]:
    return [Universe(number + 1, slots, number * slots) for number in range(count)]


def noise(frames: int, slots: int) -> Frames:
    return np.random.default_rng(1).integers(0, 256, (frames, slots), np.uint8)


@pytest.mark.parametrize(
    "count, slots, frames",
    [
        *((1, 6, 3), (1, 510, 400), (1, 7, 20_000), (4, 510, 100), (13, 510, 40)),
        *((40, 512, 30), (2, 510, 6000), (512, 512, 10)),
    ],
)
def test_noise_takes_hardly_more_than_its_bytes(tmp_path: Path, count: int, slots: int, frames: int) -> None:
    """At most the raw size plus 1 %, 64 KiB, and 32 bytes for each universe, for any content."""
    picture = noise(frames, count * slots)
    with FrameWriter(tmp_path / "a.frames", Fraction(40), rig(slots, count)) as writer:
        writer.write(picture)
    assert (tmp_path / "a.frames").stat().st_size <= 1.01 * picture.size + 65_536 + 32 * count


@pytest.mark.parametrize("content", ["moving picture", "slow look", "sparkle", "noise"])
def test_the_filter_chosen_by_a_sample_is_as_good_as_the_best(content: str) -> None:
    frames = np.tile(framefiles.contents()[content][:40], (1, 3))
    compressor = zstandard.ZstdCompressor(level=3, write_checksum=True)
    best = encode_chunk(compressor, bytes(8), 0, frames, list(Filter))
    assert frames.nbytes > 4 * SAMPLE_BYTES
    assert len(encode_chunk(compressor, bytes(8), 0, frames)) <= 1.02 * len(best)
