"""What a command writes on a terminal beside its answer: how far it is, if it lasts over two seconds; and colours.

How far it is stands in one line on standard error, without a colour or an escape code. So it is the same on every
terminal, and with NO_COLOR.
"""

from __future__ import annotations

import argparse
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr
from typing import TYPE_CHECKING, Any, NamedTuple

from gloaming.api.cli.parser import COLUMNS

if TYPE_CHECKING:
    from rich.console import Console

DELAY_S, EVERY_S = 2.0, 0.2
WIDTH = 24

Progress = Callable[[int, int | None], None]
"""Takes what is done, and all there is, or None if nobody knows."""
NamedProgress = Callable[[str, int, int | None], None]
"""The same, with what is under way."""


def coloured(**options: Any) -> Console:
    """Where a command prints with colours. `options` are those of `Console`.

    It writes no escape code at all without a terminal, and with NO_COLOR that is not empty (https://no-color.org).
    """
    from rich.console import Console

    return Console(force_terminal=False if os.environ.get("NO_COLOR") else None, **options)


class StatusLine:
    """One line on standard error that is written again and again. It is empty if standard error is no terminal."""

    def __init__(self) -> None:
        self._stream = sys.stderr if sys.stderr.isatty() else None
        self._shown = ""

    def show(self, text: str) -> None:
        """Show a text in place of the last one. "" removes it."""
        if self._stream is None or text == self._shown:
            return
        try:
            columns = os.get_terminal_size(self._stream.fileno()).columns or COLUMNS
            line = text[: columns - 1].ljust(min(len(self._shown), columns - 1))
            self._stream.write(f"\r{line}" if text else f"\r{line}\r")
            self._stream.flush()
        except OSError:  # the terminal was closed: the work goes on
            self._stream = None
        self._shown = text


class _At(NamedTuple):
    name: str
    done: int
    total: int | None
    since_s: float
    """When the work on this total began."""


class _Drawn:
    """Draws the progress in a thread of its own, so that a call of it costs next to nothing."""

    def __init__(self, unit: str) -> None:
        self._unit, self._at = unit, _At("", 0, None, time.monotonic())
        self._line, self._lock, self._ended = StatusLine(), threading.Lock(), threading.Event()
        self._stream, self._within_line = sys.stderr, False
        self._thread = threading.Thread(target=self._draw, name="progress", daemon=True)

    def __call__(self, name: str, done: int, total: int | None) -> None:
        at = self._at
        same = at.total == total and at.name == name
        self._at = _At(name, done, total, at.since_s if same else time.monotonic())

    def __enter__(self) -> _Drawn:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()
        self._line.show("")

    def _draw(self) -> None:
        wait_s = DELAY_S
        while not self._ended.wait(wait_s):
            wait_s = EVERY_S
            with self._lock:
                if self._at.name and not self._within_line:
                    self._line.show(_text(self._at, self._unit, time.monotonic()))

    def write(self, text: str) -> int:
        """Write a message above the line, as `sys.stderr`."""
        with self._lock:
            self._line.show("")
            self._within_line = not text.endswith("\n")
            return self._stream.write(text)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextmanager
def bars(args: argparse.Namespace, unit: str = "frames") -> Iterator[NamedProgress]:
    """The progress of work in several parts. It is not shown with `--json`. `unit`: what is counted."""
    if getattr(args, "json", False) or not sys.stderr.isatty():
        yield lambda *_: None
    else:
        with _Drawn(unit) as shown, redirect_stderr(shown):
            yield shown


@contextmanager
def bar(args: argparse.Namespace, name: str, unit: str = "frames") -> Iterator[Progress]:
    """The progress of work in one part."""
    with bars(args, unit) as progress:
        yield lambda done, total: progress(name, done, total)


def _text(at: _At, unit: str, now_s: float) -> str:
    if not at.total:
        return f"{at.name}: {at.done:,} {unit} so far"
    part = min(1.0, at.done / at.total)
    filled, spent_s = int(part * WIDTH), now_s - at.since_s
    left = f", {_clock(spent_s * (1 - part) / part)} left" if part and spent_s >= 1 else ""
    return f"{at.name} [{'#' * filled}{'-' * (WIDTH - filled)}] {part:4.0%}{left}"


def _clock(seconds: float) -> str:
    """A time as a person reads it: 0:05, 12:30, 1:02:03."""
    minutes, left = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{left:02}" if hours else f"{minutes}:{left:02}"
