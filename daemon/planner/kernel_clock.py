"""The kernel's clock: whether it is synchronised, how far it may be off (adjtimex(2)), and by which program."""

from __future__ import annotations

import ctypes
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from gloaming.shows.time_units import MINUTE_NS

SYNCHRONISED_FLAG = Path("/run/systemd/timesync/synchronized")
PROC, GROUPS = Path("/proc"), Path("/sys/fs/cgroup")
LOOK_NS = MINUTE_NS
"""The program is looked for once in this time: that reads a file of each process."""
PROGRAMS = {
    "phc2sys": ("phc2sys.service", "system-phc2sys.slice"),
    "chronyd": ("chrony.service", "chronyd.service"),
    "ntpd": ("ntpsec.service", "ntp.service", "openntpd.service"),
    "ptp4l": ("ptp4l.service", "system-ptp4l.slice"),
    "systemd-timesyncd": ("systemd-timesyncd.service",),
}
"""The programs that keep a clock, with their units in Debian. Of several, the first sets the clock: ptp4l and chronyd
may leave that to phc2sys."""
_STA_UNSYNC, _TIME_ERROR = 0x0040, 5
_COMM = 15
"""The kernel keeps this many characters of a process's name (proc(5))."""
_PHASE_LIMIT_US = 16_000_000
"""NTP_PHASE_LIMIT of the kernel: an error that nobody knows."""


class _Timex(ctypes.Structure):
    """struct timex (adjtimex(2)) as far as its status; modes 0 asks and changes nothing."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_long * 32),
    )


@dataclass(frozen=True, slots=True)
class KernelClock:
    """What the kernel says of its clock.

    `error_ns` is the most that the clock is off, `estimated_ns` what is likely. They are None where no program
    tells the kernel: systemd-timesyncd and phc2sys set 0 or nothing. `program` is None where none can be seen.
    """

    synchronised: bool = False
    error_ns: int | None = None
    estimated_ns: int | None = None
    program: str | None = None

    @property
    def error_ms(self) -> float | None:
        return None if self.error_ns is None else round(self.error_ns / 1e6, 1)


class KernelClockReader:
    """Reads the clock's state. Each reading is one system call; the program is looked for once a minute."""

    def __init__(self) -> None:
        self._libc = ctypes.CDLL(None, use_errno=True)
        self._program: str | None = None
        self._look_ns = 0

    def read(self) -> KernelClock:
        timex = _Timex()
        answer = self._libc.adjtimex(ctypes.byref(timex))
        if answer < 0:  # a sandbox may forbid it
            synchronised, known = SYNCHRONISED_FLAG.exists(), False
        else:
            synchronised = answer != _TIME_ERROR and not timex.status & _STA_UNSYNC
            known = synchronised and 0 < timex.esterror < _PHASE_LIMIT_US
        if not synchronised:
            self._look_ns = 0
            return KernelClock()
        if (now_ns := time.monotonic_ns()) >= self._look_ns:
            self._program, self._look_ns = clock_program(), now_ns + LOOK_NS
        if not known:
            return KernelClock(True, program=self._program)
        return KernelClock(True, timex.maxerror * 1000, timex.esterror * 1000, self._program)


def clock_program(proc: Path = PROC, groups: Path = GROUPS) -> str | None:
    """The program that keeps the machine's clock; None if none can be seen.

    A process is seen in /proc. The service on a board sees no processes of other users there (ProtectProc=), but the
    control groups of the units that run. It does not see a program that was started by hand, or by a container's host.
    """
    names = set()
    for process in proc.glob("[0-9]*/comm"):
        with suppress(OSError):  # it has ended
            names.add(process.read_text(errors="replace").rstrip("\n"))
    slices = (groups / "system.slice", groups / "systemd/system.slice")  # cgroup v2, and v1
    for program, units in PROGRAMS.items():
        if program[:_COMM] in names or any((each / unit).exists() for each in slices for unit in units):
            return program
    return None
