"""The transmitter's end of the sound: starts, tells and restarts the sound process, and hears from it. Never waits."""

from __future__ import annotations

import json
import os
import shutil
import socket
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from typing import Any

from gloaming.daemon.score.score import Score, Segment
from gloaming.daemon.score.windows import HeldWindow, Windows
from gloaming.daemon.transmitter.sound.follow import Follower
from gloaming.daemon.transmitter.sound.plan import SoundPlan, plan_of
from gloaming.daemon.transmitter.sound.quiet import quiet_of
from gloaming.shows.time_units import MINUTE_NS, SECOND_NS

BEFORE_NS = 600 * SECOND_NS
"""How long before a sound the process is started: a skip may bring it at any time, and a start takes seconds."""
AFTER_NS = MINUTE_NS
"""How long without sound it is kept: the device is then free for others."""
RETRY_NS = tuple(seconds * SECOND_NS for seconds in (1, 1, 2, 4, 8, 15))
"""Between tries to start it again; the last for every further one."""
UNSENT_BYTES_MAX = 1 << 20
SILENT_NS = 12 * SECOND_NS
"""A process that is needed and says nothing for so long hangs in its device."""
PATIENCE = 3
"""Seconds in which a process that is let go must have ended."""
DEVICE = "device"
ORDINARY = ("chrt", "--other", "0") if shutil.which("chrt") else ()
"""Gives up the transmitter's priority, yet only in the new program: one that had to wait for a turn before it was there
would hold up the transmitter, which waits for that."""
NULL = subprocess.DEVNULL

Trouble = Callable[[str, str, str], None]


