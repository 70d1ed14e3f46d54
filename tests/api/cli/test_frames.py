"""`gloaming frames ...` as a person calls it: what is printed, what is made, and exit codes 0, 1 and 2."""

from __future__ import annotations

import json
from contextlib import chdir, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from gloaming.api.cli.main import main
from gloaming.shows.framefile.reader import inspect
from tests.places import MOVING_PICTURE


@dataclass(frozen=True)
class Said:
    """How a call ended, and what it printed."""

    returncode: int
    stdout: str
    stderr: str


def gloaming(*arguments: str | Path, folder: Path, command: str = "frames") -> Said:
    """A call in a folder, in this process."""
    out, err = StringIO(), StringIO()
    with chdir(folder), redirect_stdout(out), redirect_stderr(err):
        try:
            code = main([command, *map(str, arguments)])
        except SystemExit as end:
            code = int(end.code or 0)
    return Said(code, out.getvalue(), err.getvalue())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    done = gloaming("import", MOVING_PICTURE, "tide.frames", "--fps", "25", "--universes", "1-13", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "tide.frames: 132 frames at 25 a second, 5.28 s, 13 universes: 1-13\n"
    return tmp_path


def test_info_shows_what_is_in_a_file(folder: Path) -> None:
    done = gloaming("info", "tide.frames", "--json", folder=folder)
    told = json.loads(done.stdout)
    assert (told["fps"], told["frames"], told["length_s"], told["frame_bytes"]) == (25, 132, 5.28, 6144)
    assert told["universes"][12] == {"number": 13, "slots": 24, "offset": 6120}
    assert "13 universes: 1-13" in gloaming("info", "tide.frames", folder=folder).stdout


def test_verify_names_the_damaged_seconds(folder: Path) -> None:
    assert gloaming("verify", "tide.frames", folder=folder).returncode == 0
    path = folder / "tide.frames"
    data = bytearray(path.read_bytes())
    data[len(data) - 100] ^= 1
    path.write_bytes(data)
    done = gloaming("verify", "tide.frames", "--json", folder=folder)
    told = json.loads(done.stdout)
    assert done.returncode == 1 and not told["whole"]
    (damaged,) = told["damaged"]
    assert 0 <= damaged["from_s"] < damaged["until_s"] <= 5.28 and f"{damaged['until_s']:.2f} s" in damaged["text"]
    done = gloaming("verify", "tide.frames", folder=folder)
    assert done.returncode == 1 and damaged["text"] in done.stdout


def test_every_verb_in_turn_gives_the_first_frames_back(folder: Path) -> None:
    for call in (
        ("trim", "tide.frames", "one.frames", "--until", "2"),
        ("trim", "tide.frames", "two.frames", "--from", "0:02"),
        ("join", "one.frames", "two.frames", "--out", "three.frames"),
        ("gain", "three.frames", "four.frames", "--by", "1"),
        ("rename-universes", "four.frames", "five.frames", "--from", "1-13", "--to", "101"),
        ("export", "five.frames", "six.npy"),
        ("preview", "five.frames", "--matrix", "64x32"),
    ):
        done = gloaming(*call, folder=folder)
        assert (done.returncode, done.stderr) == (0, ""), call
    assert (folder / "six.npy").read_bytes() == MOVING_PICTURE.read_bytes()
    assert [one.number for one in inspect(folder / "five.frames").universes] == list(range(101, 114))
    assert (folder / "five.png").read_bytes().startswith(b"\x89PNG")


def test_import_maps_pictures_to_a_matrix(tmp_path: Path) -> None:
    picture = np.arange(18, dtype=np.uint8).reshape(2, 3, 3)
    Image.fromarray(picture).save(tmp_path / "a.png")
    call = ("import", "a.png", "a.frames", "--fps", "25", "--matrix", "3x2", "--order", "RGB")
    cable = ("--first-pixel", "bottom-right", "--runs", "down", "--back-and-forth")
    done = gloaming(*call, *cable, folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    pixels = picture.reshape(6, 3)[[5, 2, 1, 4, 3, 0]]
    assert gloaming("export", "a.frames", "a.npy", folder=tmp_path).returncode == 0
    assert np.load(tmp_path / "a.npy")[0].tolist() == pixels.reshape(-1).tolist()
    for words in (("--runs", "rows"), ("--runs", "columns"), ("--first-pixel", "middle")):
        assert gloaming(*call, *words, folder=tmp_path).returncode == 2


def test_a_rate_that_no_data_line_can_carry_is_a_warning(folder: Path) -> None:
    done = gloaming("import", MOVING_PICTURE, "fast.frames", "--fps", "60", "--slots", "512", folder=folder)
    assert done.returncode == 0
    assert "E1.11" in done.stderr and "E1.31 6.6.1" in done.stderr and len(done.stderr.splitlines()) == 1


def test_another_rate_leaves_the_length_and_is_reported(folder: Path) -> None:
    done = gloaming("import", MOVING_PICTURE, "x.frames", "--source-fps", "25", "--fps", "40", folder=folder)
    assert done.returncode == 0 and "the length stays the same" in done.stderr
    assert abs(inspect(folder / "x.frames").length_ns - 5_280_000_000) < 1_000_000


def test_an_array_of_the_wrong_type_is_reported_with_a_hint(tmp_path: Path) -> None:
    for dtype, text in ((np.float32, "multiplication by 255"), (np.int8, "np.clip"), (object, "of type object")):
        np.save(tmp_path / "in.npy", np.zeros((3, 6), dtype), allow_pickle=True)
        done = gloaming("import", "in.npy", "x.frames", "--fps", "25", folder=tmp_path)
        assert done.returncode == 2 and text in done.stderr and "damaged" not in done.stderr


@pytest.mark.parametrize(
    "call",
    [
        ("info", "none.frames"),
        ("info", MOVING_PICTURE),
        ("verify", "."),
        ("import", "none.npy", "x.frames", "--fps", "25"),
        ("import", "floats.npy", "x.frames", "--fps", "25"),
        ("import", "cube.npy", "x.frames", "--fps", "25"),
        ("import", "empty.npy", "x.frames", "--fps", "25"),
        ("import", MOVING_PICTURE, "x.frames"),
        ("import", MOVING_PICTURE, "x.frames", "--fps", "0"),
        ("import", MOVING_PICTURE, "x.frames", "--fps", "25", "--universes", "0"),
        ("import", MOVING_PICTURE, "x.frames", "--fps", "25", "--universes", "64000"),
        ("import", MOVING_PICTURE, "x.frames", "--fps", "25", "--slots", "513"),
        ("import", MOVING_PICTURE, "none/x.frames", "--fps", "25"),
        ("import", ".", "x.frames", "--fps", "25"),
        ("trim", "tide.frames", "x.frames", "--from", "9"),
        ("trim", "tide.frames", "x.frames", "--from", "soon"),
        ("trim", "tide.frames", "x.frames", "--from", "0:99"),
        ("gain", "tide.frames", "x.frames", "--by", "-1"),
        ("rename-universes", "tide.frames", "x.frames", "--to", "0"),
        ("export", "tide.frames", "x.txt"),
        ("export", "tide.frames", "x" * 300 + ".npy"),
        ("gain", "tide.frames", "x" * 300 + ".frames", "--by", "1"),
        ("preview", "tide.frames", "x" * 300 + ".png"),
        ("preview", "tide.frames", "other.frames"),
        ("preview", "tide.frames", "tide.frames"),
        ("trim", "tide.frames", "tide.frames", "--until", "1"),
        ("gain", "tide.frames", "./link.frames", "--by", "1"),
        ("join", "tide.frames", "tide.frames", "tide.frames"),
        ("import", "cube.npy", "cube.npy", "--fps", "25"),
        ("mend", "tide.frames", "x.frames"),
        ("mend", "none", "x.frames"),
        ("trim", "tide.frames", ".", "--until", "1"),
        ("trim", "tide.frames", "x.frames", "--until", ""),
        ("gain", "tide.frames", "x.frames", "--by", "0.5", "--universes", ""),
        ("export", "tide.frames", "x.npy", "--gamma", "2.2"),
    ],
)
def test_a_mistake_is_one_line_and_leaves_nothing_behind(folder: Path, call: tuple[str | Path, ...]) -> None:
    np.save(folder / "floats.npy", np.full((3, 6), np.nan))
    np.save(folder / "cube.npy", np.zeros((3, 2, 3), np.uint8))
    (folder / "empty.npy").touch()
    (folder / "link.frames").symlink_to("tide.frames")
    (folder / "other.frames").write_bytes((folder / "tide.frames").read_bytes())
    before = {path: path.read_bytes() for path in folder.iterdir()}
    done = gloaming(*call, folder=folder)
    assert done.returncode == 2 and done.stdout == ""
    assert len(done.stderr.splitlines()) == 1 and "Traceback" not in done.stderr
    assert {path: path.read_bytes() for path in folder.iterdir()} == before


@pytest.mark.parametrize(
    "call, text",
    [
        (("mend", "tide.frames", "x.frames"), "this frame file is finished"),
        (("mend", "none.part", "x.frames"), "there is no such file"),
        (("import", "tide.pcapng", "x.frames"), "gloaming record x.frames --capture tide.pcapng"),
        (("import", "tide.mp4", "x.frames"), "--matrix 64x32, or --rig rig.toml"),
        (("trim", "tide.frames", "x.frames", "--until", "99.9"), "until 99.9 s is not a part of the file"),
    ],
)
def test_a_mistake_is_reported_with_a_hint(folder: Path, call: tuple[str | Path, ...], text: str) -> None:
    assert text in gloaming(*call, folder=folder).stderr
