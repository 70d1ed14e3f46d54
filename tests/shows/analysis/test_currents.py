"""Currents compared with sums by hand: 20 mA a colour at full (common practice, no source), so 60 mA a white pixel."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from gloaming.shows.analysis.currents import Load
from gloaming.shows.analysis.pieces import Judge, analyse
from gloaming.shows.framefile.reader import FrameFileInfo, FrameWriter, Universe
from gloaming.shows.rig.model import Rig


def rig(*strings: dict[str, object], supplies: tuple[dict[str, object], ...] = ()) -> Rig:
    named = [{"name": f"run {at}", "controller": "left", "universe": 1, **one} for at, one in enumerate(strings)]
    return Rig.model_validate(
        {"controller": [{"name": "left", "universes": "1-9"}], "string": named, "supply": list(supplies)}
    )


def loads(frames: npt.NDArray[np.uint8], of: Rig, *slots: int, fps: int = 40) -> dict[str, Load]:
    universes = tuple(Universe(at + 1, count, sum(slots[:at])) for at, count in enumerate(slots))
    judge = Judge(FrameFileInfo(Path("x"), Fraction(fps), len(frames), sum(slots), universes), of, 7)
    judge.add(frames)
    return {load.name: load for load in judge.currents.loads()}


def full(frames: int, slots: int) -> npt.NDArray[np.uint8]:
    return np.full((frames, slots), 255, np.uint8)


def test_150_pixels_full_white_draw_nine_amperes_and_at_thirty_percent_2_7() -> None:
    found = loads(full(80, 450), rig({"pixels": 150, "fuse_a": 5}), 450)["run 0"]
    assert (found.peak_a, found.mean_a, found.steady_a) == (9.0, 9.0, 9.0)
    assert found.at(0.3).peak_a == pytest.approx(2.7, rel=1e-15)
    assert found.holds_at == 5 / 9


def test_a_white_channel_draws_as_the_colours_do() -> None:
    """50 pixels x 4 channels x 20 mA = 4 A; of white alone 1 A."""
    of = rig({"pixels": 50, "order": "RGBW"})
    assert loads(full(9, 200), of, 200)["run 0"].peak_a == 4.0
    white = np.zeros((9, 200), np.uint8)
    white[:, 3::4] = 255
    assert loads(white, of, 200)["run 0"].peak_a == 1.0


def test_a_string_over_three_universes_is_one_string() -> None:
    """400 pixels are 1200 slots: 510, 510 and 180 of three universes. 400 x 60 mA = 24 A."""
    frames = full(9, 510 * 3)
    assert loads(frames, rig({"pixels": 400}), 510, 510, 510)["run 0"].peak_a == 24.0
    frames[:, 510:1020] = 0  # 170 of its pixels are black
    assert loads(frames, rig({"pixels": 400}), 510, 510, 510)["run 0"].peak_a == 13.8


def test_adjacent_strings_and_unused_slots() -> None:
    of = rig(
        {"pixels": 100, "order": "GRB", "ma_per_channel": 12},
        {"pixels": 20, "slot": 301, "ma_per_channel": 5},
        {"pixels": 100, "universe": 2},
        {"pixels": 10, "universe": 8},
    )
    found = loads(full(9, 360 + 150), of, 360, 150)
    assert [load.peak_a for load in found.values()] == [3.6, 0.3, 3.0, 0.0]


def test_a_string_of_very_many_pixels_is_added_up_exactly() -> None:
    of = rig({"pixels": 1530, "ma_per_channel": 20})
    assert loads(full(9, 510 * 9), of, *[510] * 9)["run 0"].peak_a == 1530 * 0.06


def test_the_highest_moment_and_the_heaviest_ten_seconds_are_found() -> None:
    """At 40 frames a second: 9 A in frame 6240 (2:36) alone, and 4.5 A for ten seconds from frame 1200 on."""
    frames = np.zeros((8000, 450), np.uint8)
    frames[6240] = 255
    frames[1200:1600, ::2] = 255
    found = loads(frames, rig({"pixels": 150}), 450)["run 0"]
    assert (found.peak_a, found.peak_frame) == (9.0, 6240)
    assert (found.steady_a, found.steady_frame) == (4.5, 1200)
    assert found.mean_a == pytest.approx((9.0 + 400 * 4.5) / 8000, rel=1e-12)


def test_steady_over_ten_seconds_is_a_mean_over_ten_seconds() -> None:
    random = np.random.default_rng(6)
    frames = random.integers(0, 256, (1000, 30), np.uint8)
    found = loads(frames, rig({"pixels": 10}), 30, fps=25)["run 0"]
    amps = frames.astype(float).sum(axis=1) * 20 / 255_000
    means = np.convolve(amps, np.ones(250) / 250, "valid")
    assert found.steady_a == pytest.approx(means.max(), rel=1e-9)
    assert found.steady_frame == means.argmax()
    assert found.peak_frame == amps.argmax()


def test_a_supply_carries_its_strings_at_the_same_moment() -> None:
    """Two strings of 3 A that are never lit together load their supply with 3 A, not with 6."""
    of = rig(
        {"pixels": 50, "supply": "box"},
        {"pixels": 50, "slot": 151, "supply": "box"},
        {"pixels": 10, "universe": 2},
        supplies=({"name": "box", "volts": 12, "amps": 2.5},),
    )
    frames = np.zeros((10, 330), np.uint8)
    frames[:5, :150] = frames[5:, 150:300] = 255
    found = loads(frames, of, 300, 30)
    assert (found["box"].peak_a, found["box"].mean_a) == (3.0, 3.0)
    assert (found["run 0"].peak_a, found["run 0"].mean_a) == (3.0, 1.5)
    assert found["box"].holds_at == pytest.approx(2.5 / 3)


def test_a_frame_file_is_read_once_and_its_damage_reported(tmp_path: Path) -> None:
    path = tmp_path / "tide.frames"
    frames = np.random.default_rng(1).integers(0, 256, (400, 450), np.uint8)
    with FrameWriter(path, Fraction(40), (Universe(1, 450, 0),)) as writer:
        writer.write(frames)
    text: list[tuple[int, int]] = []
    found = analyse(path, rig({"pixels": 150}), progress=lambda done, all_: text.append((done, all_)))
    assert found.loads[0].mean_a == pytest.approx(frames.sum() * 20 / 255_000 / 400)
    assert text[-1] == (400, 400)
    assert not found.damaged
    damaged = bytearray(path.read_bytes())
    at = len(damaged) // 2
    damaged[at : at + 8] = bytes(value ^ 0xFF for value in damaged[at : at + 8])
    path.write_bytes(damaged)
    assert analyse(path, rig({"pixels": 150})).damaged
