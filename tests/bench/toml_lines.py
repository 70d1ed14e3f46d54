"""`python -m tests.bench.toml_lines`: what 2,400 commented points of a string take to read, against 1,200."""

from __future__ import annotations

import tempfile
from pathlib import Path
from time import process_time

from gloaming.shows.rig.load import load_rig


def seconds(path: Path, points: int) -> float:
    rows = "".join(f"  [{number / 10}, 0.0],  # pixel {number}\n" for number in range(points))
    path.write_text(
        '[[controller]]\nname = "left"\nuniverses = "1-20"\n\n[[string]]\nname = "quay"\ncontroller = "left"\n'
        f"universe = 1\npixels = {points}\npoints = [\n{rows}]\n",
        encoding="utf-8",
    )
    begun = process_time()
    load_rig(path)
    return process_time() - begun


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rig.toml"
        once, twice = (min(seconds(path, points) for _ in range(3)) for points in (1200, 2400))
    print(f"1,200 points {once:.3f} s, 2,400 points {twice:.3f} s of processor time: {twice / once:.2f} times as much")


if __name__ == "__main__":
    main()
