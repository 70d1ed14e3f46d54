"""An upload to a board that plays: the real processes, a real disk, and the transmitter's own counters."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator

import pytest

from tests.bench.upload import GROWTH_MB, MB, Blocks, UploadBoard, measure, replace_playing, send, upload_board
from tests.waiting import wait_until


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Iterator[UploadBoard]:
    with upload_board(tmp_path_factory.mktemp("board") / "site", seconds=3) as one:
        yield one


def test_an_upload_that_is_broken_five_times_arrives_bit_for_bit_and_is_never_in_memory(board: UploadBoard) -> None:
    """`tests/bench/upload.py` does the same with 2000 MB."""
    found = measure(board, 80, 1)
    assert found.equal and found.continued == 5
    assert max(found.resident_mb, found.highest_mb) < GROWTH_MB


def test_frames_are_sent_while_the_piece_that_plays_is_replaced(board: UploadBoard) -> None:
    counts = replace_playing(board, 2)
    assert counts["sent"] > 80 and counts["unread"] == 0


def test_a_planner_that_is_killed_in_the_middle_goes_on_where_the_disk_is(board: UploadBoard) -> None:
    blocks = Blocks(12 * MB, 4)
    at = board.create("sea.mp4", blocks.length)
    send(board, at, blocks, [5 * MB + 321], until_broken=True)
    before = board.planner
    os.kill(before, signal.SIGKILL)
    wait_until(lambda: board.planner not in (None, before) and answers(board), "the planner is back")
    (file,) = (board.site / "state" / "uploads").glob("*/sea.mp4")
    assert int(board.ask("HEAD", at).headers["Upload-Offset"]) == file.stat().st_size > 0
    send(board, at, blocks, [])
    assert file.read_bytes() == b"".join(blocks.since(0))
    assert board.ask("DELETE", at).status == 204


def answers(board: UploadBoard) -> bool:
    try:
        return board.ask("GET", "/healthz").status == 200
    except OSError:
        return False
