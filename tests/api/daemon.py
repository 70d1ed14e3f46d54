"""`gloaming run` on the small site, for tests that speak to it by HTTP or by command."""

from __future__ import annotations

import json
import os
import resource
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

from tests.api.house import offset_to, write_site
from tests.waiting import wait_until

HOST = "127.0.79.1"


def may_open(files: int) -> None:
    """How many files this process may have open: 1024 is usual, and what systemd gives a service."""
    resource.setrlimit(resource.RLIMIT_NOFILE, (files, resource.getrlimit(resource.RLIMIT_NOFILE)[1]))


class Daemon:
    """`gloaming run` on a site, in the background."""

    def __init__(self, folder: Path, out: int | None = None, files: int = 1024, **site: str) -> None:
        self.site = write_site(folder / "site", HOST, **{"output": 'fade = "0.2 s"', **site})
        self.state = self.site / "state"
        self.log = folder / "log"
        with self.log.open("w") as log:
            command = [sys.executable, "-m", "gloaming.api.cli.main", "run", str(self.site)]
            env = {**os.environ, "GLOAMING_CLOCK_OFFSET_NS": str(offset_to("2026-12-12T18:00"))}
            self.process = subprocess.Popen(
                command, stdout=out or log, stderr=subprocess.STDOUT, env=env, preexec_fn=lambda: may_open(files)
            )
        wait_until(lambda: self.process.poll() is not None or self.answers(), "an answer")

    def answers(self) -> bool:
        if not (self.state / "address").exists():
            return False
        with socket.socket() as probe:
            return probe.connect_ex(self.address) == 0

    @property
    def url(self) -> str:
        return (self.state / "address").read_text().strip()

    @property
    def address(self) -> tuple[str, int]:
        host, _, port = self.url.rpartition("/")[2].partition(":")
        return host, int(port)

    @property
    def token(self) -> str:
        return (self.state / "token").read_text().strip()

    def now(self) -> Any:
        """`/api/now`."""
        return self.ask("GET", "/api/now")

    def ask(self, method: str, path: str, body: object = None) -> Any:
        """One request with the board's own token, on a connection of its own; the answer."""
        headers = {"Authorization": f"Bearer {self.token}", "Content-Type": "application/json"}
        data = None if body is None else json.dumps(body).encode()
        request = urllib.request.Request(f"{self.url}{path}", data, headers, method=method)
        with urllib.request.urlopen(request, timeout=20) as answer:
            return json.load(answer)

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(30)
