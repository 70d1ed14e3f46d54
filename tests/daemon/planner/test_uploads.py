"""Uploads on the disk: names, space, offsets, and two at once."""

from __future__ import annotations

import asyncio
import os
import stat
import subprocess
import sys
from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from gloaming.daemon.planner.uploads import (
    BLOCK_BYTES,
    KEEP_NS,
    RESERVE_BYTES,
    UPLOADS_MAX,
    PieceFileError,
    PieceFileProblem,
    Uploads,
)

NOW_NS = 1_800_000_000_000_000_000


async def parts(*data: bytes) -> AsyncIterator[bytes]:
    for one in data:
        yield one


def append(uploads: Uploads, id: str, offset: int, *data: bytes, at_ns: int = NOW_NS) -> int:
    return asyncio.run(uploads.append(id, offset, parts(*data), lambda: at_ns)).offset


@pytest.mark.parametrize(
    "name",
    ["../../etc/x", "/etc/x", "C:\\x.frames", "a\0b.npy", "a\nb.npy", ".", "..", "", ".hidden.npy", "é" * 150 + ".npy"],
)
def test_a_name_that_is_more_than_a_name_is_refused_and_leaves_nothing(name: str, tmp_path: Path) -> None:
    uploads = Uploads(tmp_path / "uploads")
    with pytest.raises(PieceFileError) as refused:
        uploads.begin(name, 10, NOW_NS)
    assert refused.value.code == PieceFileProblem.NAME
    assert [*tmp_path.rglob("*")] == []


def test_only_the_owner_can_read_an_upload(tmp_path: Path) -> None:
    upload = Uploads(tmp_path / "uploads").begin("tide.frames", 10, NOW_NS)
    modes = [stat.S_IMODE(path.stat().st_mode) for path in (upload.path.parent, upload.path)]
    assert modes == [0o700, 0o600]


def test_an_upload_that_does_not_fit_is_refused_before_it_begins(tmp_path: Path) -> None:
    """What other uploads still need counts too. A reserve stays free."""
    free = RESERVE_BYTES + 5_000_000
    uploads = Uploads(tmp_path / "uploads", lambda _: free)
    with pytest.raises(PieceFileError) as refused:
        uploads.begin("tide.mp4", 2_100_000_000, NOW_NS)
    assert refused.value.code == PieceFileProblem.NO_SPACE
    assert str(refused.value) == "tide.mp4 does not fit on the disk: 2.1 GB are needed, 5.0 MB are free"
    uploads.begin("a.mp4", 3_000_000, NOW_NS)
    with pytest.raises(PieceFileError, match=r"6\.0 MB are needed with the other uploads, 5\.0 MB are free"):
        uploads.begin("b.mp4", 3_000_000, NOW_NS)
    uploads.begin("c.mp4", 2_000_000, NOW_NS)


def test_uploads_are_limited_in_number(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path / "uploads")
    ids = [uploads.begin("tide.frames", 10, NOW_NS).id for _ in range(UPLOADS_MAX)]
    with pytest.raises(PieceFileError) as refused:
        uploads.begin("tide.frames", 10, NOW_NS)
    assert refused.value.code == PieceFileProblem.TOO_MANY
    uploads.remove(ids[0])
    uploads.begin("tide.frames", 10, NOW_NS)


def test_two_uploads_of_one_name_do_not_meet(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path / "uploads")
    first, second = (uploads.begin("tide.npy", 4, NOW_NS) for _ in range(2))
    assert append(uploads, first.id, 0, b"aaaa") == append(uploads, second.id, 0, b"bbbb") == 4
    assert (first.path.read_bytes(), second.path.read_bytes()) == (b"aaaa", b"bbbb")


