"""The small picture of a piece. Pillow reads the PNG."""

from __future__ import annotations

import subprocess
import sys
from fractions import Fraction
from io import BytesIO
from pathlib import Path

import numpy as np
from PIL import Image

from gloaming.shows.framefile.reader import FrameWriter, Universe
from gloaming.shows.media.piece_picture import picture_of, png
from tests.shows.media.test_piece_worker import RIG


def test_a_picture_is_the_brightest_frame_on_the_strings(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    frames = np.zeros((240, 300), np.uint8)
    frames[110:130, 1::3] = 200  # green, in the middle
    frames[130:150, 0::3] = 9
    with FrameWriter(tmp_path / "tide.frames", Fraction(40), (Universe(3, 300, 0),)) as writer:
        writer.write(frames)
    out = tmp_path / "tide.png"
    command = [sys.executable, "-m", "gloaming.shows.media.piece_picture"]
    subprocess.run([*command, tmp_path / "tide.frames", tmp_path / "rig.toml", out], check=True)
    picture = np.asarray(Image.open(out))
    assert np.array_equal(picture, picture_of(tmp_path / "tide.frames", tmp_path / "rig.toml"))
    assert {tuple(colour) for colour in picture.reshape(-1, 3)} == {(0, 0, 0), (0, 200, 0)}
    lower_left, upper_right = picture[-10:, :10], picture[:10, -10:]
    assert lower_left.max() == upper_right.max() == 200  # the string rises from left to right
    assert picture[:10, :10].max() == 0


def test_a_png_is_read_by_another_program_as_it_was_written() -> None:
    picture = np.random.default_rng(1).integers(0, 256, (37, 53, 3), np.uint8)
    assert np.array_equal(np.asarray(Image.open(BytesIO(png(picture)))), picture)
