"""What the transmitter asks of the kernel: a punctual timer, real-time priority or else a short slice, locked memory.

All may be refused.
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
"""The threads that read hold the interpreter's lock now and then, so they must not be kept waiting with it."""
SWITCH_S = 0.0002
_SCHED_SETATTR = {"x86_64": 314, "aarch64": 274, "armv7l": 380, "riscv64": 274}
"""The system call's number (asm/unistd.h of each); the C library has it from glibc 2.41 on only."""
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
    """Without real-time priority: run in slices of 0.1 ms, so that whoever computes is interrupted at once for a frame.

    Anybody may ask (Linux 6.12 and newer; what is older takes it and does nothing, which the kernel's answer tells).
    """
    number = _SCHED_SETATTR.get(os.uname().machine)
    if number is None:
        return False
    attr = _SchedAttr(size=ctypes.sizeof(_SchedAttr), policy=os.SCHED_OTHER, nice=os.nice(0), runtime=SLICE_NS)
    if _libc.syscall(number, 0, ctypes.byref(attr), 0) != 0:
        return False
    heard = _SchedAttr()
    asked = _libc.syscall(number + 1, 0, ctypes.byref(heard), ctypes.sizeof(heard), 0) == 0
    return bool(asked and heard.runtime == SLICE_NS)


def ask_for_grants() -> dict[str, bool]:
    """Ask for all of it; which was granted.

    Memory that is given back and asked for again with every chunk costs page faults, which wait for each other's locks;
    so the allocator keeps what it has (mallopt(3)).
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
    """At the start of a thread: a little below the main thread where that is granted, else beside it."""
    if grants["real_time"]:
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(PRIORITY_READER))
    else:
        ask_for_short_slice()


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