def test_what_arrives_before_a_cut_stays_and_the_next_bytes_begin_there(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path / "uploads")
    upload = uploads.begin("tide.npy", 5 * BLOCK_BYTES, NOW_NS)

    async def cut_off() -> AsyncIterator[bytes]:
        yield b"a" * BLOCK_BYTES
        yield b"b" * 100
        raise ConnectionResetError

    with pytest.raises(ConnectionResetError):
        asyncio.run(uploads.append(upload.id, 0, cut_off(), lambda: NOW_NS))
    there = BLOCK_BYTES + 100
    assert Uploads(tmp_path / "uploads").find(upload.id).offset == there  # a planner that has started again
    for wrong in (0, there - 1, there + 1):
        with pytest.raises(PieceFileError) as refused:
            append(uploads, upload.id, wrong, b"c")
        assert refused.value.code == PieceFileProblem.OFFSET
    assert append(uploads, upload.id, there, b"c" * (5 * BLOCK_BYTES - there)) == upload.length
    assert uploads.find(upload.id).whole
    assert upload.path.read_bytes() == b"a" * BLOCK_BYTES + b"b" * 100 + b"c" * (5 * BLOCK_BYTES - there)


def test_more_bytes_than_the_upload_has_are_refused(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path / "uploads")
    upload = uploads.begin("tide.npy", 10, NOW_NS)
    with pytest.raises(PieceFileError) as refused:
        append(uploads, upload.id, 0, b"123456", b"78901")
    assert refused.value.code == PieceFileProblem.LENGTH
    assert uploads.find(upload.id).offset == 6


def test_of_two_at_once_on_one_upload_the_second_is_refused_and_it_cannot_be_removed(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path / "uploads")
    upload = uploads.begin("tide.npy", 10, NOW_NS)

    async def work() -> None:
        go_on = asyncio.Event()

        async def slow() -> AsyncIterator[bytes]:
            yield b"12345"
            await go_on.wait()
            yield b"67890"

        first = asyncio.create_task(uploads.append(upload.id, 0, slow(), lambda: NOW_NS))
        await asyncio.sleep(0)
        with pytest.raises(PieceFileError) as refused:
            await uploads.append(upload.id, 0, parts(b"x"), lambda: NOW_NS)
        assert refused.value.code == PieceFileProblem.BUSY
        with pytest.raises(PieceFileError):
            uploads.remove(upload.id)
        go_on.set()
        assert (await first).whole

    asyncio.run(work())
    assert upload.path.read_bytes() == b"1234567890"


def test_an_upload_that_is_not_continued_for_a_day_is_deleted(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path / "uploads")
    left, continued = (uploads.begin("tide.npy", 10, NOW_NS) for _ in range(2))
    append(uploads, continued.id, 0, b"12345", at_ns=NOW_NS + 10)
    uploads.remove_old(NOW_NS + KEEP_NS)
    assert {one.id for one in uploads.all()} == {left.id, continued.id}
    uploads.remove_old(NOW_NS + KEEP_NS + 5)
    assert [one.id for one in uploads.all()] == [continued.id]
    assert not left.path.parent.exists()


def test_the_offset_is_what_is_on_the_disk_after_a_kill(tmp_path: Path) -> None:
    """A process that writes an upload is killed in the middle: what it wrote is there, and can be continued."""
    program = f"""
import asyncio, os, signal
from pathlib import Path
from gloaming.daemon.planner.uploads import Uploads
uploads = Uploads(Path({str(tmp_path)!r}))
upload = uploads.begin("tide.npy", 10_000_000, {NOW_NS})
async def parts():
    for number in range(40):
        yield bytes([number]) * 65_536
    os.kill(os.getpid(), signal.SIGKILL)
asyncio.run(uploads.append(upload.id, 0, parts(), lambda: {NOW_NS}))
"""
    killed = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert killed.returncode == -9, killed.stderr
    uploads = Uploads(tmp_path)
    (upload,) = uploads.all()
    assert BLOCK_BYTES <= upload.offset == upload.path.stat().st_size
    data = b"".join(bytes([number]) * 65_536 for number in range(40))
    assert upload.path.read_bytes() == data[: upload.offset]
    append(uploads, upload.id, upload.offset, data[upload.offset :])
    assert upload.path.read_bytes() == data


def test_what_is_no_whole_upload_does_not_count(tmp_path: Path) -> None:
    uploads = Uploads(tmp_path)
    (tmp_path / ("0" * 32)).mkdir()  # a power cut right after its folder was made
    (tmp_path / "note").write_text("x")
    assert uploads.all() == []
    for id in ("0" * 32, "../note", "note", os.sep, ""):
        with pytest.raises(PieceFileError) as refused:
            uploads.find(id)
        assert refused.value.code == PieceFileProblem.UNKNOWN
