"""The board's own figures, and the troubles that they show."""

from __future__ import annotations

import os
import resource
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from gloaming.daemon.planner.troubles import Trouble, TroubleCode

HOT_C = 80.0
"""Common practice, no source: small boards slow down from about 80 degrees."""
DISK_FREE_SHARE, DISK_FREE_BYTES = 0.03, 100 << 20
MEMORY_FREE_SHARE = 0.05
SECTOR_BYTES = 512
WORN = 9
"""A card with this step of wear is worn (JEDEC eMMC life_time: 1 is up to 10 % used, 11 is beyond its life)."""


@dataclass(frozen=True, slots=True)
class BoardHealth:
    """Figures of the machine; None where it has none."""

    temperature_c: float | None
    disk_free_bytes: int | None
    disk_bytes: int | None
    memory_free_bytes: int | None
    memory_bytes: int | None
    own_memory_bytes: int
    written_bytes: int | None
    own_written_bytes: int | None
    wear_steps: int | None
    open_files: int


def read_board(state: Path) -> BoardHealth:
    """The machine's figures now. Disk and wear are those of the card with `state`."""
    memory = _memory()
    disk = _disk(state)
    device = _device(state)
    return BoardHealth(
        temperature_c=_temperature(),
        disk_free_bytes=disk[0] if disk else None,
        disk_bytes=disk[1] if disk else None,
        memory_free_bytes=memory.get("MemAvailable"),
        memory_bytes=memory.get("MemTotal"),
        own_memory_bytes=_own_memory(),
        written_bytes=_written(device) if device else None,
        own_written_bytes=_own_written(),
        wear_steps=_wear(device) if device else None,
        open_files=_open_files(),
    )


def troubles_of(board: BoardHealth) -> list[Trouble]:
    """The troubles that a board's figures show."""
    found: list[Trouble] = []
    if board.temperature_c is not None and board.temperature_c >= HOT_C:
        found.append(Trouble(TroubleCode.TEMPERATURE, "board", f"the board has {board.temperature_c:.0f} degrees"))
    if board.disk_free_bytes is not None and board.disk_bytes:
        least = min(DISK_FREE_BYTES, DISK_FREE_SHARE * board.disk_bytes)
        if board.disk_free_bytes < least:
            found.append(Trouble(TroubleCode.DISK_FULL, "room", f"the card has {board.disk_free_bytes >> 20} MB left"))
    free, whole = board.memory_free_bytes, board.memory_bytes
    if free is not None and whole and free < MEMORY_FREE_SHARE * whole:
        found.append(Trouble(TroubleCode.MEMORY, "board", f"the board has {free >> 20} MB of memory left"))
    if board.wear_steps is not None and board.wear_steps >= WORN:
        found.append(
            Trouble(TroubleCode.WEAR, "card", f"the card has used {min(100, board.wear_steps * 10)} % of its life")
        )
    return found


def _number(path: Path) -> float | None:
    with suppress(OSError, ValueError, IndexError):
        return float(path.read_text().split()[0])
    return None


def _temperature() -> float | None:
    zones = [_number(zone) for zone in Path("/sys/class/thermal").glob("thermal_zone*/temp")]
    known = [zone / 1000 for zone in zones if zone is not None]
    return max(known) if known else None


def _disk(state: Path) -> tuple[int, int] | None:
    try:
        found = os.statvfs(state)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize, found.f_blocks * found.f_frsize


def _memory() -> dict[str, int]:
    found: dict[str, int] = {}
    with suppress(OSError, ValueError):
        for line in Path("/proc/meminfo").read_text().splitlines():
            name, _, rest = line.partition(":")
            if name in ("MemTotal", "MemAvailable"):
                found[name] = int(rest.split()[0]) * 1024
    return found


def _own_memory() -> int:
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def _own_written() -> int | None:
    with suppress(OSError, ValueError):
        for line in Path("/proc/self/io").read_text().splitlines():
            if line.startswith("write_bytes:"):
                return int(line.split()[1])
    return None


def _device(state: Path) -> Path | None:
    """The block device that the state lies on, in /sys."""
    with suppress(OSError):
        number = state.stat().st_dev
        found = Path(f"/sys/dev/block/{os.major(number)}:{os.minor(number)}")
        if found.exists():
            found = found.resolve()
            return found.parent if (found / "partition").exists() else found
    return None


def _written(device: Path) -> int | None:
    with suppress(OSError, ValueError, IndexError):
        return int((device / "stat").read_text().split()[6]) * SECTOR_BYTES
    return None


def _wear(device: Path) -> int | None:
    with suppress(OSError, ValueError, IndexError):
        return max(int(step, 16) for step in (device / "device/life_time").read_text().split())
    return None


def _open_files() -> int:
    try:
        return len(os.listdir("/proc/self/fd"))  # noqa: PTH208  # only the number counts
    except OSError:
        return 0
