"""Frame files: they are read as written, damage is found, and no writer leaves half a file under a name."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.framefile.reader import (
    DamagedChunkError,
    FrameReader,
    Frames,
    FrameWriter,
    Universe,
    inspect,
    max_refresh_hz,
    mend,
    verify,
)
from gloaming.shows.framefile.writer import is_written
from tests.places import MOVING_PICTURE


def universes(*slots: int, first: int = 1) -> tuple[Universe, ...]:
    offsets = np.cumsum([0, *slots])
    return tuple(Universe(first + n, size, int(offsets[n])) for n, size in enumerate(slots))


def write(path: Path, frames: Frames, fps: Fraction = Fraction(40)) -> Path:
    full, rest = divmod(frames.shape[1], 510)
    with FrameWriter(path, fps, universes(*[510] * full, *[rest] * bool(rest))) as writer:
        writer.write(frames)
    return path


def read(path: Path) -> Frames:
    with FrameReader(path) as reader:
        return np.stack([reader.frame(number) for number in range(reader.info.frames)])


def noise(frames: int, slots: int, seed: int = 1) -> Frames:
    return np.random.default_rng(seed).integers(0, 256, (frames, slots), np.uint8)


@st.composite
def pictures(draw: st.DrawFn) -> Frames:
    """Noise, still frames, ramps and single steps, so that every filter is used."""
    count, slots = draw(st.integers(1, 700)), draw(st.integers(1, 1200))
    kind = draw(st.sampled_from(["noise", "still", "ramp", "steps"]))
    base = noise(1, slots, draw(st.integers(0, 99)))
    if kind == "noise":
        return noise(count, slots)
    if kind == "still":
        return np.repeat(base, count, axis=0)
    if kind == "ramp":
        return base + np.arange(count, dtype=np.uint16).astype(np.uint8)[:, None]
    return np.where(np.arange(count)[:, None] > base.astype(int), 255, base).astype(np.uint8)


@settings(max_examples=40, deadline=None)
@given(frames=pictures(), fps=st.fractions(Fraction(1, 2), 120, max_denominator=1001), pieces=st.integers(1, 400))
def test_what_was_written_is_what_is_read(
    tmp_path_factory: pytest.TempPathFactory, frames: Frames, fps: Fraction, pieces: int
) -> None:
    path = tmp_path_factory.mktemp("files") / "a.frames"
    full, rest = divmod(frames.shape[1], 512)
    rig = universes(*[512] * full, *[rest] * bool(rest), first=7)
    with FrameWriter(path, fps, rig) as writer:
        for first in range(0, len(frames), pieces):
            writer.write(frames[first : first + pieces])
    info = inspect(path)
    assert (info.fps, info.frames, info.universes) == (fps, len(frames), rig)
    assert info.length_ns == int(len(frames) / fps * 10**9)
    assert np.array_equal(read(path), frames)
    assert verify(path) == []


def test_a_moving_picture_comes_back_byte_for_byte(tmp_path: Path) -> None:
    picture = np.load(MOVING_PICTURE)
    path = write(tmp_path / "a.frames", picture, Fraction(25))
    assert np.array_equal(read(path), picture)
    assert inspect(path).length_ns == 5_280_000_000


def test_chunks_cover_the_file_and_are_contiguous(tmp_path: Path) -> None:
    frames = noise(500, 5100)
    path = write(tmp_path / "a.frames", frames)
    with FrameReader(path) as reader:
        at, seen = 0, []
        while at < reader.info.frames:
            first, chunk = reader.chunk(at)
            assert first == at and chunk.flags.c_contiguous and chunk.dtype == np.uint8
            seen.append(chunk)
            at += len(chunk)
        assert np.array_equal(np.concatenate(seen), frames)
        assert reader.chunk(137)[0] <= 137
        for outside in (-1, 500):
            with pytest.raises(IndexError):
                reader.chunk(outside)


def test_the_largest_rig_still_makes_small_chunks(tmp_path: Path) -> None:
    path = tmp_path / "a.frames"
    with FrameWriter(path, Fraction(40), universes(*[512] * 4096)) as writer:
        writer.write(np.zeros((3, 4096 * 512), np.uint8))
    with FrameReader(path) as reader:
        assert all(reader.chunk(number)[1].nbytes <= 2 * 1024 * 1024 for number in range(3))


def test_a_file_cut_short_at_any_byte_is_a_clear_error(tmp_path: Path) -> None:
    whole = write(tmp_path / "a.frames", noise(3, 6)).read_bytes()
    cut = tmp_path / "cut.frames"
    cut.touch()
    for byte in whole:
        with pytest.raises(InputError) as error:
            inspect(cut)
        assert len(str(error.value).splitlines()) == 1
        with cut.open("ab") as file:
            file.write(bytes([byte]))
    assert inspect(cut).frames == 3


def test_a_flipped_bit_is_never_played(tmp_path: Path) -> None:
    frames = np.load(MOVING_PICTURE)[:60, :1020]
    path = write(tmp_path / "a.frames", frames)
    whole, before = bytearray(path.read_bytes()), inspect(path)
    random = np.random.default_rng(3)
    found = 0
    for bit in random.integers(0, len(whole) * 8, 600):
        whole[bit // 8] ^= 1 << bit % 8
        path.write_bytes(whole)
        whole[bit // 8] ^= 1 << bit % 8
        try:
            assert np.array_equal(read(path), frames)
            assert inspect(path) == before
        except (InputError, DamagedChunkError) as error:
            assert len(str(error).splitlines()) == 1
            found += 1
    assert found > 200  # the others hit unused bytes


def test_a_damaged_chunk_affects_only_its_own_seconds(tmp_path: Path) -> None:
    frames = noise(160, 7140)
    path = write(tmp_path / "a.frames", frames)
    data = bytearray(path.read_bytes())
    data[data.index(frames[50, 100:140].tobytes())] ^= 1
    path.write_bytes(data)
    assert [damage[:2] for damage in verify(path)] == [(40, 40)]
    assert "from 1.00 s to 2.00 s" in verify(path)[0][2]
    with FrameReader(path) as reader:
        with pytest.raises(DamagedChunkError) as error:
            reader.chunk(75)
        assert (error.value.first_frame, error.value.frames, error.value.path) == (40, 40, path)
        assert np.array_equal(reader.frame(80), frames[80])


def test_a_chunk_left_over_from_another_file_is_found(tmp_path: Path) -> None:
    """As after an interrupted copy over an older file of the same length."""
    paths = [write(tmp_path / f"{seed}.frames", noise(160, 7140, seed)) for seed in (1, 2)]
    new, old = (path.read_bytes() for path in paths)
    assert len(new) == len(old)
    paths[0].write_bytes(new[: len(new) // 2] + old[len(new) // 2 :])
    assert {damage[0] for damage in verify(paths[0])} >= {80, 120}


@pytest.mark.parametrize("first, second", [(0, 40), (40, 120)])
def test_chunks_that_changed_places_are_found(tmp_path: Path, first: int, second: int) -> None:
    path = write(tmp_path / "a.frames", noise(160, 7140))
    database = sqlite3.connect(path, isolation_level=None)
    data = dict(database.execute("SELECT first_frame, data FROM chunk"))
    for here, there in ((first, second), (second, first)):
        database.execute("UPDATE chunk SET data = ? WHERE first_frame = ?", (data[there], here))
    database.close()
    assert [damage[0] for damage in verify(path)] == [first, second]


def _npy(path: Path) -> None:
    np.save(path.open("wb"), noise(3, 6))


def _database(path: Path) -> None:
    sqlite3.connect(path).execute("CREATE TABLE meta (key, value)")


def _another_version(path: Path) -> None:
    database = sqlite3.connect(write(path, noise(3, 6)))
    database.execute("PRAGMA user_version = 2")


def _without_chunks(path: Path) -> None:
    database = sqlite3.connect(write(path, noise(300, 1020)), isolation_level=None)
    database.execute("DELETE FROM chunk WHERE first_frame > 0")


def _slower(path: Path) -> None:
    database = sqlite3.connect(write(path, noise(3, 6)), isolation_level=None)
    database.execute("UPDATE meta SET value = '20/1' WHERE key = 'fps'")


def _unfinished(path: Path) -> None:
    database = sqlite3.connect(write(path, noise(3, 6)), isolation_level=None)
    database.execute("UPDATE meta SET value = '' WHERE key = 'seal'")


def _view(path: Path) -> None:
    database = sqlite3.connect(write(path, noise(3, 6)), isolation_level=None)
    database.execute(
        "CREATE VIEW endless AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i FROM n) SELECT i FROM n"
    )


WRONG: dict[str, tuple[Callable[[Path], object], str]] = {
    "nothing": (lambda path: None, "there is no such file"),
    "an empty file": (lambda path: path.touch(), "the file is empty"),
    "a folder": (lambda path: path.mkdir(), "this is a folder"),
    "a pipe": (os.mkfifo, "not a plain file"),
    "text": (lambda path: path.write_text("[site]\n"), "this is not a frame file"),
    "an array": (_npy, "NumPy array"),
    "a database": (_database, "not a frame file"),
    "another version": (_another_version, "version 2; this program reads version 1: import or record"),
    "missing chunks": (_without_chunks, "its chunks end at"),
    "a changed rate": (_slower, "seal"),
    "an unfinished file": (_unfinished, "frames mend"),
    "tables of one's own": (_view, "tables"),
    "a file within a file": (lambda path: path.parent.joinpath("b").touch(), ""),
}


@pytest.mark.parametrize("kind", WRONG)
def test_a_file_that_is_no_frame_file_gives_one_line(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "a.frames"
    make, text = WRONG[kind]
    make(path)
    path = tmp_path / "b" / "a.frames" if kind == "a file within a file" else path
    for function in (inspect, FrameReader, verify):
        with pytest.raises(InputError) as error:
            function(path)
        assert text in str(error.value) and str(path) in str(error.value)
        assert len(str(error.value).splitlines()) == 1


def test_a_file_without_read_permission_is_refused(tmp_path: Path) -> None:
    path = write(tmp_path / "a.frames", noise(3, 6))
    path.chmod(0)
    code = """
