"""What several tests of the commands need: a web server whose answers a test chooses, and a token."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

Answer = tuple[int, dict[str, str], bytes]
"""Status, headers, body."""


class AnsweringServer(ThreadingHTTPServer):
    """A web server that answers as `answer` says for each path, and stores what it is asked."""

    answer: Callable[[str], Answer]

    def __init__(self) -> None:
        super().__init__(("127.0.79.9", 0), Handler)
        self.asked: list[tuple[str, str, str | None]] = []
        self.url = f"http://127.0.79.9:{self.server_port}"

    def json(self, status: int, media: str = "json", **answer: object) -> Answer:
        return status, {"Content-Type": f"application/{media}"}, json.dumps(answer).encode()


class Handler(BaseHTTPRequestHandler):
    server: AnsweringServer

    def do_GET(self) -> None:
        status, headers, body = self.server.answer(self.path)
        self.server.asked.append((self.command, self.path, self.headers["Authorization"]))
        self.send_response(status)
        for name, value in {"Content-Length": str(len(body)), **headers}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    do_POST = do_PUT = do_DELETE = do_GET

    def log_message(self, *_: Any) -> None:
        """Nothing."""


@pytest.fixture
def board() -> Iterator[AnsweringServer]:
    server = AnsweringServer()
    threading.Thread(target=server.serve_forever).start()
    yield server
    server.shutdown()
    server.server_close()


@pytest.fixture
def token(tmp_path: Path) -> Path:
    path = tmp_path / "token"
    path.write_text("quay-7\n")
    return path
