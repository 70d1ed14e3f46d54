"""Requests to the kernel: an exact timer, real-time priority or a short time slice, locked memory.

The kernel may refuse each of them.
"""

from __future__ import annotations

import ctypes
import gc
import os
import socket
import sys
from pathlib import Path

_libc = ctypes.CDLL(None, use_errno=True)
_PR_SET_TIMERSLACK = 29
_MCL_CURRENT, _MCL_FUTURE, _MCL_ONFAULT = 1, 2, 4
PRIORITY = 40
PRIORITY_READER = 30
"""For the threads that read files: nothing else may delay them while they hold the interpreter's lock."""
SWITCH_S = 0.0002
_SCHED_SETATTR = {"x86_64": 314, "aarch64": 274, "armv7l": 380, "riscv64": 274}
"""The number of the system call (asm/unistd.h of each machine). The C library has the call from glibc 2.41 on."""
SLICE_NS = 100_000
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
_KEPT_BYTES = 32 << 20


class _SchedAttr(ctypes.Structure):
    """struct sched_attr, as sched_setattr(2) has it: 48 bytes."""

    _fields_ = (
        ("size", ctypes.c_uint32),
        ("policy", ctypes.c_uint32),
        ("flags", ctypes.c_uint64),
        ("nice", ctypes.c_int32),
        ("priority", ctypes.c_uint32),
        ("runtime", ctypes.c_uint64),
        ("deadline", ctypes.c_uint64),
        ("period", ctypes.c_uint64),
    )


def ask_for_short_slice() -> bool:
    """Ask for time slices of 0.1 ms, for a process without real-time priority: it then interrupts others sooner.

    Needs no right. Older kernels than Linux 6.12 accept and ignore it, so this reads the value back.
    """
    number = _SCHED_SETATTR.get(os.uname().machine)
    if number is None:
        return False
    attr = _SchedAttr(size=ctypes.sizeof(_SchedAttr), policy=os.SCHED_OTHER, nice=os.nice(0), runtime=SLICE_NS)
    if _libc.syscall(number, 0, ctypes.byref(attr), 0) != 0:
        return False
    granted = _SchedAttr()
    asked = _libc.syscall(number + 1, 0, ctypes.byref(granted), ctypes.sizeof(granted), 0) == 0
    return bool(asked and granted.runtime == SLICE_NS)


def ask_for_grants() -> dict[str, bool]:
    """Ask for all of them. Returns what the kernel granted.

    The allocator keeps freed memory (mallopt(3)): to return and fetch memory with every chunk costs page faults.
    """
    if hasattr(_libc, "mallopt"):
        _libc.mallopt(_M_ARENA_MAX, 1)
        _libc.mallopt(_M_MMAP_THRESHOLD, _KEPT_BYTES)
        _libc.mallopt(_M_TRIM_THRESHOLD, 2 * _KEPT_BYTES)
    sys.setswitchinterval(SWITCH_S)
    grants = {"timer_slack": _libc.prctl(_PR_SET_TIMERSLACK, ctypes.c_ulong(1), 0, 0, 0) == 0}
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(PRIORITY))
        grants["real_time"] = True
    except OSError:
        grants["real_time"] = False
        grants["short_slice"] = ask_for_short_slice()
    grants["locked_memory"] = _libc.mlockall(_MCL_CURRENT | _MCL_FUTURE | _MCL_ONFAULT) == 0
    gc.collect()
    gc.freeze()
    gc.disable()
    return grants


def follow_grants(grants: dict[str, bool]) -> None:
    """For the start of a thread: a priority just below the main thread's, or a short time slice."""
    if grants["real_time"]:
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY_READER))
    else:
        ask_for_short_slice()


def listen(path: Path) -> socket.socket:
    """A listening Unix socket, mode 0600. Its path may be of any length. OSError if another process listens there."""
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
