"""`gloaming frames import` as a person calls it: bytes with a header, tables, videos that hold slots, whole folders."""

from __future__ import annotations

import argparse
import contextlib
import os
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image

from gloaming.api.cli import frames_import
from gloaming.shows.framefile.reader import Frames, inspect
from gloaming.shows.framefile.source import Progress
from tests.api.cli.test_frames import gloaming
from tests.places import MOVING_PICTURE
from tests.shows.media.test_pictures import film
from tests.shows.streams import everything

LEVELS = np.random.default_rng(3).integers(0, 256, (50, 1024), np.uint8)


def test_bare_bytes_are_imported_after_their_header(tmp_path: Path) -> None:
    """`--slots` is a frame: one universe if it fits, else universes of 510. With `--width` it is a universe."""
    (tmp_path / "a.dat").write_bytes(b"PIER" * 8 + LEVELS.tobytes())
    for words, universes in (
        (("--slots", "1024"), [510, 510, 4]),
        (("--slots", "512"), [512]),
        (("--width", "1024", "--slots", "512"), [512, 512]),
        (("--width", "1024"), [510, 510, 4]),
    ):
        done = gloaming("import", "a.dat", "a.frames", "--skip", "32", "--fps", "25", *words, folder=tmp_path)
        assert (done.returncode, done.stderr) == (0, ""), words
        info = inspect(tmp_path / "a.frames")
        assert [one.slots for one in info.universes] == universes
        assert everything(info).tobytes() == LEVELS.tobytes()


def test_a_table_of_a_spreadsheet_is_imported(tmp_path: Path) -> None:
    rows = "\r\n".join(";".join(f"{level},0" for level in frame) for frame in LEVELS[:, :600])
    (tmp_path / "tide.CSV").write_bytes(b"\xef\xbb\xbf" + rows.encode())
    done = gloaming("import", "tide.CSV", "tide.frames", "--fps", "25", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert np.array_equal(everything(inspect(tmp_path / "tide.frames")), LEVELS[:, :600])
    words = ("--source-fps", "25", "--fps", "50")
    assert gloaming("import", "tide.CSV", "tide.frames", *words, folder=tmp_path).returncode == 0
    assert np.array_equal(everything(inspect(tmp_path / "tide.frames")), LEVELS[:, :600].repeat(2, axis=0))


def test_a_lossless_video_of_slots_is_imported_byte_for_byte(tmp_path: Path) -> None:
    """FFV1 (RFC 9043) in RGB: three slots a pixel. In grey: one slot a pixel, all 256 levels."""
    film(tmp_path / "tide.mkv")
    done = gloaming("import", "tide.mkv", "tide.frames", "--pixels-are-slots", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    info = inspect(tmp_path / "tide.frames")
    assert info.fps == 25 and np.array_equal(everything(info), np.load(MOVING_PICTURE))
    grey = np.arange(512, dtype=np.uint8).reshape(2, 16, 16)
    with av.open(str(tmp_path / "grey.mkv"), "w") as container:
        stream = container.add_stream("ffv1", rate=Fraction(40))
        stream.width, stream.height, stream.pix_fmt = 16, 16, "gray"
        for picture in grey:
            container.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="gray")))
        container.mux(stream.encode())
    assert gloaming("import", "grey.mkv", "grey.frames", "--pixels-are-slots", folder=tmp_path).returncode == 0
    assert np.array_equal(everything(inspect(tmp_path / "grey.frames")), grey.reshape(2, 256))


@pytest.mark.parametrize(
    "codec, colours", [("libx264", "yuv420p"), ("ffv1", "yuv444p"), ("mjpeg", "yuvj444p"), ("ffv1", "gbrp10le")]
)
def test_a_video_that_changes_levels_is_refused(tmp_path: Path, codec: str, colours: str) -> None:
    film(tmp_path / "tide.mkv", colours, codec=codec)
    done = gloaming("import", "tide.mkv", "tide.frames", "--pixels-are-slots", folder=tmp_path)
    assert done.returncode == 2 and done.stderr.count("\n") == 1
    assert "tide.mkv: its levels are not exact (" in done.stderr and f"{colours}); use a lossless codec" in done.stderr
    assert not (tmp_path / "tide.frames").exists()


@pytest.fixture
def evening(tmp_path: Path) -> Path:
    """A folder of files of every kind, each with its own frames."""
    folder = tmp_path / "evening"
    folder.mkdir()
    np.save(folder / "bells.npy", LEVELS)
    np.savez_compressed(folder / "tide.npz", LEVELS[1:])
    (folder / "tide.npz").rename(folder / "tide.NPZ")
    (folder / "swell.raw").write_bytes(LEVELS[2:].tobytes())
    np.savetxt(folder / "frost.csv", LEVELS[3:], fmt="%d", delimiter=";")
    film(folder / "lanterns.mkv")
    (folder / "songs.txt").write_text("bells\n")
    (folder / ".hidden.npy").touch()
    (folder / "older").mkdir()
    return folder


CALL = ("import", "evening", "pieces", "--fps", "25", "--width", "1024")


def frames_in(folder: Path) -> dict[str, Frames]:
    return {path.name: everything(inspect(path)) for path in folder.iterdir()}