import os, sys
from gloaming.shows.framefile import reader as framefile
if os.geteuid() == 0:
    os.seteuid(65534)
try:
    framefile.inspect(sys.argv[1])
except framefile.InputError as error:
    print(error)
"""
    tmp_path.chmod(0o755)
    for folder in (tmp_path.parent, tmp_path.parent.parent):
        folder.chmod(0o755)
    done = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    assert "cannot be read (Permission denied)" in done.stdout


def test_a_read_only_file_in_a_read_only_folder_plays(tmp_path: Path) -> None:
    frames = noise(3, 6)
    path = write(tmp_path / "a.frames", frames)
    path.chmod(0o444)
    tmp_path.chmod(0o555)
    try:
        assert np.array_equal(read(path), frames)
    finally:
        tmp_path.chmod(0o755)
    assert list(tmp_path.iterdir()) == [path]


def test_another_thread_can_read(tmp_path: Path) -> None:
    frames = noise(100, 510)
    path = write(tmp_path / "it's 100 % ? #.frames", frames)
    got: list[Frames] = []
    thread = threading.Thread(target=lambda: got.append(read(path)))
    thread.start()
    thread.join()
    assert np.array_equal(got[0], frames)


@pytest.mark.parametrize(
    "rig, text",
    [
        ([], "no universes"),
        ([Universe(0, 1, 0)], "universe 0"),
        ([Universe(64000, 1, 0)], "universe 64000"),
        ([Universe(1, 513, 0)], "513 slots"),
        ([Universe(1, 0, 0)], "0 slots"),
        ([Universe(1, 5, 0), Universe(1, 5, 5)], "twice"),
        ([Universe(1, 5, 0), Universe(2, 5, 4)], "byte 4"),
        ([Universe(1, 5, 1)], "byte 1"),
    ],
)
def test_universes_that_cannot_be_are_refused(tmp_path: Path, rig: list[Universe], text: str) -> None:
    with pytest.raises(InputError, match=text):
        FrameWriter(tmp_path / "a.frames", Fraction(40), rig)
    assert not list(tmp_path.iterdir())


def test_a_writer_that_fails_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = write(tmp_path / "a.frames", noise(3, 6))
    before = path.read_bytes()
    with pytest.raises(RuntimeError), FrameWriter(path, Fraction(40), universes(510)) as writer:
        writer.write(noise(2000, 510))
        raise RuntimeError
    with pytest.raises(InputError, match="no frames"), FrameWriter(path, Fraction(40), universes(510)):
        pass
    assert list(tmp_path.iterdir()) == [path] and path.read_bytes() == before


WRITE_AND_WAIT = """
import sys, time
from fractions import Fraction
import numpy as np
from gloaming.shows.framefile.reader import FrameWriter, Universe
writer = FrameWriter(sys.argv[1], Fraction(40), [Universe(1, 510, 0)])
frames = np.random.default_rng(1).integers(0, 256, (1000, 510), np.uint8)
for first in range(0, 1000, 40):
    writer.write(frames[first:first + 40])
    writer.flush()
