"""The service's log: lines with a level and fields, by journald's own protocol (systemd.io/JOURNAL_NATIVE_PROTOCOL).

A line that repeats is logged once a minute at most, with a count. Without journald (a terminal, the demonstration)
only complaints are logged, to standard error. Nothing here waits.
"""

from __future__ import annotations

import logging
import os
import re
import socket
import struct
import sys
import time
from collections import Counter, defaultdict, deque
from collections.abc import Callable, Mapping
from contextlib import suppress

ERROR, WARNING, NOTICE, INFO = 3, 4, 5, 6
"""Levels, as in syslog(3)."""
SELDOM_S = 60.0
OF_A_KIND = 30
"""The most lines of one kind in SELDOM_S, even if all differ."""
KINDS_MAX = 1000
TEXT_MAX = 16_384
SOCKET = "/run/systemd/journal/socket"
LEVELS = {
    "fault": ERROR,
    "trouble": WARNING,
    "restart": WARNING,
    "state": WARNING,
    "start": NOTICE,
    "clock": NOTICE,
    "site": NOTICE,
}
"""The level of a journal line by its kind. Other kinds have INFO."""
_NO_NAME = re.compile(r"[^A-Z0-9_]")
_DIGITS = re.compile(r"\d+")


class Rate:
    """Lets at most so many events pass within some seconds."""

    def __init__(self, most: int, within_s: float) -> None:
        self._most, self._within_s = most, within_s
        self._passed: deque[float] = deque()

    def passes(self, at_s: float) -> bool:
        while self._passed and at_s - self._passed[0] >= self._within_s:
            self._passed.popleft()
        if self.used_up:
            return False
        self._passed.append(at_s)
        return True

    @property
    def used_up(self) -> bool:
        """Whether the next event must wait."""
        return len(self._passed) >= self._most


class Seldom:
    """Lets one of several like lines pass in a minute, and a bounded number of each kind. Counts the rest."""

    def __init__(self, of_a_kind: int = OF_A_KIND) -> None:
        self._passed: dict[tuple[str, ...], tuple[float, int]] = {}
        self._kinds: defaultdict[str, Rate] = defaultdict(lambda: Rate(of_a_kind, SELDOM_S))
        self._held: Counter[str] = Counter()

    def passes(self, alike: tuple[str, ...], at_s: float, bounded: bool = True) -> int | None:
        """How many like lines were held back since the last one; None if this one is held back too.

        `alike` begins with the kind of the line.
        """
        kind = alike[0]
        passed_s, held = self._passed.get(alike, (at_s - SELDOM_S, 0))
        if at_s - passed_s < SELDOM_S:
            self._passed[alike] = passed_s, held + 1
            return None
        if bounded and not self._kinds[kind].passes(at_s):
            self._held[kind] += 1
            return None
        if len(self._passed) >= KINDS_MAX:
            self._passed = {one: was for one, was in self._passed.items() if at_s - was[0] < SELDOM_S}
        self._passed[alike] = at_s, 0
        return held + self._held.pop(kind, 0)


def with_count(text: str, held: int) -> str:
    """The text, with the number of lines that were held back before it."""
    return f"{text} ({held} more like it since the last)" if held else text


def datagram(fields: Mapping[str, object]) -> bytes:
    """An entry in the native protocol: `NAME=value`, or name, length and value if the value has line breaks."""
    parts: list[bytes] = []
    for name, value in fields.items():
        data = str(value).encode(errors="replace")
        if b"\n" in data:
            parts.append(name.encode() + b"\n" + struct.pack("<Q", len(data)) + data + b"\n")
        else:
            parts.append(name.encode() + b"=" + data + b"\n")
    return b"".join(parts)


def journald_listens(environment: Mapping[str, str] = os.environ) -> bool:
    """Whether standard error is a stream to journald: JOURNAL_STREAM names its device and inode (systemd.exec(5))."""
    device, _, inode = environment.get("JOURNAL_STREAM", "").partition(":")
    found = os.fstat(2)
    return (device, inode) == (str(found.st_dev), str(found.st_ino))


class ServiceLog:
    """The log of a process. It logs nothing before `open`."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._name = ""
        self._socket: socket.socket | None = None
        self._path = SOCKET
        self._seldom = Seldom()
        self._lost = 0

    def open(self, name: str, journald: bool | None = None, path: str = SOCKET) -> None:
        """Begin to log under a name. Without `journald` the function finds out by itself."""
        self._name, self._path = name, path
        if journald_listens() if journald is None else journald:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)

    def line(
        self, kind: str, text: str, who: str = "", data: Mapping[str, object] | None = None, level: int | None = None
    ) -> None:
        """Log a line of the journal, to journald only. The level comes from the kind unless given."""
        if self._socket:
            data = data or {}
            level = NOTICE if data.get("over") else LEVELS.get(kind, INFO) if level is None else level
            self._say(level, text, {**data, "kind": kind, "who": who or None}, (kind, _DIGITS.sub("0", text)))

    def complain(self, text: str, level: int = WARNING, kind: str = "program", alike: str | None = None) -> None:
        """Log what the person who looks after the process must see. Lines with the same `alike` are repeats."""
        self._say(level, text, {"kind": kind}, (kind, alike or text))

    def _say(self, level: int, text: str, about: Mapping[str, object], alike: tuple[str, ...]) -> None:
        bounded = level < INFO  # lines about people's commands and pieces have no bound
        held = self._seldom.passes(alike, self._now_s(), bounded)
        if held is None:
            return
        text = with_count(text[:TEXT_MAX], held)
        if self._socket is None:
            if self._name:
                with suppress(OSError):  # the disk is full or nobody reads: the process goes on
                    print(text, file=sys.stderr, flush=True)
            return
        named = {f"GLOAMING_{_NO_NAME.sub('_', key.upper())}": value for key, value in about.items()}
        more = {key: value for key, value in named.items() if isinstance(value, str | int | float)}
        lost = {"GLOAMING_LOST": self._lost} if self._lost else {}
        head = {"MESSAGE": text, "PRIORITY": level, "SYSLOG_IDENTIFIER": self._name}
        try:
            self._socket.sendto(datagram({**head, **more, **lost}), self._path)
            self._lost = 0
        except OSError:
            self._lost += 1  # journald is busy or gone: the next line that it takes has the count


LOG = ServiceLog()


class Complaints(logging.Handler):
    """Logs what libraries log, and uncaught exceptions. Messages from one place in the code are repeats."""

    def emit(self, record: logging.LogRecord) -> None:
        level = ERROR if record.levelno >= logging.ERROR else WARNING
        LOG.complain(self.format(record), level, alike=f"{record.name} {record.msg}")


def open_log(name: str) -> None:
    """Open the log of this process and send warnings and errors of all Python loggers to it."""
    LOG.open(name)
    logging.basicConfig(level=logging.WARNING, format="%(message)s", handlers=[Complaints()], force=True)
    sys.excepthook = lambda kind, error, trace: logging.getLogger(name).critical("ended", exc_info=(kind, error, trace))
