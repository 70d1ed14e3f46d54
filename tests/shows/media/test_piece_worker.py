"""The process that makes the file of a piece from an upload. Files that are made to do damage end with one line."""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
import soundfile
from PIL import Image

from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.reader import FrameWriter, Universe, inspect
from gloaming.shows.media.piece_worker import PieceRequest
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.made_for import MadeFor

RIG = """[[controller]]
name = "left"
universes = "3-4"

[[string]]
name = "ridge"
controller = "left"
universe = 3
pixels = 100
line = [[0.0, 0.0], [9.9, 5.0]]

[[string]]
name = "railing"
controller = "left"
universe = 4
pixels = 60
"""
MEMORY_BYTES = 320 << 20


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    return path


def work(source: Path, rig: Path, **more: Any) -> tuple[dict[str, Any], Path, list[dict[str, Any]]]:
    """The last object that the process prints, the path of the new file, and the objects before."""
    out = rig.with_name("pieces") / ".upload-1.frames"
    out.parent.mkdir(exist_ok=True)
    request = PieceRequest(
        str(source), str(out), str(rig), **{"memory_bytes": MEMORY_BYTES, "out_bytes": 1 << 30, **more}
    )
    command = [sys.executable, "-m", "gloaming.shows.media.piece_worker", request.to_json()]
    run = subprocess.run(command, capture_output=True, text=True, timeout=300, env={"OPENBLAS_NUM_THREADS": "1"})
    lines = [json.loads(line) for line in run.stdout.splitlines()]
    assert lines, run.stderr
    return lines[-1], out, lines[:-1]


def refused(source: Path, rig: Path, **more: Any) -> str:
    """The one line of a refusal. Nothing is left, but what the planner removes by its name."""
    last, out, _ = work(source, rig, **more)
    assert [*last] == ["problem"], last
    assert {*out.parent.iterdir()} <= {out}
    out.unlink(missing_ok=True)
    text: str = last["problem"]
    assert text.startswith(f"{source.name}: ") and "\n" not in text
    return text


def write_frames(path: Path, *universes: Universe, count: int = 60) -> Path:
    with FrameWriter(path, Fraction(40), universes) as writer:
        slots = sum(one.slots for one in universes)
        writer.write(np.random.default_rng(1).integers(0, 256, (count, slots), np.uint8))
    return path


def test_a_whole_frame_file_is_taken_bit_for_bit(tmp_path: Path, rig: Path) -> None:
    source = write_frames(tmp_path / "tide.frames", Universe(3, 300, 0), Universe(4, 180, 300))
    last, out, before = work(source, rig)
    assert last == {"made": True} and before[-1] == {"done": 60, "of": 60}
    assert out.read_bytes() == source.read_bytes()


def test_a_frame_file_for_other_universes_is_refused(tmp_path: Path, rig: Path) -> None:
    source = write_frames(tmp_path / "tide.frames", Universe(3, 300, 0), Universe(7, 180, 300))
    assert refused(source, rig).startswith("tide.frames: it has frames for universe 7, which no controller of this rig")


