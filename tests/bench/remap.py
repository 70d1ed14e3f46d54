"""Frames moved to another rig: the index map against NumPy's plain indexing of it, and against slices of each run.

    python -m tests.bench.remap

Prints, for each rig, how many MB of frames one core moves in a second (CPU time of the thread, the best of nine). The
ratio compares with `frames[:, index]`, to which a dark byte was added once before. Slices copy each run of bytes that
stay side by side. The last table is the time to make the map.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from fractions import Fraction
from functools import partial
from pathlib import Path

import numpy as np

from gloaming.shows.framefile.layout import CHUNK_BYTES_MAX, FrameFileInfo, Frames
from gloaming.shows.framefile.remap import Index, mover, remap
from gloaming.shows.framefile.source import universes_of
from gloaming.shows.rig.made_for import MadeFor
from gloaming.shows.rig.model import Rig

ROUNDS = 9


def rig(strings: int, pixels: int, order: str, first_universe: int, names: Index) -> Rig:
    """Strings one after another, each in universes of its own, in the order of `names`."""
    each = -(-pixels * len(order) // 510)
    tables = [
        {
            "name": f"run {name}",
            "controller": "left",
            "universe": first_universe + at * each,
            "pixels": pixels,
            "order": order,
        }
        for at, name in enumerate(names.tolist())
    ]
    universes = f"{first_universe}-{first_universe + strings * each - 1}"
    return Rig.model_validate({"controller": [{"name": "left", "universes": universes}], "string": tables})


def rigs(strings: int, pixels: int, new_pixels: int, order: str) -> tuple[FrameFileInfo, MadeFor, Rig]:
    """A file for one rig, and another rig: all strings swapped, in other universes."""
    old = rig(strings, pixels, "RGB", 1, np.arange(strings))
    new = rig(strings, new_pixels, order, 101, np.random.default_rng(1).permutation(strings))
    universes = universes_of(old.slots)
    info = FrameFileInfo(Path("old"), Fraction(40), 1, sum(one.slots for one in universes), universes)
    return info, MadeFor.of(old), new


def cpu_s(work: Callable[[], object]) -> float:
    best = float("inf")
    for _ in range(ROUNDS):
        begin = time.thread_time()
        work()
        best = min(best, time.thread_time() - begin)
    return best


def indexed(with_dark: Frames, index: Index, _: Frames) -> Frames:
    """The same by NumPy's plain indexing."""
    return with_dark[:, index]


def slices(index: Index) -> Callable[[Frames], Frames]:
    """The same by copies of runs."""
    ends = np.flatnonzero((np.diff(index) != 1) | (index[:-1] < 0)) + 1
    begins = [0, *ends.tolist()]
    runs = [(a, b, int(index[a])) for a, b in zip(begins, [*ends.tolist(), len(index)], strict=True) if index[a] >= 0]

    def move(frames: Frames) -> Frames:
        moved = np.zeros((len(frames), len(index)), np.uint8)
        for first, end, source in runs:
            moved[:, first:end] = frames[:, source : source + end - first]
        return moved

    return move


def main() -> None:
    argparse.ArgumentParser(prog="python -m tests.bench.remap").parse_args()
    print("| strings, pixels, order | MB a second | NumPy's | ratio | slices |\n| --- | --- | --- | --- | --- |")
    for strings, pixels, new_pixels, order in (
        (96, 170, 170, "RGB"),
        (96, 170, 170, "GRB"),
        (96, 170, 150, "RGBW"),
        (1000, 10, 10, "RGB"),
        (8, 5000, 5000, "GRB"),
    ):
        info, old, new = rigs(strings, pixels, new_pixels, order)
        index = remap(info, old, new).index
        shape = (max(1, CHUNK_BYTES_MAX // info.frame_bytes), info.frame_bytes)
        frames = np.random.default_rng(2).integers(0, 256, shape, np.uint8)
        with_dark = np.concatenate([frames, np.zeros((len(frames), 1), np.uint8)], axis=1)
        ways = (mover(index), partial(indexed, with_dark, index), slices(index))
        results = [way(frames) for way in ways]
        assert all(np.array_equal(result, results[0]) for result in results)
        ours, numpys, by_slices = (frames.nbytes / 1e6 / cpu_s(partial(way, frames)) for way in ways)
        name = f"{strings} of {pixels}, now {new_pixels} {order}"
        print(f"| {name} | {ours:.0f} | {numpys:.0f} | {ours / numpys:.2f} | {by_slices:.0f} |")
    print("\n| strings of 50 pixels | seconds to make the map | a pixel, us |\n| --- | --- | --- |")
    for strings in (1000, 4000, 16_000):
        info, old, new = rigs(strings, 50, 50, "GRB")
        made_s = cpu_s(partial(remap, info, old, new))
        print(f"| {strings} | {made_s:.2f} | {made_s / strings / 50 * 1e6:.2f} |")


if __name__ == "__main__":
    main()
