"""`python -m tests.bench.faults [WORD]`: the fault table, each row broken on purpose, with its figures.

As root, with libfaketime, iproute2, PulseAudio and room for small disks. WORD picks the rows that hold it.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.daemon.faults import ROWS


def main() -> None:
    word = sys.argv[1] if len(sys.argv) > 1 else ""
    print(
        "| what is broken | frames missed | seconds until right, or said | what was said |\n| --- | --- | --- | --- |"
    )
    for name, broken in ROWS.items():
        if word in name:
            with tempfile.TemporaryDirectory() as folder:
                figures = broken(Path(folder))
            said = figures.said.replace(folder, "").replace("|", "/")
            print(f"| {name} | {figures.frames} | {figures.recovered_s:.2f} | {said} |", flush=True)


if __name__ == "__main__":
    main()
