"""The README's picture of the boathouse."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from PIL import Image

from gloaming.shows.demonstration.picture import main


def test_a_lit_moment_of_a_piece_is_brighter_than_its_dark_beginning(tmp_path: Path) -> None:
    means = []
    for name, at_s in (("dark", "0"), ("lit", "38")):
        out = tmp_path / f"{name}.png"
        main([str(out), "lanterns", at_s])
        with Image.open(out) as image:
            assert image.size[0] == 1200
            means.append(np.asarray(image.convert("L")).mean())
    assert means[1] > 1.2 * means[0]
