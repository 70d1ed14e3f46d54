"""Real chronyd processes with the configuration of systemd/README.md, each for a clock of software."""

from __future__ import annotations

import os
import re
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.software_clock import SoftwareClock
from tests.tools import find

README = Path(__file__).parent.parent / "systemd" / "README.md"
SERVES, FOLLOWS = "the board that serves", "each other board"
SERVER, NETWORK = "192.0.2.11", "192.0.2.0/24"
"""The addresses in README.md."""


def config(board: str, server: str, network: str) -> str:
    """The lines of README.md for a board, with other addresses."""
    (block,) = re.findall(rf"^    # {board}\n((?:    .+\n)+)", README.read_text(encoding="utf-8"), re.MULTILINE)
    lines = [line.strip() for line in block.splitlines()]
    return "".join(f"{line}\n" for line in lines).replace(NETWORK, network).replace(SERVER, server)


@contextmanager
def chronyd(folder: Path, namespace: str, clock: SoftwareClock, lines: str) -> Iterator[subprocess.Popen[bytes]]:
    """A chronyd in a network namespace that sets a clock of software. It keeps its files in a folder."""
    path = folder / "chrony.conf"
    own = f"pidfile {folder}/chronyd.pid\nbindcmdaddress /\ncmdport 0\n"
    path.write_text(re.sub(r"driftfile \S+", f"driftfile {folder}/chrony.drift", lines) + own)
    program = find("chronyd")
    assert program
    within = ["ip", "netns", "exec", namespace, "setpriv", "--bounding-set=-sys_time"]  # it can set no other clock
    with (folder / "chronyd.log").open("wb") as log:
        process = subprocess.Popen(
            [*within, program, "-d", "-u", "root", "-F", "0", "-f", path],
            env={**os.environ, **clock.environment},
            stdout=log,
            stderr=log,
        )
    try:
        yield process
    finally:
        process.terminate()
        process.wait()
