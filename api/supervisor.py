"""The supervisor: starts planner and transmitter, and starts again whichever dies. It imports little."""

from __future__ import annotations

import ctypes
import errno
import fcntl
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp

PR_SET_PDEATHSIG = 1
QUICK_S = 5.0
"""A child that dies sooner than this after its start waits before it is started again."""
WAIT_MAX_S = 10.0
STOP_S = 5.0
MISTAKE = 2
AGAIN = "GLOAMING_STARTED_AGAIN"
"""Tells a child that it has run before: what is wrong now has become so since, and may be put right."""
_libc = ctypes.CDLL(None)


class _Child:
    def __init__(self, name: str, command: list[str], environment: dict[str, str]) -> None:
        self.name, self.command, self.environment = name, command, environment
        self.process: subprocess.Popen[bytes] | None = None
        self.started_s = self.again_s = 0.0
        self.wait_s = 0.0
        self.restarts = -1

    def start(self) -> None:
        self.started_s = time.monotonic()
        self.restarts += 1
        parent = os.getpid()
        environment = {**self.environment, AGAIN: "1"} if self.restarts else self.environment
        self.process = subprocess.Popen(self.command, env=environment, preexec_fn=lambda: _die_with(parent))

    def died(self) -> None:
        """Decide when it is started again: at once, later and later where it keeps dying at once."""
        quick = time.monotonic() - self.started_s < QUICK_S
        self.wait_s = min(WAIT_MAX_S, max(0.25, self.wait_s * 2)) if quick and self.restarts else 0.0
        self.again_s = time.monotonic() + self.wait_s
        self.process = None


def _die_with(parent: int) -> None:
    """In the child: a new group, so that Ctrl-C reaches the supervisor alone, and its end is the child's."""
    os.setpgid(0, 0)
    _libc.prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
    if os.getppid() != parent:
        os._exit(1)


class Supervisor:
    """Runs a site's two processes. `say` is told of every restart; `parting` is called when the transmitter has ended
    and the planner has not, for whoever wants its last word. OSError where another supervisor has the state folder."""

    def __init__(
        self,
        site: Path,
        state: Path,
        clock_offset_ns: int | None = None,
        listen: str | None = None,
        say: Callable[[str], None] = lambda text: print(text, file=sys.stderr, flush=True),
        parting: Callable[[], None] = lambda: None,
    ) -> None:
        self.state, self.say, self.parting = state, say, parting
        state.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._lock = _lock(state)
        self.meeting = meeting = _meeting_place(state)
        environment = {
            **os.environ,
            "OPENBLAS_NUM_THREADS": "1",  # no linear algebra here: its threads would only take memory
            "MALLOC_ARENA_MAX": "2",
        }
        if clock_offset_ns is not None:
            environment["GLOAMING_CLOCK_OFFSET_NS"] = str(clock_offset_ns)
        python = [sys.executable, "-m"]
        planner = [*python, "gloaming.api.serve", str(site), "--state", str(state)]
        planner += ["--transmitter", str(meeting)]
        self.transmitter = _Child("transmitter", [*python, "gloaming.daemon.transmitter", str(meeting)], environment)
        self.planner = _Child("planner", [*planner, *(["--listen", listen] if listen else [])], environment)
        self.stopping = False

    def run(self) -> int:
        """Start both, keep both running until `stop` is called, end both; the exit code."""
        for child in (self.transmitter, self.planner):
            child.start()
        code = self._keep()
        _end(self.transmitter)
        self.parting()
        _end(self.planner)
        if self.meeting.parent != self.state:
            rmtree(self.meeting.parent, ignore_errors=True)  # of memory: it is gone with the power at the latest
        return code

    def stop(self) -> None:
        """Have `run` end; safe in a signal handler. The transmitter ends first: it goes black and ends its streams."""
        self.stopping = True

    def reload(self) -> None:
        """Have the planner read the site again; safe in a signal handler."""
        if process := self.planner.process:
            process.send_signal(signal.SIGHUP)

    def _keep(self) -> int:
        while not self.stopping:
            for child in (self.transmitter, self.planner):
                if child.process is None:
                    if time.monotonic() >= child.again_s:
                        child.start()
                elif (code := child.process.poll()) is not None:
                    if code == MISTAKE and not child.restarts:
                        return MISTAKE
                    with suppress(OSError):  # a full disk, or nobody reads any more: the show goes on
                        self.say(f"the {child.name} ended ({code}); it is started again")
                    child.died()
            time.sleep(0.05)
        return 0


def _lock(state: Path) -> int | None:
    """The state folder, held until this process ends: two shows on one state would end each other's. OSError.
    None where the folder may not be read: then neither show has a state."""
    try:
        handle = os.open(state, os.O_RDONLY | os.O_DIRECTORY)
    except PermissionError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise OSError(errno.EBUSY, "another `gloaming run` plays with this state folder") from None
    return handle


def _meeting_place(state: Path) -> Path:
    """The socket of both: in the state folder; where that takes nothing, in a folder of memory."""
    probe = state / f".probe-{os.getpid()}"
    try:
        probe.touch()
        probe.unlink()
    except OSError:
        memory = Path("/dev/shm")
        return Path(mkdtemp(prefix="gloaming-", dir=memory if memory.is_dir() else None)) / "transmitter.sock"
    return state / "transmitter.sock"


def _end(child: _Child) -> None:
    """End a child that runs: by asking, then by force."""
    process = child.process
    if process is None:
        return
    process.terminate()
    try:
        process.wait(STOP_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
