"""The contact sheet, read by Pillow: each picture and each line of a second is in its place."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import FrameFileInfo, Frames, FrameWriter, Universe, inspect
from gloaming.shows.media import exporting
from gloaming.shows.media.mapping import Matrix
from gloaming.shows.media.resampling import curve, undone
from gloaming.shows.rig.load import load_rig

COLOURS = np.array([[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]], np.uint8)


def four_seconds(path: Path, pixels: int = 128) -> FrameFileInfo:
    """Red, green, blue and white, one second each, at 6 frames a second: 24 frames, one for each place on the sheet."""
    frames: Frames = np.repeat(np.tile(COLOURS, (1, pixels)), 6, axis=0)
    with FrameWriter(path, Fraction(6), [Universe(1, 3 * pixels, 0)]) as writer:
        writer.write(frames)
    return inspect(path)


def drawn(info: FrameFileInfo, out: Path, view: exporting.View) -> np.ndarray:
    exporting.draw(info, out, view)
    return np.asarray(Image.open(out).convert("RGB"))


def test_every_picture_and_every_second_is_in_its_place(tmp_path: Path) -> None:
    info = four_seconds(tmp_path / "a.frames")
    image = drawn(info, tmp_path / "a.png", exporting.on_matrix(info, Matrix(16, 8)))
    for row in range(4):
        for column in range(6):
            x = exporting.MARGIN_PX + column * (exporting.THUMB_PX + exporting.MARGIN_PX) + 100
            y = exporting.MARGIN_PX + row * (100 + exporting.LABEL_PX + exporting.MARGIN_PX) + 50
            assert image[y, x].tolist() == COLOURS[row].tolist()
    strip = image[4 * (100 + exporting.LABEL_PX + exporting.MARGIN_PX) + exporting.MARGIN_PX :]
    for second in range(4):
        line = strip[
            second * exporting.LINE_PX_MAX : (second + 1) * exporting.LINE_PX_MAX,
            exporting.TIME_PX : -exporting.MARGIN_PX,
        ]
        assert (line == COLOURS[second]).all()


def test_pixels_without_positions_are_shown_in_rows(tmp_path: Path) -> None:
    info = four_seconds(tmp_path / "a.frames", 100)
    pictures = exporting.rows_of_pixels(info)(np.full((1, 300), 7, np.uint8))
    assert pictures.shape == (1, 8, 14, 3) and np.count_nonzero(pictures) == 300


def test_a_matrix_larger_than_the_frame_is_a_mistake(tmp_path: Path) -> None:
    info = four_seconds(tmp_path / "a.frames")
    with pytest.raises(InputError, match="--matrix"):
        exporting.on_matrix(info, Matrix(64, 32))


RIG = """
[[controller]]
name = "quay"
universes = "1-2"

[[string]]
name = "rail"
controller = "quay"
universe = 1
pixels = 3
order = "GRB"
line = [[0.0, 0.0], [2.0, 0.0]]

[[string]]
name = "mast"
controller = "quay"
universe = 1
slot = 10
pixels = 2
points = [[2.0, 1.0], [0.0, 1.0]]
"""


def test_strings_are_drawn_where_they_hang(tmp_path: Path) -> None:
    info = four_seconds(tmp_path / "a.frames")
    (tmp_path / "rig.toml").write_text(RIG)
    frame = np.zeros((1, 384), np.uint8)
    frame[0, :15] = [0, 255, 0, 255, 0, 0, 0, 0, 255, 9, 9, 9, 200, 100, 50]
    (picture,) = exporting.on_strings(info, load_rig(tmp_path / "rig.toml"), tmp_path / "rig.toml")(frame)
    bottom, top = picture[-3], picture[2]
    across = picture.shape[1]
    assert [bottom[x].tolist() for x in (2, across // 2, across - 3)] == [[255, 0, 0], [0, 255, 0], [0, 0, 255]]
    assert [top[x].tolist() for x in (2, across - 3)] == [[200, 100, 50], [9, 9, 9]]


def test_a_rig_without_positions_is_refused(tmp_path: Path) -> None:
    info = four_seconds(tmp_path / "a.frames")
    path = tmp_path / "rig.toml"
    path.write_text(RIG.replace("line =", "# ").replace("points =", "# "))
    with pytest.raises(InputError, match="points or a line"):
        exporting.on_strings(info, load_rig(path), path)


def test_levels_of_light_are_shown_as_a_screen_shows_them(tmp_path: Path) -> None:
    """IEC 61966-2-1: levels that were made with the curve of screens look as before, except for rounding."""
    table = curve("srgb")
    assert table is not None and undone(None) is None
    back = undone(table)
    assert back is not None and back[0] == 0 and back[255] == 255
    values = np.arange(80, 256)
    assert np.abs(back[table[values]].astype(int) - values).max() <= 1
    info = four_seconds(tmp_path / "a.frames")
    view = exporting.through(exporting.on_matrix(info, Matrix(16, 8)), back)
    assert (view(np.full((1, 384), 55, np.uint8)) == back[55]).all() and back[55] == 128
