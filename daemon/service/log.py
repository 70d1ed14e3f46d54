"""What a process tells the service's log: a line each, with a level and fields, by journald's own protocol
(systemd.io/JOURNAL_NATIVE_PROTOCOL). What repeats is said once a minute at the most, with how often it was.

Without journald (a terminal, the demonstration) complaints alone are said, on standard error. Nothing here ever waits.
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
"""So many lines of one kind pass in that time, however different they are."""
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
"""The level of a line of the journal by its kind; INFO for the others."""
_NO_NAME = re.compile(r"[^A-Z0-9_]")
_DIGITS = re.compile(r"\d+")


class Rate:
    """Lets so many pass within some seconds."""

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
        """Whether the one that passed last was the last for a while."""
        return len(self._passed) >= self._most


class Seldom:
    """Lets one line pass in a minute of those that are alike, and so many of a bounded kind; counts the rest."""

    def __init__(self, of_a_kind: int = OF_A_KIND) -> None:
        self._passed: dict[tuple[str, ...], tuple[float, int]] = {}
        self._kinds: defaultdict[str, Rate] = defaultdict(lambda: Rate(of_a_kind, SELDOM_S))
        self._held: Counter[str] = Counter()

    def passes(self, alike: tuple[str, ...], at_s: float, bounded: bool = True) -> int | None:
        """How many were held back since the last that passed; None where this one is. A line's kind comes first."""
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
    """A line that passed, with how many were held back before it."""
    return f"{text} ({held} more like it since the last)" if held else text


def datagram(fields: Mapping[str, object]) -> bytes:
    """A line in the native protocol: `NAME=value`; where the value has line breaks: the name, its length, the value."""
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
    """One a process. Silent until it is opened."""

    def __init__(self, now_s: Callable[[], float] = time.monotonic) -> None:
        self._now_s = now_s
        self._name = ""
        self._socket: socket.socket | None = None
        self._path = SOCKET
        self._seldom = Seldom()
        self._lost = 0

    def open(self, name: str, journald: bool | None = None, path: str = SOCKET) -> None:
        """Begin, as a process of some name."""
        self._name, self._path = name, path
        if journald_listens() if journald is None else journald:
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)

    def line(
        self, kind: str, text: str, who: str = "", data: Mapping[str, object] | None = None, level: int | None = None
    ) -> None:
        """A line of the journal, for journald alone; its level is that of its kind unless it is given."""
        if self._socket:
            data = data or {}
            level = NOTICE if data.get("over") else LEVELS.get(kind, INFO) if level is None else level
            self._say(level, text, {**data, "kind": kind, "who": who or None}, (kind, _DIGITS.sub("0", text)))

    def complain(self, text: str, level: int = WARNING, kind: str = "program", alike: str | None = None) -> None:
        """What somebody has to see who looks after the process; lines that are `alike` count as one that repeats."""
        self._say(level, text, {"kind": kind}, (kind, alike or text))

    def _say(self, level: int, text: str, about: Mapping[str, object], alike: tuple[str, ...]) -> None:
        held = self._seldom.passes(
            alike, self._now_s(), bounded=level < INFO
        )  # people and pieces may say what they like
        if held is None:
            return
        text = with_count(text[:TEXT_MAX], held)
        if self._socket is None:
            if self._name:
                with suppress(OSError):  # a full disk, or nobody reads any more: what is done is done all the same
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
            self._lost += 1  # journald is busy or gone: the next line that it takes says how many it has missed


LOG = ServiceLog()


class Complaints(logging.Handler):
    """What the libraries log, and what nobody caught: lines alike are those from one place in the code."""

    def emit(self, record: logging.LogRecord) -> None:
        level = ERROR if record.levelno >= logging.ERROR else WARNING
        LOG.complain(self.format(record), level, alike=f"{record.name} {record.msg}")


def open_log(name: str) -> None:
    """Begin a process's log, and have all that is logged in Python go there, warnings and worse."""
    LOG.open(name)
    logging.basicConfig(level=logging.WARNING, format="%(message)s", handlers=[Complaints()], force=True)
    sys.excepthook = lambda kind, error, trace: logging.getLogger(name).critical("ended", exc_info=(kind, error, trace))