class SoundClient:
    """Holds the plan, the neighbours' windows, and the process that plays. `trouble` is told kind, subject and text,
    anew while it stands."""

    def __init__(self, trouble: Trouble) -> None:
        self.trouble = trouble
        self.follower = Follower()
        self.plan = SoundPlan(None, (), ())
        self._score: Score | None = None
        self._windows: Windows | None = None
        self._held: tuple[HeldWindow, ...] = ()
        self.sock: socket.socket | None = None
        self.starved = self.missed = self.restarts = 0
        self.heard_id: int | None = None
        """The score by which the device plays what is heard now; None while nothing can be heard."""
        self.volume = 0.0
        """The level that is heard now."""
        self._process: subprocess.Popen[bytes] | None = None
        self._leaving: list[tuple[subprocess.Popen[bytes], int]] = []
        self._unread, self._unsent = b"", b""
        self._tries = 0
        self._started = False
        self._again_ns = self._needed_ns = self._said_ns = 0
        self._device_trouble: tuple[str, str] | None = None

    def play(self, score: Score, monotonic_ns: int) -> None:
        """A score has come."""
        plan = plan_of(score)
        if plan.device != self.plan.device:
            self._hang_up()
        self.plan, self._score = plan, score
        self.tend(monotonic_ns)
        self._tell()

    def hush(self, windows: Windows) -> None:
        """The neighbours' windows have come."""
        self._windows = windows
        self._tell()

    def hold(self, held: tuple[HeldWindow, ...]) -> None:
        """Which of the windows hold; told on where they are others than before."""
        if held is not self._held:
            self._held = held
            self._tell()

    def shift_ns(self, segment: Segment, turn: int, monotonic_ns: int) -> int:
        """By how much the frames of a segment lead the score, following its sound."""
        path, picture = segment.sound_path, segment.picture
        key = None if path is None or picture is None else (path, picture.zero_ns, turn)
        return self.follower.shift_ns(key, monotonic_ns)

    def tend(self, monotonic_ns: int) -> None:
        """Called once a second: start what is needed, let go what is not, say again what is wrong."""
        self._bury()
        if self.plan.heard_within(monotonic_ns - SECOND_NS, monotonic_ns + BEFORE_NS):
            self._needed_ns = monotonic_ns
            if self.sock is None and monotonic_ns >= self._again_ns:
                self._start(monotonic_ns)
            if self.sock and monotonic_ns - self._said_ns > SILENT_NS:
                self._device_trouble = (self.plan.device or "sound device", "the sound device does not answer")
                self._hang_up()
            if self._device_trouble:
                self.trouble("sound", *self._device_trouble)
        elif monotonic_ns - self._needed_ns > AFTER_NS:
            self._device_trouble = None
            self._hang_up()
        self._send()

    def read(self, monotonic_ns: int) -> None:
        """There is something to read from `sock`."""
        assert self.sock
        try:
            data = self.sock.recv(1 << 16)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self.restarts += 1
            self._hang_up()
            return
        self._said_ns = monotonic_ns
        *lines, self._unread = (self._unread + data).split(b"\n")
        for line in lines:
            self._hear(json.loads(line))

    def figures(self) -> dict[str, Any] | None:
        """For the telemetry: None where no sound has been wanted."""
        if not self._started:
            return None
        shift_us = round(self.follower.last_ns / 1000)
        heard = {"heard_id": self.heard_id, "volume": self.volume}
        counted = {"starved": self.starved, "missed": self.missed, "restarts": self.restarts}
        return {"shift_us": shift_us, **heard, **counted}

    def close(self) -> None:
        """Let the sound fade out."""
        self._hang_up()

    def wait(self) -> None:
        """Until the sound has faded out; whoever ends with the transmitter would cut it off."""
        for process, patience in self._leaving:
            with suppress(subprocess.TimeoutExpired):
                process.wait(patience)

    def _hear(self, message: dict[str, Any]) -> None:
        match message["op"]:
            case "heard" | "ready":
                self._device_trouble, self._tries = None, 0
                self.starved, self.volume, self.heard_id = message["starved"], message["volume"], message["id"]
                if message["op"] == "heard":
                    self.missed = message["missed"]
                    path, zero_ns, turn = message["key"]
                    key = (str(path), int(zero_ns), int(turn))
                    self.follower.heard(key, message["at_ns"], message["shift_ns"], message["slope"])
            case "trouble" if message.get(DEVICE):
                self._device_trouble = (message["subject"], message["text"])
                self.trouble("sound", *self._device_trouble)
            case "trouble":
                self.trouble("sound", message["subject"], message["text"])

    def _start(self, monotonic_ns: int) -> None:
        self._again_ns = monotonic_ns + RETRY_NS[min(self._tries, len(RETRY_NS) - 1)]
        self._tries += 1
        self._started = True
        ours, theirs = socket.socketpair()
        ours.setblocking(False)
        command = [*ORDINARY, sys.executable, "-m", "gloaming.daemon.transmitter.sound", str(theirs.fileno())]
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
        try:
            self._process = subprocess.Popen(
                command, pass_fds=(theirs.fileno(),), stdin=NULL, stdout=NULL, env=environment
            )
        except OSError as error:
            ours.close()
            self._device_trouble = ("sound", f"the sound process cannot be started: {error.strerror}")
        else:
            self.sock, self._unread, self._unsent, self._said_ns = ours, b"", b"", monotonic_ns
            self._tell()
        finally:
            theirs.close()

    def _tell(self) -> None:
        if self.sock:
            windows, score = self._windows, self._score
            quiet = quiet_of(windows, score, self._held).as_json() if windows and score else None
            message = {**self.plan.as_json(), "quiet": quiet, "lead": self.follower.lead}
            self._unsent += json.dumps(message).encode() + b"\n"
            self._send()

    def _send(self) -> None:
        if not self.sock or not self._unsent:
            return
        with suppress(BlockingIOError):
            try:
                self._unsent = self._unsent[self.sock.send(self._unsent) :]
            except (BrokenPipeError, ConnectionResetError):
                self._hang_up()
        if len(self._unsent) > UNSENT_BYTES_MAX:
            self._hang_up()

    def _hang_up(self) -> None:
        """Let the process go: it ends when it finds its line closed."""
        if self.sock:
            self.sock.close()
            self.sock = None
            self.heard_id, self.volume = None, 0.0
        if self._process:
            self._leaving.append((self._process, PATIENCE))
            self._process = None

    def _bury(self) -> None:
        """Processes that have ended are done with; one that hangs is killed."""
        still = [(process, patience - 1) for process, patience in self._leaving if process.poll() is None]
        for process, patience in still:
            if patience <= 0:
                process.kill()
        self._leaving = still
