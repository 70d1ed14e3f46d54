"""Pictures and video on the strings of a rig, and frame files as video. Pillow and PyAV write and read the files."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image

from gloaming.api.cli.main import main
from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import FrameReader, FrameWriter, Universe, inspect
from gloaming.shows.media.mapping import RigLayout
from gloaming.shows.rig.load import load_rig

RIG = """
[[controller]]
name = "quay"
universes = "4-6"

[[string]]
name = "ridge"
controller = "quay"
universe = 5
slot = 4
pixels = 3
order = "GRB"
line = [[0.0, 2.0], [4.0, 2.0]]

[[string]]
name = "eaves"
controller = "quay"
universe = 4
pixels = 2
order = "RGBW"
points = [[4.0, 0.0], [0.0, 0.0]]

[[string]]
name = "spare"
controller = "quay"
universe = 6
pixels = 1
"""


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    return path


def corners(path: Path) -> Path:
    """Red top left, green top right, blue bottom left, a pale red bottom right."""
    picture = np.zeros((64, 128, 3), np.uint8)
    picture[:32, :64], picture[:32, 64:] = (200, 0, 0), (0, 200, 0)
    picture[32:, :64], picture[32:, 64:] = (0, 0, 200), (150, 50, 50)
    Image.fromarray(picture).save(path)
    return path


def test_a_picture_hangs_where_the_strings_do(tmp_path: Path, rig: Path) -> None:
    out = tmp_path / "out.frames"
    assert main(["frames", "import", str(corners(tmp_path / "a.png")), str(out), "--rig", str(rig), "--fps", "25"]) == 0
    info = inspect(out)
    assert info.universes == (Universe(4, 8, 0), Universe(5, 12, 8))
    with FrameReader(out) as reader:
        frame = reader.frame(0)
    assert frame[:8].tolist() == [100, 0, 0, 50, 0, 0, 200, 0]  # white shows the common part of the three colours
    ridge = frame[8:].reshape(4, 3)
    assert ridge[0].tolist() == [0, 0, 0]  # slots 1 to 3 have no pixel
    assert ridge[1].tolist() == [0, 200, 0] and ridge[3].tolist() == [200, 0, 0]  # red and green, as GRB


@pytest.mark.parametrize("order", ["W", "GBW", "BGR", "GRWB", "RGBWA", "RWGBW"])
def test_a_picture_goes_to_pixels_of_each_order_and_back(tmp_path: Path, rig: Path, order: str) -> None:
    rig.write_text(RIG.replace('"GRB"', f'"{order}"'), encoding="utf-8")
    out, sheet = tmp_path / "out.frames", tmp_path / "out.png"
    assert main(["frames", "import", str(corners(tmp_path / "a.png")), str(out), "--rig", str(rig), "--fps", "25"]) == 0
    assert main(["frames", "preview", str(out), str(sheet), "--rig", str(rig)]) == 0
    with FrameReader(out) as reader:
        frame = reader.frame(0)
    ridge = frame[8:][3:].reshape(3, -1)  # after slots 1 to 3, which have no pixel
    assert ridge[2].tolist() == ([200 // 3] if order == "W" else [200 if letter == "G" else 0 for letter in order])


def test_an_import_needs_positions_in_the_rig(tmp_path: Path, rig: Path) -> None:
    rig.write_text(RIG[: RIG.index("[[string]]")] + RIG[RIG.rindex("[[string]]") :])
    with pytest.raises(InputError, match="no string has a position"):
        RigLayout(load_rig(rig), rig)
    assert main(["frames", "import", str(tmp_path), "a.frames", "--rig", str(rig), "--matrix", "2x2"]) == 2


@pytest.mark.parametrize("ending", ["mp4", "mkv"])
def test_a_video_shows_what_is_in_the_file_at_its_rate(tmp_path: Path, rig: Path, ending: str) -> None:
    path, out = tmp_path / "a.frames", tmp_path / f"a.{ending}"
    colours = np.array([[255, 0, 0], [0, 255, 0], [0, 0, 255]], np.uint8).repeat(4, axis=0)
    with FrameWriter(path, Fraction(30000, 1001), [Universe(1, 24, 0)]) as writer:
        writer.write(np.tile(colours, (1, 8)))
    assert main(["frames", "export", str(path), str(out), "--matrix", "4x2"]) == 0
    with av.open(str(out)) as container:
        assert container.streams.video[0].average_rate == Fraction(30000, 1001)
        pictures = [frame.to_ndarray(format="rgb24") for frame in container.decode(video=0)]
    assert len(pictures) == 12 and pictures[0].shape == (320, 640, 3)
    for picture, colour in zip(pictures, colours, strict=True):
        assert np.abs(picture.astype(int) - colour).mean() < 12  # 4:2:0 and a lossy codec
    assert main(["frames", "export", str(path), str(out), "--rig", str(rig)]) == 0
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.frames", out.name, "rig.toml"]
