"""The demonstration's pieces: black at both ends, equal bytes in every rendering, no flashes."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from hashlib import sha256
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from gloaming.shows.demonstration.bells import BELLS, HUNT, Bell, strokes, swing
from gloaming.shows.demonstration.boathouse import strings
from gloaming.shows.demonstration.light import Harbour
from gloaming.shows.demonstration.pieces import FPS, PIECES, PieceOfLight
from gloaming.shows.demonstration.rig import places
from gloaming.shows.framefile.reader import FrameReader
from tests.shows.analysis.flash_count import Luminance, most_flashes, relative_luminance

HEAD_BLOCKS = 3
AREA_M = 3.0


class Areas:
    """The whole picture, squares of it as seen from the quay, and runs of at least 20 pixels along the strings."""

    def __init__(self) -> None:
        points = np.concatenate([string.points for string in strings()])
        square = np.floor(points / AREA_M).astype(int)
        numbers = np.arange(len(points))
        groups = [numbers * 0, square[:, 0] * 100 + square[:, 1], numbers // 60]
        self._orders = []
        for group in groups:
            order = np.argsort(group, kind="stable")
            _, starts, counts = np.unique(group[order], return_index=True, return_counts=True)
            self._orders.append((order, starts, counts))

    def mean(self, light: Luminance) -> Luminance:
        """The mean of every area, `(frames, areas)`."""
        means = [
            (np.add.reduceat(light[:, order], starts, axis=1) / counts)[:, counts >= 20]
            for order, starts, counts in self._orders
        ]
        return np.concatenate(means, axis=1)


def seconds(path: Path) -> Iterator[npt.NDArray[np.uint8]]:
    """The frames of a file, one second at a time."""
    with FrameReader(path) as reader:
        for first in range(0, reader.info.frames, FPS):
            yield np.stack([reader.frame(at) for at in range(first, min(first + FPS, reader.info.frames))])


class Rendered:
    """A rendered piece, and the values that tests need."""

    def __init__(self, piece: PieceOfLight, path: Path) -> None:
        self.piece = piece
        self.frames, self.dark, hashes = 0, [], sha256()
        self.brightest, self.amps = 0, 0.0
        areas = Areas()
        light, screen = [], []
        for number, block in enumerate(seconds(path)):
            pixels = block.reshape(len(block), -1, 3)[:, places()]
            self.frames += len(block)
            self.dark += (~block.any(axis=1)).tolist()
            self.brightest = max(self.brightest, int(pixels.max()))
            self.amps = max(self.amps, float(pixels.sum(axis=(1, 2), dtype=np.int64).max()) / 255 * 0.008)
            light.append(areas.mean(relative_luminance(pixels, screen=False)))
            screen.append(areas.mean(relative_luminance(pixels, screen=True)))
            if number < HEAD_BLOCKS:
                hashes.update(block.tobytes())
        self.head = hashes.hexdigest()
        self.light, self.screen = np.concatenate(light), np.concatenate(screen)


@pytest.fixture(scope="module", params=PIECES, ids=lambda piece: piece.name)
def rendered(request: pytest.FixtureRequest, demonstration: Path) -> Rendered:
    return Rendered(request.param, demonstration / "pieces" / f"{request.param.name}.frames")


def test_a_piece_begins_and_ends_black_and_is_lit_between(rendered: Rendered) -> None:
    assert rendered.frames == rendered.piece.length_s * FPS
    assert 40 <= rendered.piece.length_s <= 75
    assert rendered.dark[0] and rendered.dark[-1]
    middle = rendered.dark[2 * FPS : -2 * FPS]
    assert not any(middle)
    assert rendered.brightest > 140


def test_no_piece_flashes_more_than_three_times_in_any_second(rendered: Rendered) -> None:
    """WCAG 2.2, 2.3.1, with bytes as linear light and as sRGB."""
    assert most_flashes(rendered.light, FPS) <= 3
    assert most_flashes(rendered.screen, FPS) <= 3


def test_a_piece_needs_at_most_half_of_full_white(rendered: Rendered) -> None:
    """At most half of the current of full white: 8 mA a colour, by hand."""
    assert rendered.amps < 0.5 * 3 * 0.008 * len(places())


def test_another_process_renders_the_same_bytes(rendered: Rendered) -> None:
    """This finds a piece that depends on chance or on the clock."""
    code = (
        "import sys; from hashlib import sha256; from itertools import islice\n"
        "from gloaming.shows.demonstration.pieces import PIECES\n"
        "from gloaming.shows.demonstration.season import blocks\n"
        "piece = next(piece for piece in PIECES if piece.name == sys.argv[1]); found = sha256()\n"
        f"for block in islice(blocks(piece), {HEAD_BLOCKS}): found.update(block.tobytes())\n"
        "print(found.hexdigest())"
    )
    done = subprocess.run([sys.executable, "-c", code, rendered.piece.name], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == rendered.head


def waves(hz: float, low: float, high: float) -> npt.NDArray[np.float64]:
    """Three seconds of light that rises and falls."""
    at_s = np.arange(3 * FPS) / FPS
    return (low + (high - low) * (np.sin(2 * np.pi * hz * at_s) > 0))[:, None]


@pytest.mark.parametrize(
    ("light", "most"),
    [
        (waves(3, 0, 1), 3.0),
        (waves(5, 0, 1), 5.0),
        (waves(5, 0.2, 0.31), 5.0),
        (waves(5, 0.2, 0.29), 0.0),
        (waves(5, 0.81, 1.0), 0.0),
        (np.linspace(0, 1, 3 * FPS)[:, None], 0.5),
    ],
    ids=["three", "five", "just 10 %", "below 10 %", "darker above 0.80", "one rise"],
)
def test_the_count_of_flashes_is_right(light: npt.NDArray[np.float64], most: float) -> None:
    """The counter itself, on light with an obvious number of flashes."""
    assert most_flashes(light, FPS) == pytest.approx(most, abs=0.5)


def test_slow_light_climbs_by_many_small_steps(rendered: Rendered) -> None:
    """Pixels have different rounding thresholds, so the whole picture never jumps, even at the lowest levels."""
    steps = np.abs(np.diff(rendered.light[:, 0]))
    assert steps.max() < 0.02


def test_the_bells_ring_a_plain_hunt() -> None:
    """Common practice of change ringing, no source: from row to row a bell moves by one place or none; no row twice."""
    assert len(set(HUNT)) == len(HUNT) == 8
    for row, following in zip(HUNT, (*HUNT[1:], HUNT[0]), strict=True):
        assert sorted(row) == [0, 1, 2, 3]
        assert all(abs(row.index(bell) - following.index(bell)) <= 1 for bell in range(4))


def test_no_two_strokes_come_within_half_a_second() -> None:
    times = [at_s for at_s, _ in strokes()]
    assert times == sorted(times)
    assert min(b - a for a, b in pairwise(times)) > 0.5
    assert {bell.name for _, bell in strokes()} == {bell.name for bell in BELLS}


@pytest.mark.parametrize("bell", BELLS, ids=lambda bell: bell.name)
def test_a_bell_is_at_the_end_of_its_swing_when_it_strikes(bell: Bell) -> None:
    times = [at_s for at_s, one in strokes() if one is bell][1:-2]
    for at_s in times:
        around = np.abs(swing(bell, np.array([at_s - 0.4, at_s, at_s + 0.4], np.float32)))
        assert around[1] > around[0] and around[1] > around[2]


def test_a_frame_does_not_depend_on_earlier_frames() -> None:
    """A piece is a pure function of time: frames do not depend on earlier frames."""
    piece = PIECES[2]
    levels_at = piece.make(Harbour(strings()))
    at_s = np.arange(1200, 1240, dtype=np.float32) / np.float32(FPS)
    alone = levels_at(at_s)
    for other in (0.0, 50.0):
        levels_at(np.array([other], np.float32))
    assert np.array_equal(alone, levels_at(at_s))
