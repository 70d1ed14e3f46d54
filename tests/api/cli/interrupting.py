"""Runs calls of `gloaming`, each in a process and a session of its own, and ends them by a signal in mid-work.

Reads a call a line from standard input, as JSON. Prints a line with its exit code when it has ended. Each process is a
fork, so that numpy and the others are loaded once.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

import av  # noqa: F401  # loaded before the fork, as all below: a signal comes in the work, not in an import
import PIL.ImageDraw
import PIL.PngImagePlugin  # noqa: F401  # the same
import rich.console  # noqa: F401  # the same

from gloaming.api.cli import frames_import, record_verb  # noqa: F401  # the same
from gloaming.api.cli import main as command
from gloaming.daemon.reports import calendar, season_svg, sheet_html, survey_html  # noqa: F401  # the same
from gloaming.shows.demonstration import season  # noqa: F401  # the same


def call(order: dict[str, Any]) -> int:
    """Fork, call, wait. The exit code; a signal that ended the process is negative."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    os.setsid()
    os.chdir(order["folder"])
    os.environ |= order["environment"]
    for number, name in ((1, "out"), (2, "err")):
        os.dup2(os.open(order[name], os.O_WRONLY | os.O_CREAT | os.O_TRUNC), number)
    for number in (signal.SIGINT, signal.SIGTERM):  # a job in the background ignores the first
        signal.signal(number, signal.SIG_DFL)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    sys.argv = ["gloaming", *order["call"]]
    _At(order)
    code = 70
    try:
        code = command.main()
    except SystemExit as end:
        code = int(end.code or 0)
    except BaseException:
        sys.excepthook(*sys.exc_info())
    finally:
        sys.setprofile(None)
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


class _At:
    """Sends the signal to the process group: some calls after a temporary file was opened, or once it has its name. And
    once more when a file is removed then, as an impatient person does."""

    def __init__(self, order: dict[str, Any]) -> None:
        self.number, self.left, self.target = order["signal"], order["moment"], Path(order["target"])
        self.renamed, self.looks, self.sent = self.left == "renamed", 0, False
        if self.renamed:
            self.left = 0
        sys.addaudithook(self.hear)
        if self.target.suffix == ".mp4" and not self.renamed:  # FFmpeg opens it: Python reports nothing
            sys.setprofile(self.look)

    def hear(self, event: str, values: tuple[object, ...]) -> None:
        """Count calls from the moment on at which Python reports the file."""
        if self.sent and event == "os.remove":
            os.killpg(os.getpgrp(), self.number)
        begun = event == "os.rename" and Path(str(values[1])).name == self.target.name
        if not self.renamed:
            begun = event in ("open", "sqlite3.connect") and ".part" in str(values[0])
        if begun and self.left >= 0:
            sys.setprofile(self.count)

    def look(self, *_: object) -> None:
        self.looks += 1
        if self.looks % 100 == 0 and any(".part" in path.name for path in self.target.parent.iterdir()):
            sys.setprofile(self.count)

    def count(self, *_: object) -> None:
        self.left -= 1
        if self.left < 0:
            sys.setprofile(None)
            self.sent = True
            os.killpg(os.getpgrp(), self.number)


if __name__ == "__main__":
    command.build_parser()
    for line in sys.stdin:
        print(call(json.loads(line)), flush=True)
