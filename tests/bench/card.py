"""`python -m tests.bench.card [MINUTES]`: how much a day's running writes to the card, as root.

Two boards at once for so many minutes (60), by the machine's clock, each with its state on an ext4 disk of its own:
one rests, one is in an evening of pieces of three minutes and gaps of four seconds, with an override every quarter of
an hour. Printed as MiB a day, of 18.5 hours of rest and 5.5 hours of evening: what the processes wrote to
files, and what reached the disk, the file system's own journal included.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from gloaming.daemon.planner.health import SECTOR_BYTES
from tests.bench.growth import size
from tests.daemon import numbered
from tests.daemon.broken_evening import Broken, broken_evening

REST_H, EVENING_H = 18.5, 5.5
PIECES = {"tide": 180 * numbered.FPS, "lanterns": 170 * numbered.FPS}
ASK_S = 900.0
SETTLE_S = 60.0
"""The start is not an hour's running."""


@contextmanager
def ext4(folder: Path, options: str = "errors=continue") -> Iterator[tuple[Path, Path]]:
    """A disk of 64 MB with a file system of its own: where it is mounted, and its figures in /sys."""
    image, disk = folder / "image", folder / "disk"
    disk.mkdir()
    with image.open("wb") as file:
        file.truncate(64 << 20)
    now = ["-E", "lazy_itable_init=0,lazy_journal_init=0"]
    subprocess.run(["mkfs.ext4", "-q", *now, str(image)], check=True)
    device = subprocess.run(
        ["losetup", "--find", "--show", str(image)], check=True, capture_output=True, text=True
    ).stdout.strip()
    try:
        subprocess.run(["mount", "-o", f"noatime,{options}", device, str(disk)], check=True)
        try:
            yield disk, Path("/sys/block") / Path(device).name / "stat"
        finally:
            subprocess.run(["umount", str(disk)], check=True)
    finally:
        subprocess.run(["losetup", "--detach", device], check=True)


@contextmanager
def board(folder: Path, address: str, from_h: int, to_h: int) -> Iterator[tuple[Broken, Path]]:
    """A board whose performance is from so many hours before now to so many after."""
    folder.mkdir()
    now = datetime.now(ZoneInfo("Europe/London"))
    opens, closes = (f"{now + timedelta(hours=hours):%H:%M}" for hours in (from_h, to_h))
    performance, more = f'from = "{opens}"\nto = "{closes}"', '[clock]\ntrust = "plausible"\n'
    site = {"performance": performance, "more": more, "dark": False}
    with ext4(folder) as (disk, figures), broken_evening(folder, address, start=False, moved=False, **site) as broken:
        text = broken.folder / "site.toml"
        text.write_text(text.read_text().replace("[[performance]]", 'gap = "4 s"\n\n[[performance]]', 1))
        broken.evening.state.symlink_to(disk)
        with broken.evening.running():
            broken.evening.now()
            yield broken, figures


def written(broken: Broken, figures: Path) -> tuple[float, float]:
    """MiB by the processes, and MiB that reached the disk."""
    subprocess.run(["sync", "-f", str(broken.evening.state)], check=True)
    by_process = sum(size(broken.evening.pid(name)).written_mib for name in ("planner", "transmitter"))
    return by_process, int(figures.read_text().split()[6]) * SECTOR_BYTES / (1 << 20)


def main() -> None:
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    numbered.PIECES.update(PIECES)
    with (
        tempfile.TemporaryDirectory() as folder,
        board(Path(folder) / "rest", "127.0.74.62", 10, 12) as rest,
        board(Path(folder) / "evening", "127.0.74.63", -2, 8) as evening,
    ):
        time.sleep(SETTLE_S)
        before, begin_s, asked = {"rest": written(*rest), "evening": written(*evening)}, time.monotonic(), 0
        while (gone_s := time.monotonic() - begin_s) < minutes * 60:
            if gone_s >= asked * ASK_S + ASK_S / 2:
                asked += 1
                evening[0].evening.ask("POST", "/api/overrides", {"kind": "dim", "level": 0.5, "minutes": 5})
            for broken in (rest[0], evening[0]):
                broken.ear.packets.clear()
            time.sleep(5)
        lines = len(evening[0].journal())
        hours, day = minutes / 60, [0.0, 0.0]
        for name, (broken, figures), share_h in (("rest", rest, REST_H), ("evening", evening, EVENING_H)):
            now = [after - was for after, was in zip(written(broken, figures), before[name], strict=True)]
            day = [sum_ + each / hours * share_h for sum_, each in zip(day, now, strict=True)]
            print(f"{name}, {minutes:g} min: {now[0]:.3f} MiB by the processes, {now[1]:.3f} MiB on the disk")
        print(
            f"a day: {day[0]:.2f} MiB by the processes, {day[1]:.2f} MiB on the disk; {lines} lines, {asked} overrides"
        )


if __name__ == "__main__":
    main()