def test_each_file_of_a_folder_becomes_a_frame_file(evening: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With one progress bar, which counts the bytes of all files."""
    bars: list[list[tuple[int, int | None]]] = []

    @contextlib.contextmanager
    def bar(args: argparse.Namespace, name: str) -> Iterator[Progress]:
        bars.append([])
        yield lambda done, total: bars[-1].append((done, total))

    monkeypatch.setattr(frames_import, "bar", bar)
    done = gloaming(*CALL, "--pixels-are-slots", folder=evening.parent)
    assert done.returncode == 0 and len(done.stdout.splitlines()) == 5
    assert done.stderr == "note: left out, because it is no kind that can be imported: older, songs.txt\n"
    found = frames_in(evening.parent / "pieces")
    expected = {"bells": LEVELS, "tide": LEVELS[1:], "swell": LEVELS[2:], "frost": LEVELS[3:]}
    expected["lanterns"] = np.load(MOVING_PICTURE)
    assert found.keys() == {f"{name}.frames" for name in expected}
    assert all(np.array_equal(found[f"{name}.frames"], frames) for name, frames in expected.items())
    (steps,) = bars
    assert len(set(steps)) > len(expected)  # it moves within a file too
    names = ("bells.npy", "tide.NPZ", "swell.raw", "frost.csv", "lanterns.mkv")
    whole = sum((evening / name).stat().st_size for name in names)
    assert {total for _, total in steps} == {whole} and steps == sorted(steps) and steps[-1][0] == whole


def test_a_bad_file_of_a_folder_keeps_none_of_the_others_away(evening: Path) -> None:
    """Each bad file has its line, and nothing is left of it, though the damage may come late. The exit code is 1."""
    (evening / "lanterns.mkv").unlink()
    damaged = bytearray((evening / "tide.NPZ").read_bytes())
    damaged[-3000] ^= 1
    (evening / "tide.NPZ").write_bytes(damaged)
    np.savetxt(evening / "ebb.csv", np.full((9, 4), 300), fmt="%d", delimiter=";")
    (evening / "link.npy").symlink_to("nowhere.npy")
    os.mkfifo(evening / "pipe.raw")
    (evening / "frost.npy").write_bytes((evening / "bells.npy").read_bytes())
    done = gloaming(*CALL, folder=evening.parent)
    assert done.returncode == 1
    assert sorted(frames_in(evening.parent / "pieces")) == ["bells.frames", "swell.frames"]
    lines = done.stderr.splitlines()[:-1]
    for line, text in zip(
        lines,
        [
            "evening/ebb.csv:1: column 1 (A): '300' is not a level; write whole numbers",
            "evening/frost.csv: another file would become frost.frames too; rename one of them",
            "evening/frost.npy: another file would become frost.frames too",
            "evening/link.npy: this is not a file that can be read",
            "evening/pipe.raw: this is not a file that can be read",
            "evening/tide.NPZ: it is damaged at frame ",
        ],
        strict=True,
    ):
        assert line.startswith(text)


def test_a_folder_of_which_nothing_can_be_imported_leaves_nothing(evening: Path) -> None:
    """The rate is not given: the arrays have no other, and it is said for each; a wrong rate once."""
    for words, count in (((), 4), (("--fps", "soon"), 1)):
        done = gloaming("import", "evening", "pieces", "--width", "1024", *words, folder=evening.parent)
        assert done.returncode == 2 and not done.stdout and not (evening.parent / "pieces").exists()
        lines = [line for line in done.stderr.splitlines() if "rate" in line]
        assert len(lines) == count


@pytest.mark.parametrize(
    "call, text",
    [
        (("import", "evening", "x.frames", "--fps", "25"), "x.frames: several files are made, and this is the name of"),
        (("import", "evening", "evening/songs.txt", "--fps", "25"), "songs.txt: several files are made"),
        (("import", "evening", "none/pieces", "--fps", "25"), "none/pieces: there is no folder none; make it first"),
        (
            ("import", "evening/older", "pieces", "--fps", "25"),
            "evening/older: there is no file in this folder that can",
        ),
        (("import", "none", "pieces", "--fps", "25"), "none: it cannot be read (No such file"),
        (("import", "evening/lanterns.mkv", "x.frames", "--matrix", "2x2", "--pixels-are-slots"), "--matrix: "),
        (("import", "evening/swell.raw", "x.frames", "--fps", "25"), "how many of them a frame has; add it: --slots"),
        (("import", "evening/swell.raw", "x.frames", "--fps", "25", "--slots", "0"), "how many of them a frame has"),
        (("import", "evening/swell.raw", "x.frames", "--fps", "25", "--slots", "512", "--skip", "-1"), "--skip: -1 is"),
    ],
)
def test_a_mistake_is_one_line_and_leaves_nothing_behind(evening: Path, call: tuple[str, ...], text: str) -> None:
    before = sorted(evening.parent.rglob("*"))
    done = gloaming(*call, folder=evening.parent)
    assert done.returncode == 2 and text in done.stderr and done.stderr.count("\n") == 1 and not done.stdout
    assert sorted(evening.parent.rglob("*")) == before


def test_a_folder_of_pngs_is_still_one_piece(tmp_path: Path) -> None:
    folder = tmp_path / "tide"
    folder.mkdir()
    pictures = np.load(MOVING_PICTURE)[:3].reshape(3, 32, 64, 3)
    for number, picture in enumerate(pictures):
        Image.fromarray(picture).save(folder / f"{number}.png")
    np.save(folder / "bells.npy", LEVELS)
    done = gloaming("import", "tide", "tide.frames", "--matrix", "64x32", "--fps", "25", folder=tmp_path)
    assert (done.returncode, done.stderr) == (0, "")
    assert np.array_equal(everything(inspect(tmp_path / "tide.frames")), pictures.reshape(3, -1))
