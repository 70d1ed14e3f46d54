"""The test piece of a new site: light on every string, quiet, from black to black, without flashes."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from gloaming.shows.analysis.pieces import analyse
from gloaming.shows.framefile.reader import FrameReader
from gloaming.shows.rig.first_light import FPS, HIGHEST, LENGTH_S, blocks, write_first_light
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.model import Rig

RIG = """[[controller]]
name = "left"
universes = "1-4"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 200
line = [[0.0, 6.0], [10.0, 6.0]]

[[string]]
name = "eaves"
controller = "left"
universe = 3
slot = 4
order = "GRBW"
pixels = 50
line = [[0.0, 3.0], [10.0, 3.0]]

[[string]]
name = "quay-lamps"
controller = "left"
universe = 4
order = "W"
pixels = 12
"""


def boathouse(folder: Path) -> Rig:
    path = folder / "rig.toml"
    path.write_text(RIG, encoding="utf-8")
    return load_rig(path)


def test_every_slot_of_every_string_is_lit_and_no_other(tmp_path: Path) -> None:
    rig = boathouse(tmp_path)
    most = np.max([block.max(0) for block in blocks(rig)], 0)
    dark = np.flatnonzero(most == 0)
    before_eaves = 510 + 90 + np.arange(3)  # slots 1 to 3 of universe 3 belong to nobody
    assert dark.tolist() == before_eaves.tolist()
    assert most.max() <= 255 * HIGHEST


def test_the_piece_begins_and_ends_with_black_and_has_its_length(tmp_path: Path) -> None:
    write_first_light(tmp_path / "first-light.frames", boathouse(tmp_path))
    with FrameReader(tmp_path / "first-light.frames") as reader:
        assert (reader.info.frames, reader.info.fps) == (LENGTH_S * FPS, FPS)
    first, *_, last = blocks(boathouse(tmp_path))
    assert not first[0].any()
    assert not last[-1].any()
    assert first[-1].any()


def test_it_stays_below_three_flashes_in_any_second(tmp_path: Path) -> None:
    """WCAG 2.2, 2.3.1, as the survey judges it: of each pixel, each string and the whole rig."""
    write_first_light(tmp_path / "first-light.frames", boathouse(tmp_path))
    found = analyse(tmp_path / "first-light.frames", boathouse(tmp_path))
    assert found.flashing == ()
