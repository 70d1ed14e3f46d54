"""Frame files: what filters, levels and chunks cost and save, and what playing one costs.

    python -m tests.bench.framefiles

Prints three tables. Sizes are in percent of the raw frames; costs are shares of one core, in percent, measured as CPU
time of the thread, the best of three.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import zstandard

from gloaming.shows.framefile.layout import Filter, chunk_frames, encode_chunk
from gloaming.shows.framefile.reader import FrameReader, Frames, FrameWriter, Universe, inspect
from tests.places import MOVING_PICTURE

FPS = Fraction(40)
SLOTS = 24 * 510

MEMORY = """
import sys
from gloaming.shows.framefile.reader import FrameReader
def resident():
    return int(open("/proc/self/statm").read().split()[1]) * 4096
before, most = resident(), 0
with FrameReader(sys.argv[1]) as reader:
    for number in range(reader.info.frames):
        reader.frame(number).sum()
        most = max(most, resident())
print(f"{(most - before) / 1e6:.1f}")
"""
"""What a process grows by, from before it opens the file."""


def contents() -> dict[str, Frames]:
    """Frames of each kind of content: `(frames, slots) uint8`."""
    random = np.random.default_rng(1)
    at = np.arange(160)[:, None] / 40
    place = np.arange(SLOTS)[None] / SLOTS
    slow = (255 * (0.5 + 0.5 * np.sin(2 * np.pi * (3 * place + 0.1 * at))) ** 2.2).astype(np.uint8)
    sparkle = np.zeros((160, SLOTS // 3), np.float32)
    for number in range(1, 160):
        sparkle[number] = sparkle[number - 1] * 0.9
        sparkle[number, random.integers(0, SLOTS // 3, 40)] = 255
    return {
        "moving picture": np.load(MOVING_PICTURE),
        "slow look": slow,
        "sparkle": np.repeat(sparkle, 3, axis=1).astype(np.uint8),
        "noise": random.integers(0, 256, (160, SLOTS), np.uint8),
    }


def rig(slots: int) -> list[Universe]:
    return [Universe(n + 1, min(510, slots - at), at) for n, at in enumerate(range(0, slots, 510))]


def cpu_s(work: Callable[[], object]) -> float:
    best = float("inf")
    for _ in range(3):
        begin = time.thread_time()
        work()
        best = min(best, time.thread_time() - begin)
    return best


def packed(frames: Frames, level: int, filters: list[Filter], step: int) -> int:
    """Bytes of all chunks, the best of some filters for each."""
    compressor = zstandard.ZstdCompressor(level=level, write_checksum=True)
    return sum(
        len(encode_chunk(compressor, bytes(8), first, frames[first : first + step], filters))
        for first in range(0, len(frames), step)
    )


def filters_and_levels() -> Iterator[str]:
    columns = [[Filter.PLAIN], [Filter.DIFFERENCE], [Filter.BY_SLOT], list(Filter)]
    names = ["plain", "difference", "by slot", "best of all"]
    yield "| content | zstd level | " + " | ".join(f"{name}: size, MB/s" for name in names) + " |"
    yield "| --- | --- |" + " --- |" * len(names)
    for content, frames in contents().items():
        step = chunk_frames(FPS, frames.shape[1])
        for level in (1, 3, 6, 9):
            cells = []
            for column in columns:
                size = packed(frames, level, column, step)
                seconds = cpu_s(lambda v=level, c=column, f=frames, s=step: packed(f, v, c, s))
                cells.append(f"{100 * size / frames.size:.1f} %, {frames.size / seconds / 1e6:.0f}")
            yield f"| {content} | {level} | " + " | ".join(cells) + " |"


def whole_files(folder: Path) -> Iterator[str]:
    yield "| content | file | zstd -3 of the raw bytes in the same chunks |"
    yield "| --- | --- | --- |"
    for content, frames in contents().items():
        path = folder / "a.frames"
        with FrameWriter(path, FPS, rig(frames.shape[1])) as writer:
            writer.write(frames)
        step = chunk_frames(FPS, frames.shape[1])
        compressor = zstandard.ZstdCompressor(level=3, write_checksum=True)
        raw = sum(len(compressor.compress(frames[at : at + step].tobytes())) for at in range(0, len(frames), step))
        size = path.stat().st_size
        yield f"| {content} | {100 * size / frames.size:.1f} % | {100 * raw / frames.size:.1f} % |"


def playing(folder: Path) -> Iterator[str]:
    yield "| universes at 40 frames a second | content | writing | reading | opening | memory for reading |"
    yield "| --- | --- | --- | --- | --- | --- |"
    picture = np.load(MOVING_PICTURE)
    for universes in (24, 512, 4096):
        slots = universes * 510
        count = 400 if universes < 4096 else 80
        tiled = np.tile(picture, (count // len(picture) + 1, slots // picture.shape[1] + 1))[:count, :slots]
        noise = np.random.default_rng(1).integers(0, 256, (count, slots), np.uint8)
        for content, frames in (("moving picture", tiled), ("noise", noise)):
            path = folder / "b.frames"

            def write(path: Path = path, frames: Frames = frames, slots: int = slots) -> None:
                with FrameWriter(path, FPS, rig(slots)) as writer:
                    writer.write(frames)

            def read(path: Path = path) -> None:
                with FrameReader(path) as reader:
                    for number in range(reader.info.frames):
                        reader.frame(number)

            shares = [100 * cpu_s(work) / (count / 40) for work in (write, read)]
            opening_ms = 1000 * cpu_s(lambda path=path: inspect(path))
            memory = subprocess.run([sys.executable, "-c", MEMORY, path], capture_output=True, text=True, check=True)
            cells = [f"{shares[0]:.2f} %", f"{shares[1]:.2f} %", f"{opening_ms:.2f} ms", f"{memory.stdout.strip()} MB"]
            yield f"| {universes} | {content} | {' | '.join(cells)} |"


def main() -> None:
    """Print the tables."""
    with tempfile.TemporaryDirectory() as folder:
        for table in (filters_and_levels(), whole_files(Path(folder)), playing(Path(folder))):
            for line in table:
                print(line)
                sys.stdout.flush()
            print()


if __name__ == "__main__":
    main()
