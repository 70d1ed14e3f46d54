"""FORMAT.md is complete: the programs sqlite3 and zstd and the page are enough to read a file."""

from __future__ import annotations

import hashlib
import subprocess
from fractions import Fraction
from pathlib import Path

import numpy as np

from gloaming.shows.framefile.edit import frames_of
from gloaming.shows.framefile.reader import FrameWriter, Universe, inspect, verify
from tests.places import MOVING_PICTURE, TOP
from tests.tools import needs

PAGE = TOP / "shows" / "FORMAT.md"


def ask(path: Path, query: str) -> str:
    return subprocess.run(["sqlite3", path, query], capture_output=True, text=True, check=True).stdout


def content(path: Path, first: int) -> bytes:
    packed = path.with_name("chunk.zst")
    packed.unlink(missing_ok=True)
    ask(path, f"SELECT writefile('{packed}', data) FROM chunk WHERE first_frame = {first}")
    return subprocess.run(["zstd", "-dcq", packed], capture_output=True, check=True).stdout


def arranged(kind: int, body: bytes, frames: int, frame_bytes: int) -> bytes:
    """Undo the filters as the page describes them, byte by byte."""
    if kind == 2:
        return bytes(body[b * frames + f] for f in range(frames) for b in range(frame_bytes))
    if kind == 1:
        plain = bytearray(body)
        for at in range(frame_bytes, len(plain)):
            plain[at] = (plain[at] + plain[at - frame_bytes]) % 256
        return bytes(plain)
    assert kind == 0
    return body


@needs("sqlite3", "zstd")
def test_two_programs_read_a_file_by_the_page(tmp_path: Path) -> None:
    picture = np.load(MOVING_PICTURE)[:, :900]
    noise = np.random.default_rng(1).integers(0, 256, (600, 900), np.uint8)
    sparkle = np.zeros((300, 900), np.uint8)
    for pixel, born in enumerate(np.random.default_rng(2).integers(0, 300, 900)):
        sparkle[born:, pixel] = (255 * 0.9 ** np.arange(300 - born)).astype(np.uint8)
    frames = np.concatenate([picture, noise, sparkle])
    path = tmp_path / "a.frames"
    with FrameWriter(path, Fraction(30000, 1001), [Universe(3, 500, 400), Universe(9, 400, 0)]) as writer:
        writer.write(frames)

    assert ask(path, "PRAGMA application_id; PRAGMA user_version") == "1198288737\n1\n"
    assert ask(path, "PRAGMA integrity_check") == "ok\n"
    statements = ask(path, "SELECT sql FROM sqlite_schema").splitlines()
    page = [line.strip() for line in PAGE.read_text().splitlines() if line.startswith("    CREATE")]
    assert sorted(statements) == sorted(page)
    report = ask(path, "SELECT key || '=' || value FROM meta ORDER BY key").splitlines()
    report += ask(path, "SELECT number || ' ' || slots || ' ' || offset FROM universe ORDER BY number").splitlines()
    meta = dict(line.split("=") for line in report if "=" in line)
    sealed = "".join(f"{line}\n" for line in report if not line.startswith("seal="))
    assert meta["seal"] == hashlib.sha256(sealed.encode()).hexdigest()
    assert (meta["fps"], meta["frames"]) == ("30000/1001", "1032")
    assert report[-2:] == ["3 500 400", "9 400 0"]
    got, kinds = b"", set()
    for line in ask(path, "SELECT first_frame, frames FROM chunk").splitlines():
        first, count = map(int, line.split("|"))
        raw = content(path, first)
        little = [int.from_bytes(raw[begin:end], "little") for begin, end in ((8, 16), (16, 20), (20, 24))]
        assert raw[:8].hex() == meta["id"] and little[:2] == [first, count]
        kinds.add(little[2])
        got += arranged(little[2], raw[24:], count, 900)
    assert kinds == {0, 1, 2}
    assert got == frames.tobytes()


def test_a_file_of_the_first_version_is_read() -> None:
    """An earlier program wrote the file. The text beside it describes the content."""
    path = MOVING_PICTURE.with_name("frames-version-1.frames")
    expected = (np.arange(150)[:, None] * 3 + np.arange(400)).astype(np.uint8)
    assert np.array_equal(np.concatenate(list(frames_of(path))), expected) and verify(path) == []
    info = inspect(path)
    assert (info.fps, [one.number for one in info.universes]) == (Fraction(30000, 1001), [7, 9])
