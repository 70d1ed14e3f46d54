"""`python -m tests.bench.rig_sheet`: a wiring sheet of 10,000 strings, and their spreadsheet, against reading rig.toml.

Times are those of the processor. The parts of the sheet are those of `gloaming rig sheet`: reading, arithmetic, page.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from time import process_time
from typing import TypeVar

from gloaming.daemon.reports.sheet_html import page
from gloaming.shows.rig.load import load_rig
from gloaming.shows.rig.sheet import sheet_of
from gloaming.shows.rig.spreadsheet import read_spreadsheet, spreadsheet
from gloaming.shows.rig.tables import write_rig

T = TypeVar("T")
STRINGS, PORTS = 10_000, 32
AT = datetime(2026, 11, 26, tzinfo=UTC)


def csv_of(strings: int) -> str:
    """Two strings on each port of 32-port controllers, with all that a sheet shows."""
    lines = ["name,controller,port,pixels,order,volts,fuse A,run m,mm2,missing,line,host"]
    for number in range(strings):
        controller, port = divmod(number // 2, PORTS)
        fuse = "5,12," if number % 2 == 0 else ",,"
        host = f"192.0.{2 + controller // 250}.{1 + controller % 250}"
        where = f"{number} 0 | {number + 1} 3"
        lines.append(f"run {number},box {controller},{port + 1},{50 + number % 60},GRB,12,{fuse}0.75,37,{where},{host}")
    return "\n".join(lines)


def timed(name: str, work: Callable[[], T], against_s: float | None = None) -> tuple[T, float]:
    begun = process_time()
    result = work()
    spent_s = process_time() - begun
    ratio = "" if against_s is None else f"{spent_s / against_s:.2f}"
    print(f"| {name} | {spent_s:.2f} | {ratio} |", flush=True)
    return result, spent_s


def main() -> None:
    print(f"| {STRINGS} strings | processor time, s | of reading rig.toml |")
    print("| --- | --- | --- |")
    with tempfile.TemporaryDirectory() as name:
        csv, path = Path(name) / "strings.csv", Path(name) / "rig.toml"
        csv.write_text(csv_of(STRINGS), encoding="utf-8")
        write_rig(path, read_spreadsheet(csv), "a bench")
        load_rig(path)
        rig, reading_s = timed("rig.toml read", lambda: load_rig(path))
        timed("sheet: reading, arithmetic, page", lambda: page(sheet_of(load_rig(path)), "bench", AT), reading_s)
        timed("sheet: arithmetic, page", lambda: page(sheet_of(rig), "bench", AT), reading_s)
        timed("spreadsheet read", lambda: read_spreadsheet(csv), reading_s)
        timed("spreadsheet read, rig.toml written", lambda: write_rig(path, read_spreadsheet(csv), "again"), reading_s)
        timed("spreadsheet written", lambda: spreadsheet(rig), reading_s)


if __name__ == "__main__":
    main()
