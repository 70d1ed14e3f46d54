"""What fixtures and pixels that were cut out cost the mixer: the same frames with them and without, in turn.

    python -m tests.bench.mixer [--universes 96] [--frames 400] [--rounds 7]

A ratio is the median over the rounds of the processor time of each case divided by that of "plain" in the same round.
"""

from __future__ import annotations

import argparse
import statistics
import time
from fractions import Fraction
from pathlib import Path

import numpy as np

from gloaming.daemon.score.setup import CutString
from gloaming.daemon.transmitter.frame_mixer import FULL, FrameMixer, Layer
from gloaming.shows.framefile.reader import FrameFileInfo
from gloaming.shows.framefile.source import universes_of

SLOTS = 510
LAYERS = {"at full": (FULL,), "at half": (FULL // 2,), "cross-fade": (160, 96)}


def mixers(universes: int) -> dict[str, FrameMixer]:
    """A mixer without either; with a strobe and fog in each universe; with a pixel missing in every tenth; in all."""
    slots = dict.fromkeys(range(1, universes + 1), SLOTS)
    cuts = [CutString(((number, 1, SLOTS),), 3, (37,)) for number in slots]
    return {
        "plain": FrameMixer(slots),
        "fixtures": FrameMixer(slots, tuple((number, 509, 510) for number in slots)),
        "some cuts": FrameMixer(slots, (), cuts[::10]),
        "cuts": FrameMixer(slots, (), cuts),
    }


def cpu_s(mixer: FrameMixer, brightnesses: tuple[int, ...], frames: int) -> float:
    """Processor time for so many frames of random slots."""
    universes = universes_of(mixer.slots)
    size = sum(mixer.slots.values())
    infos = [FrameFileInfo(Path(name), Fraction(40), 8, size, universes) for name in ("tide", "bells")]
    shown = np.random.default_rng(1).integers(0, 256, (8, size), np.uint8)
    places = [mixer.place(info) for info in infos]
    before = time.process_time()
    for number in range(frames):
        frame = shown[number % 8]
        mixer.mix(*(Layer(one, place, frame) for one, place in zip(brightnesses, places, strict=False)))
    return time.process_time() - before


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--universes", type=int, default=96)
    parser.add_argument("--frames", type=int, default=400)
    parser.add_argument("--rounds", type=int, default=7)
    options = parser.parse_args()
    made = mixers(options.universes)
    for layers, brightnesses in LAYERS.items():
        rounds = [
            {name: cpu_s(mixer, brightnesses, options.frames) for name, mixer in made.items()}
            for _ in range(options.rounds)
        ]
        for name in made:
            ratio = statistics.median(one[name] / one["plain"] for one in rounds)
            micros = statistics.median(one[name] for one in rounds) / options.frames * 1e6
            print(f"{options.universes} universes, {layers}, {name}: {micros:.0f} us a frame, {ratio:.2f} of plain")


if __name__ == "__main__":
    main()