print("written", flush=True)
time.sleep(60)
"""


def test_a_killed_writer_leaves_the_old_file_and_what_it_wrote_can_be_mended(tmp_path: Path) -> None:
    path = write(tmp_path / "a.frames", noise(3, 6))
    before = path.read_bytes()
    process = subprocess.Popen([sys.executable, "-c", WRITE_AND_WAIT, path], stdout=subprocess.PIPE, text=True)
    assert process.stdout and process.stdout.readline() == "written\n"
    (temporary,) = tmp_path.glob("a.frames.*.part")
    with pytest.raises(InputError, match="still being written"):
        mend(temporary, tmp_path / "b.frames")
    assert is_written(temporary)
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert not is_written(temporary)
    assert path.read_bytes() == before
    with pytest.raises(InputError, match="frames mend"):
        inspect(temporary)
    with pytest.raises(InputError, match="already"):
        mend(temporary, path)
    assert mend(temporary, tmp_path / "b.frames") == 1000
    assert np.array_equal(read(tmp_path / "b.frames"), noise(1000, 510))
    with pytest.raises(InputError, match="finished"):
        mend(tmp_path / "b.frames", tmp_path / "c.frames")
    (tmp_path / "b.frames").rename(temporary)  # as if the writer was killed after the seal and before the rename
    assert mend(temporary, tmp_path / "b.frames") == 1000
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.frames", "b.frames"]


def test_a_full_disk_is_reported_and_the_old_file_stays(tmp_path: Path) -> None:
    """A limit of file size stands for a full disk: the write fails at the same place."""
    path = write(tmp_path / "a.frames", noise(3, 6))
    before = path.read_bytes()
    code = """
