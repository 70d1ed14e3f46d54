"""A clock of software for the processes of one board (software_clock.c), which a real chronyd sets."""

from __future__ import annotations

import math
import struct
import subprocess
import time
from pathlib import Path

TOOLS = ("C headers", "gcc")
SOURCE = Path(__file__).with_suffix(".c")
_LAYOUT = struct.Struct("=Q4q3d7q")
"""struct clock of software_clock.c."""
_UNSYNCHRONISED, _PHASE_LIMIT_US = 0x40, 16_000_000


def built(folder: Path) -> Path:
    """The library that processes preload."""
    library = folder / "software_clock.so"
    subprocess.run(["gcc", "-std=gnu11", "-O2", "-shared", "-fPIC", "-o", library, SOURCE, "-lm"], check=True)
    return library


class SoftwareClock:
    """A clock that is `ahead_s` ahead of the machine's, and runs fast by `drift_ppm`, and by up to `wander_ppm` more or
    less within `period_s`. Nothing has synchronised it."""

    def __init__(
        self,
        folder: Path,
        library: Path,
        ahead_s: float = 0.0,
        drift_ppm: float = 0.0,
        wander_ppm: float = 0.0,
        period_s: float = 600.0,
    ) -> None:
        self.path = folder / "clock"
        monotonic_ns = time.monotonic_ns()
        ahead_ns = time.time_ns() - monotonic_ns + round(ahead_s * 1e9)
        oscillator = (drift_ppm, wander_ppm, period_s)
        errors = (_UNSYNCHRONISED, _PHASE_LIMIT_US, _PHASE_LIMIT_US, 0, 0)
        self.path.write_bytes(_LAYOUT.pack(0, monotonic_ns, 0, monotonic_ns, ahead_ns, *oscillator, 0, 10_000, *errors))
        self.environment = {"LD_PRELOAD": str(library), "SOFTWARE_CLOCK": str(self.path)}
        """For its processes."""

    def ahead_ns(self) -> int:
        """How far this clock is ahead of the machine's now."""
        fields = _LAYOUT.unpack(self.path.read_bytes())
        _, begin, base, monotonic, ahead, drift, wander, period, frequency, tick, *_ = fields
        now = time.monotonic_ns()
        elapsed, turn = now - begin, period * 1e9 / (2 * math.pi)
        oscillator = elapsed + (elapsed * drift + wander * turn * (1 - math.cos(elapsed / turn))) * 1e-6
        ppm = frequency / 65536 + (tick - 10_000) * 100
        passed = (oscillator - base) * (1 + ppm * 1e-6)
        return int(monotonic + passed) + ahead - now - (time.time_ns() - time.monotonic_ns())
