"""The supervisor: starts planner and transmitter, and restarts whichever dies. It imports little."""

from __future__ import annotations

import ctypes
import errno
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

from gloaming.daemon.service.state_lock import lock_state

PR_SET_PDEATHSIG = 1
QUICK_S = 5.0
"""A child that dies sooner than this after its start waits before its restart."""
WAIT_MAX_S = 10.0
STOP_S = 5.0
EXIT_CONFIG_ERROR = 2
RESTARTED = "GLOAMING_RESTARTED"
"""In the environment of a child that has run before. A mistake in its files is new then, and may be corrected."""
_libc = ctypes.CDLL(None)


class _Child:
    def __init__(self, name: str, command: list[str], environment: dict[str, str]) -> None:
        self.name, self.command, self.environment = name, command, environment
        self.process: subprocess.Popen[bytes] | None = None
        self.started_s = self.restart_s = 0.0
        self.wait_s = 0.0
        self.restarts = -1

    def start(self) -> None:
        self.started_s = time.monotonic()
        self.restarts += 1
        parent = os.getpid()
        environment = {**self.environment, RESTARTED: "1"} if self.restarts else self.environment
        self.process = subprocess.Popen(self.command, env=environment, preexec_fn=lambda: _die_with(parent))

    def died(self) -> None:
        """Set the time of the restart: at once, or after a doubled wait if the child keeps dying soon."""
        quick = time.monotonic() - self.started_s < QUICK_S
        self.wait_s = min(WAIT_MAX_S, max(0.25, self.wait_s * 2)) if quick and self.restarts else 0.0
        self.restart_s = time.monotonic() + self.wait_s
        self.process = None


def _die_with(parent: int) -> None:
    """Run in the child: Ctrl-C reaches only the supervisor, and when the supervisor ends, the child ends."""
    os.setpgid(0, 0)
    _libc.prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
    if os.getppid() != parent:
        os._exit(1)


class Supervisor:
    """Runs a site's two processes. `report` gets a line for each restart. `between_ends` is called after the end of the
    transmitter and before that of the planner. OSError where another supervisor uses the state folder."""

    def __init__(
        self,
        site: Path,
        state: Path,
        clock_offset_ns: int | None = None,
        listen: str | None = None,
        report: Callable[[str], None] = lambda text: print(text, file=sys.stderr, flush=True),
        between_ends: Callable[[], None] = lambda: None,
    ) -> None:
        self.state, self.report, self.between_ends = state, report, between_ends
        state.mkdir(parents=True, exist_ok=True, mode=0o700)
        self._lock = _lock(state)
        self.socket_path = _socket_path(state)
        environment = {
            **os.environ,
            "OPENBLAS_NUM_THREADS": "1",  # the program uses no linear algebra: its threads would only take memory
            "MALLOC_ARENA_MAX": "2",
        }
        if clock_offset_ns is not None:
            environment["GLOAMING_CLOCK_OFFSET_NS"] = str(clock_offset_ns)
        python = [sys.executable, "-m"]
        planner = [*python, "gloaming.api.serve", str(site), "--state", str(state)]
        planner += ["--transmitter", str(self.socket_path)]
        transmitter = [*python, "gloaming.daemon.transmitter", str(self.socket_path)]
        self.transmitter = _Child("transmitter", transmitter, environment)
        self.planner = _Child("planner", [*planner, *(["--listen", listen] if listen else [])], environment)
        self.stopping = False

    def run(self) -> int:
        """Start both, restart what dies until `stop` is called, end both; the exit code."""
        for child in (self.transmitter, self.planner):
            child.start()
        code = self._supervise()
        _end(self.transmitter)
        self.between_ends()
        _end(self.planner)
        if self.socket_path.parent != self.state:
            rmtree(self.socket_path.parent, ignore_errors=True)  # a folder in memory
        return code

    def stop(self) -> None:
        """End `run`; safe in a signal handler. The transmitter ends first: it sends black and ends its streams."""
        self.stopping = True

    def reload(self) -> None:
        """Make the planner read the site again; safe in a signal handler."""
        if process := self.planner.process:
            process.send_signal(signal.SIGHUP)

    def _supervise(self) -> int:
        while not self.stopping:
            for child in (self.transmitter, self.planner):
                if child.process is None:
                    if time.monotonic() >= child.restart_s:
                        child.start()
                elif (code := child.process.poll()) is not None:
                    if code == EXIT_CONFIG_ERROR and not child.restarts:
                        return EXIT_CONFIG_ERROR
                    with suppress(OSError):  # the disk is full, or the terminal is closed: the show goes on
                        self.report(f"the {child.name} ended ({code}) and is restarted")
                    child.died()
            time.sleep(0.05)
        return 0


def _lock(state: Path) -> int | None:
    """Lock the state folder until this process ends. OSError where another show uses it."""
    try:
        return lock_state(state)
    except BlockingIOError:
        raise OSError(errno.EBUSY, "another `gloaming run` uses this state folder") from None


def _socket_path(state: Path) -> Path:
    """The path of the transmitter's socket: in the state folder, or in memory where that cannot be written."""
    probe = state / f".probe-{os.getpid()}"
    try:
        probe.touch()
        probe.unlink()
    except OSError:
        memory = Path("/dev/shm")
        return Path(mkdtemp(prefix="gloaming-", dir=memory if memory.is_dir() else None)) / "transmitter.sock"
    return state / "transmitter.sock"


def _end(child: _Child) -> None:
    """End a child with SIGTERM, after `STOP_S` with SIGKILL."""
    process = child.process
    if process is None:
        return
    process.terminate()
    try:
        process.wait(STOP_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
