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

import av  # noqa: F401
import PIL.ImageDraw
import PIL.PngImagePlugin  # noqa: F401
import rich.console  # noqa: F401

from gloaming.api.cli import frames_import, record_verb  # noqa: F401
from gloaming.api.cli import main as command
from gloaming.daemon.reports import calendar, season_svg, sheet_html, survey_html  # noqa: F401
from gloaming.shows.demonstration import season  # noqa: F401

LOOK_CALLS = 500


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
    sys.setprofile(_At(order))
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
    """Sends the signal to the process group: some calls after a temporary file was opened, or once it has its name."""

    def __init__(self, order: dict[str, Any]) -> None:
        self.number, self.moment, self.calls = order["signal"], order["moment"], 0
        self.watched, self.target = Path(order["watched"]), Path(order["target"]).name
        self.begun = False
        sys.addaudithook(self.hear)

    def hear(self, event: str, values: tuple[object, ...]) -> None:
        """Note what Python reports of files: open, sqlite3.connect, os.rename."""
        if self.moment == "renamed":
            self.begun |= event == "os.rename" and Path(str(values[1])).name == self.target
        elif event in ("open", "sqlite3.connect"):
            self.begun |= ".part" in str(values[0])

    def __call__(self, *_: object) -> None:
        self.calls += 1
        if not self.begun and self.moment != "renamed" and self.calls % LOOK_CALLS == 0:
            self.begun = any(".part" in path.name for path in self.watched.iterdir())  # a library in C opened it
        if self.begun:
            if self.moment in (0, "renamed"):
                os.killpg(os.getpgrp(), self.number)
                self.moment = -1
            elif self.moment > 0:
                self.moment -= 1


if __name__ == "__main__":
    command.build_parser()
    for line in sys.stdin:
        print(call(json.loads(line)), flush=True)
