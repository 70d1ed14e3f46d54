"""What the transmitter asks of the kernel: a punctual timer, real-time priority, locked memory. All may be refused."""

from __future__ import annotations

import ctypes
import gc
import os
import socket
from pathlib import Path

_libc = ctypes.CDLL(None, use_errno=True)
_PR_SET_TIMERSLACK = 29
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4
PRIORITY = 40


def ask_for_grants() -> dict[str, bool]:
    """Ask for all of it; which was granted."""
    grants = {"timer_slack": _libc.prctl(_PR_SET_TIMERSLACK, ctypes.c_ulong(1), 0, 0, 0) == 0}
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY))
        grants["real_time"] = True
    except OSError:
        grants["real_time"] = False
    grants["locked_memory"] = _libc.mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT) == 0
    gc.collect()
    gc.freeze()
    gc.disable()
    return grants


def listen(path: Path) -> socket.socket:
    """A listening Unix socket, mode 0600, whatever the length of its path. OSError where another listens there."""
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY)
    try:
        short = f"/proc/self/fd/{folder}/{path.name}"
        probe = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        with probe:
            try:
                probe.connect(short)
            except (FileNotFoundError, ConnectionRefusedError):
                path.unlink(missing_ok=True)
            else:
                raise OSError(f"another transmitter listens on {path}")
        listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        before = os.umask(0o177)
        try:
            listener.bind(short)
        finally:
            os.umask(before)
        listener.listen(2)
        listener.setblocking(False)
        return listener
    finally:
        os.close(folder)
