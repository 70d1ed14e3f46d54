"""Uploads to another board: a cut connection goes on where the board is, and what changes or stops ends it."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from gloaming.api.cli import other_boards
from gloaming.api.cli.other_boards import AwayError, BoardError, KnownBoards, OtherBoard

DATA = bytes(range(256)) * 4096


class CuttingServer:
    """Takes uploads by tus. It cuts the connection after each `most` bytes; with 0, before it has taken any."""

    def __init__(self, most: int) -> None:
        self.taken, self._most = bytearray(), most
        self._socket = socket.create_server(("127.0.79.10", 0))
        threading.Thread(target=self._serve, daemon=True).start()
        self.url = f"http://127.0.79.10:{self._socket.getsockname()[1]}"

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self._socket.accept()
            except OSError:  # it is closed
                return
            with connection, connection.makefile("rb") as stream:
                head = iter(stream.readline, b"\r\n")
                method = next(head).split()[0]
                headers = {name.lower(): value.strip() for name, _, value in (line.partition(b":") for line in head)}
                if method == b"HEAD":
                    connection.sendall(b"HTTP/1.1 200 OK\r\nUpload-Offset: %d\r\n\r\n" % len(self.taken))
                    continue
                assert int(headers[b"upload-offset"]) == len(self.taken)
                length = int(headers[b"content-length"])
                self.taken += stream.read(min(length, self._most))
                if length <= self._most:
                    connection.sendall(b"HTTP/1.1 204 No Content\r\n\r\n")

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(other_boards, "RETRY_S", 0.01)
    (tmp_path / "tide.flac").write_bytes(DATA)
    return tmp_path / "tide.flac"


@pytest.fixture(params=[300_000])
def server(request: pytest.FixtureRequest) -> Iterator[CuttingServer]:
    found = CuttingServer(request.param)
    yield found
    found.close()


def board(server: CuttingServer, folder: Path) -> OtherBoard:
    return OtherBoard("east", server.url, KnownBoards(folder / "boards.json"), lambda _: None)


def test_a_file_arrives_whole_though_the_connection_breaks_again_and_again(server: CuttingServer, file: Path) -> None:
    sent = list[int]()
    board(server, file.parent).send("/upload", file, 0, lambda: False, sent.append)
    assert server.taken == DATA and sum(sent) == len(DATA) and len(sent) > 3


@pytest.mark.parametrize("server", [0], indirect=True)
def test_a_board_that_takes_nothing_is_given_up(server: CuttingServer, file: Path) -> None:
    with pytest.raises(AwayError, match=r"tide\.flac does not arrive: the connection breaks again and again"):
        board(server, file.parent).send("/upload", file, 0, lambda: False, lambda _: None)


def test_a_file_that_becomes_shorter_and_a_push_that_ends_stop_the_upload(server: CuttingServer, file: Path) -> None:
    stopped = list[int]()
    board(server, file.parent).send("/upload", file, 0, lambda: bool(stopped), stopped.append)
    assert 0 < len(server.taken) < len(DATA)
    offset = len(server.taken)
    with pytest.raises(BoardError, match=r"tide\.flac has become shorter while it was pushed: push again"):
        board(server, file.parent).send("/upload", file, offset, lambda: file.write_bytes(b"x") == 0, lambda _: None)
