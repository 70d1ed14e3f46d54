"""The transmitter's side of sound: starts and restarts the sound process and exchanges messages with it."""

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
"""How long before a sound the process starts. The start takes seconds, and a skip may bring the sound earlier."""
AFTER_NS = MINUTE_NS
"""How long the process stays without sound. After that the device is free for others."""
RETRY_NS = tuple(seconds * SECOND_NS for seconds in (1, 1, 2, 4, 8, 15))
"""The waits between tries to start the process again. The last applies to all further tries."""
UNSENT_BYTES_MAX = 1 << 20
SILENT_NS = 12 * SECOND_NS
"""A process that is needed and sends nothing for this long hangs in its device."""
LEAVING_S = 3
"""The time in which a process must end after its socket closes. Then it is killed."""
DEVICE = "device"
ORDINARY = ("chrt", "--other", "0") if shutil.which("chrt") else ()
"""Gives up the transmitter's priority in the new program. Not sooner: the transmitter waits until that program runs."""
NULL = subprocess.DEVNULL

Trouble = Callable[[str, str, str], None]


class SoundClient:
    """Holds the plan, the neighbours' windows and the sound process.

    It calls `trouble` with kind, subject and text, once a second while a trouble stands.
    """

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
        """The id of the score that is heard now; None while nothing can be heard."""
        self.volume = 0.0
        """The level that is heard now, 0 to 1."""
        self._process: subprocess.Popen[bytes] | None = None
        self._leaving: list[tuple[subprocess.Popen[bytes], int]] = []
        self._unread, self._unsent = b"", b""
        self._tries = 0
        self._started = False
        self._retry_ns = self._needed_ns = self._received_ns = 0
        self._device_trouble: tuple[str, str] | None = None

    def play(self, score: Score, monotonic_ns: int) -> None:
        """Play a new score."""
        plan = plan_of(score)
        if plan.device != self.plan.device:
            self._disconnect()
        self.plan, self._score = plan, score
        self.maintain(monotonic_ns)
        self._send_plan()

    def set_windows(self, windows: Windows) -> None:
        """Obey new windows of the neighbours' hours."""
        self._windows = windows
        self._send_plan()

    def set_held(self, held: tuple[HeldWindow, ...]) -> None:
        """Obey the windows that hold. Called with every tick; sends them only after a change."""
        if held is not self._held:
            self._held = held
            self._send_plan()

    def shift_ns(self, segment: Segment, turn: int, monotonic_ns: int) -> int:
        """By how much the frames of a segment lead the score, to follow its sound."""
        path, picture = segment.sound_path, segment.picture
        key = None if path is None or picture is None else (path, picture.zero_ns, turn)
        return self.follower.shift_ns(key, monotonic_ns)

    def maintain(self, monotonic_ns: int) -> None:
        """Once a second: start or end the process as needed, and report a trouble that stands."""
        self._reap()
        if self.plan.heard_within(monotonic_ns - SECOND_NS, monotonic_ns + BEFORE_NS):
            self._needed_ns = monotonic_ns
            if self.sock is None and monotonic_ns >= self._retry_ns:
                self._start(monotonic_ns)
            if self.sock and monotonic_ns - self._received_ns > SILENT_NS:
                self._device_trouble = (self.plan.device or "sound device", "the sound device does not answer")
                self._disconnect()
            if self._device_trouble:
                self.trouble("sound", *self._device_trouble)
        elif monotonic_ns - self._needed_ns > AFTER_NS:
            self._device_trouble = None
            self._disconnect()
        self._send()

    def read(self, monotonic_ns: int) -> None:
        """Read from `sock`, which has something to read."""
        assert self.sock
        try:
            data = self.sock.recv(1 << 16)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self.restarts += 1
            self._disconnect()
            return
        self._received_ns = monotonic_ns
        *lines, self._unread = (self._unread + data).split(b"\n")
        for line in lines:
            self._handle(json.loads(line))

    def figures(self) -> dict[str, Any] | None:
        """The figures for telemetry; None if no process was ever needed."""
        if not self._started:
            return None
        shift_us = round(self.follower.last_ns / 1000)
        heard = {"heard_id": self.heard_id, "volume": self.volume}
        counted = {"starved": self.starved, "missed": self.missed, "restarts": self.restarts}
        return {"shift_us": shift_us, **heard, **counted}

    def close(self) -> None:
        """Let the sound fade out, without waiting."""
        self._disconnect()

    def wait(self) -> None:
        """Wait until the sound has faded out: a process that ends with the transmitter would cut it off."""
        for process, left_s in self._leaving:
            with suppress(subprocess.TimeoutExpired):
                process.wait(left_s)

    def _handle(self, message: dict[str, Any]) -> None:
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
        self._retry_ns = monotonic_ns + RETRY_NS[min(self._tries, len(RETRY_NS) - 1)]
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
            self.sock, self._unread, self._unsent, self._received_ns = ours, b"", b"", monotonic_ns
            self._send_plan()
        finally:
            theirs.close()

    def _send_plan(self) -> None:
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
                self._disconnect()
        if len(self._unsent) > UNSENT_BYTES_MAX:
            self._disconnect()

    def _disconnect(self) -> None:
        """Close the socket. The process then ends by itself."""
        if self.sock:
            self.sock.close()
            self.sock = None
            self.heard_id, self.volume = None, 0.0
        if self._process:
            self._leaving.append((self._process, LEAVING_S))
            self._process = None

    def _reap(self) -> None:
        """Forget processes that have ended. Kill those that take too long."""
        still = [(process, left_s - 1) for process, left_s in self._leaving if process.poll() is None]
        for process, left_s in still:
            if left_s <= 0:
                process.kill()
        self._leaving = still