import resource, signal, sys
from fractions import Fraction
import numpy as np
from gloaming.shows.framefile.reader import FrameWriter, Universe
from gloaming.shows.framefile.writer import is_written
from gloaming.shows.config_files.errors import InputError
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))
keep = len(sys.argv) > 2
random = np.random.default_rng(1)
try:
    with FrameWriter(sys.argv[1], Fraction(40), [Universe(1, 510, 0)]) as writer:
        try:
            for second in range(100):
                writer.write(random.integers(0, 256, (40, 510), np.uint8))
        except InputError as error:
            if not keep:
                raise
            writer.drop_tail()
except InputError as error:
    print(error)
"""
    done = subprocess.run([sys.executable, "-c", code, path], capture_output=True, text=True, check=True)
    assert "it cannot be written" in done.stdout and len(done.stdout.splitlines()) == 1
    assert list(tmp_path.iterdir()) == [path] and path.read_bytes() == before
    other = tmp_path / "b.frames"
    subprocess.run([sys.executable, "-c", code, other, "keep"], capture_output=True, text=True, check=True)
    assert inspect(other).frames >= 257 and verify(other) == []


PEAK = """
import resource, sys
from gloaming.shows.framefile.reader import FrameReader
with FrameReader(sys.argv[1]) as reader:
    for frame in range(0, reader.info.frames, 10):
        reader.frame(frame)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def test_memory_does_not_grow_with_the_length(tmp_path: Path) -> None:
    peaks_kib = []
    for seconds in (1, 60):
        path = tmp_path / f"{seconds}.frames"
        with FrameWriter(path, Fraction(40), universes(*[510] * 96)) as writer:
            for second in range(seconds):
                writer.write(np.full((40, 96 * 510), second, np.uint8))
        done = subprocess.run([sys.executable, "-c", PEAK, path], capture_output=True, text=True, check=True)
        peaks_kib.append(int(done.stdout))
    assert peaks_kib[1] - peaks_kib[0] < 8 * 1024  # the longer one holds 115 MiB of frames


def test_refresh_follows_the_arithmetic_of_dmx() -> None:
    """ANSI E1.11-2008, table of timing (from memory): 44 updates a second of 512 slots, 1196 us a packet at least."""
    assert 44 < max_refresh_hz(512) < 44.2
    assert max_refresh_hz(24) == pytest.approx(1e6 / 1204)


def test_a_frame_file_never_takes_the_place_of_a_device_or_a_pipe(tmp_path: Path) -> None:
    """As root, a rename would put it in the place of /dev/null."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match="this is a device or a pipe"):
        write(pipe, np.ones((3, 6), np.uint8))
    assert pipe.is_fifo() and [*tmp_path.iterdir()] == [pipe]
