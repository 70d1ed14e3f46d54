"""What a survey of one piece costs: currents and flashes together, against the bare reading of the file.

    python -m tests.bench.survey [--universes 96] [--seconds 240] [--fps 40]

Three pieces: slow waves of colour, sparks on half of the pixels, and everything flashing red and white four times a
second (the worst there is). Times are those of the processor, of all threads together.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt

from gloaming.shows.analysis.pieces import analyse
from gloaming.shows.framefile.reader import FrameReader, FrameWriter, Universe
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig

Block = npt.NDArray[np.uint8]
PIXELS = 170


def rig_of(folder: Path, universes: int) -> Rig:
    """Two hundred strings, or as many as fit, of 80 pixels each."""
    parts = [f'[[controller]]\nname = "left"\nhost = "127.0.0.1"\nuniverses = "1-{universes}"\n']
    parts.append('[[supply]]\nname = "box"\nvolts = 12\namps = 300\n')
    for number in range(universes * PIXELS // 80):
        universe, place = divmod(number * 80, PIXELS)
        parts.append(
            f'[[string]]\nname = "run {number}"\ncontroller = "left"\nuniverse = {universe + 1}\n'
            f'slot = {place * 3 + 1}\npixels = 80\nfuse_a = 5\nsupply = "box"\n'
            f"line = [[{number % 20}, {number // 20}], [{number % 20 + 1}, 3]]\n"
        )
    (folder / "rig.toml").write_text("".join(parts), encoding="utf-8")
    return load_rig(folder / "rig.toml")


def waves(numbers: npt.NDArray[np.intp], pixels: int) -> Block:
    at = np.arange(pixels)[None, :, None] / 60 + numbers[:, None, None] / 80 + np.arange(3) * 2.1
    return np.asarray(127.5 + 127.5 * np.sin(at)).astype(np.uint8)


def sparks(numbers: npt.NDArray[np.intp], pixels: int) -> Block:
    random = np.random.default_rng(int(numbers[0]))
    lit = random.random((len(numbers), pixels, 1)) < 0.05
    return np.asarray(waves(numbers, pixels) // 2 + lit * 120).astype(np.uint8)


def alarm(numbers: npt.NDArray[np.intp], pixels: int) -> Block:
    on = (numbers // 5 % 2).astype(bool)[:, None, None]
    return np.where(on, np.array([255, 20, 10]), np.array([250, 250, 250])).repeat(pixels, axis=1).astype(np.uint8)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--universes", type=int, default=96)
    parser.add_argument("--seconds", type=int, default=240)
    parser.add_argument("--fps", type=int, default=40)
    args = parser.parse_args()
    pieces: dict[str, Callable[[npt.NDArray[np.intp], int], Block]] = {"waves": waves, "sparks": sparks, "alarm": alarm}
    print("| piece | reading alone, s | with currents and flashes, s | ratio | memory, MB |")
    print("| --- | --- | --- | --- | --- |")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rig = rig_of(folder, args.universes)
        for piece, draw in pieces.items():
            path = folder / f"{piece}.frames"
            universes = tuple(Universe(n + 1, 3 * PIXELS, n * 3 * PIXELS) for n in range(args.universes))
            with FrameWriter(path, Fraction(args.fps), universes) as writer:
                for first in range(0, args.seconds * args.fps, args.fps):
                    block = draw(np.arange(first, first + args.fps), args.universes * PIXELS)
                    writer.write(block.reshape(args.fps, -1))
            begun = time.process_time()
            with FrameReader(path) as reader:
                frame = 0
                while frame < reader.info.frames:
                    first, chunk = reader.chunk(frame)
                    frame = first + len(chunk)
            reading = time.process_time() - begun
            begun = time.process_time()
            analyse(path, rig)
            judging = time.process_time() - begun
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
            print(f"| {piece} | {reading:.2f} | {judging:.2f} | {judging / reading:.1f} | {memory} |", flush=True)


if __name__ == "__main__":
    main()
