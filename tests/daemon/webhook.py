"""A web server on this machine that keeps what it receives. For tests of alerts and hooks."""

from __future__ import annotations

import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Self


class WebhookServer:
    """Answers `status` (and a `location`) to every POST; `got` holds `(path, body)` of each."""

    def __init__(self, address: str, status: int = 204, location: str | None = None) -> None:
        self.got: list[tuple[str, str]] = []
        self.status = status
        webhook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                length = int(self.headers.get("Content-Length", "0"))
                webhook.got.append((self.path, self.rfile.read(length).decode()))
                self.send_response(webhook.status)
                self.send_header("Content-Length", "0")
                if location:
                    self.send_header("Location", location)
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                """Say nothing."""

        self.server = ThreadingHTTPServer((address, 0), Handler)
        self.url = f"http://{address}:{self.server.server_address[1]}"

    def __enter__(self) -> Self:
        threading.Thread(target=self.server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.server.shutdown()
        self.server.server_close()