def test_a_damaged_frame_file_is_refused(tmp_path: Path, rig: Path) -> None:
    source = write_frames(tmp_path / "tide.frames", Universe(3, 300, 0), count=400)
    data = bytearray(source.read_bytes())
    data[len(data) // 2] ^= 0xFF
    source.write_bytes(data)
    assert "damaged" in refused(source, rig)
    source.write_bytes(data[:3000])
    refused(source, rig)
    source.write_bytes(b"no frames at all")
    refused(source, rig)


def test_an_array_goes_to_the_universes_of_the_rig_or_to_those_that_are_named(tmp_path: Path, rig: Path) -> None:
    source, frames = tmp_path / "tide.npy", (np.arange(40 * 480) % 256).astype(np.uint8).reshape(40, 480)
    np.save(source, frames)
    last, out, _ = work(source, rig)
    assert last == {"made": True}
    info = inspect(out)
    assert [(one.number, one.slots) for one in info.universes] == [(3, 300), (4, 180)]
    assert (info.fps, info.rig) == (40, MadeFor.of(load_rig(rig)).to_json())
    assert np.array_equal(np.concatenate([*frames_of(out)]), frames)
    out.unlink()
    np.save(source, frames[:, :170])
    last, out, _ = work(source, rig, fps="25", universes="4")
    info = inspect(out)
    assert ([(one.number, one.slots) for one in info.universes], info.fps) == ([(4, 170)], 25)
    out.unlink()
    np.save(source, np.zeros((40, 1200), np.uint8))
    assert "universe 5, which no controller" in refused(source, rig)


def test_pictures_go_to_the_strings_that_have_a_place_or_to_a_matrix(tmp_path: Path, rig: Path) -> None:
    red = Image.new("RGB", (64, 32), (255, 0, 0))
    red.save(tmp_path / "fire.gif", save_all=True, append_images=[red] * 9, duration=50)
    last, out, _ = work(tmp_path / "fire.gif", rig)
    assert last == {"made": True}
    frames = np.concatenate([*frames_of(out)])
    assert [one.number for one in inspect(out).universes] == [3]
    assert (frames.reshape(len(frames), 100, 3) == (255, 0, 0)).all()
    out.unlink()
    last, out, _ = work(tmp_path / "fire.gif", rig, matrix="10x6", universes="4", order="GRB")
    assert last == {"made": True}
    frames = np.concatenate([*frames_of(out)])
    assert (frames.reshape(len(frames), 60, 3) == (0, 255, 0)).all()


def write_video(path: Path, width: int, height: int, frames: int, codec: str = "libx264") -> Path:
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream(codec, rate=25)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.options = {"preset": "ultrafast"}
        for _ in range(frames):
            picture = av.VideoFrame(width, height, "yuv420p")
            for plane in picture.planes:
                plane.update(bytes([200]) * plane.buffer_size)
            container.mux(stream.encode(picture))
        container.mux(stream.encode())
    return path


def test_a_video_is_taken(tmp_path: Path, rig: Path) -> None:
    last, out, before = work(write_video(tmp_path / "sea.mp4", 640, 360, 50), rig)
    assert last == {"made": True}
    assert (inspect(out).frames, inspect(out).fps) == (50, 25)
    assert before[-1] == {"done": 50, "of": 50}


def test_a_zip_bomb_of_a_video_ends_with_one_line(tmp_path: Path, rig: Path) -> None:
    """A small file of which each picture has 134 million pixels."""
    source = write_video(tmp_path / "bomb.mp4", 16384, 8192, 2)
    assert source.stat().st_size < 3_000_000
    refused(source, rig)


@pytest.mark.parametrize("kind", ["png", "gif"])
def test_a_zip_bomb_of_a_picture_ends_with_one_line(kind: str, tmp_path: Path, rig: Path) -> None:
    source = tmp_path / f"bomb.{kind}"
    Image.new("P", (20_000, 16_000)).save(source)
    assert source.stat().st_size < 3_000_000
    refused(source, rig)


def test_a_zip_bomb_of_an_array_ends_with_one_line(tmp_path: Path, rig: Path) -> None:
    """It says that it has 96 GB of frames, more than a day of them; and the same with fewer, larger frames."""
    for number, shape in enumerate([(200_000_000, 480), (3_000_000, 480)]):
        source = tmp_path / f"bomb{number}.npz"
        with (
            zipfile.ZipFile(source, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive,
            archive.open("frames.npy", "w", force_zip64=True) as file,
        ):
            np.lib.format.write_array_header_1_0(file, {"shape": shape, "fortran_order": False, "descr": "|u1"})
            rng = np.random.default_rng(1)
            for _ in range(20):
                file.write(rng.integers(0, 2, 1 << 20, np.uint8).tobytes())
        if number:
            assert "does not fit on the disk" in refused(source, rig, out_bytes=1_000_000)
        else:
            assert "more than a piece may have" in refused(source, rig)


def test_a_sound_file_is_taken_and_one_that_is_cut_short_is_refused(tmp_path: Path, rig: Path) -> None:
    source = tmp_path / "tide.flac"
    soundfile.write(source, np.sin(np.arange(48_000) / 20), 48_000)
    last, out, _ = work(source, rig)
    assert last == {"made": True} and out.read_bytes() == source.read_bytes()
    out.unlink()
    source.write_bytes(source.read_bytes()[:9000])
    refused(source, rig)


def test_a_frame_file_that_does_not_fit_is_refused(tmp_path: Path, rig: Path) -> None:
    assert "does not fit" in refused(write_frames(tmp_path / "tide.frames", Universe(3, 300, 0)), rig, out_bytes=1000)
