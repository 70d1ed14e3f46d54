"""The fault table's rows of pieces of unusual kinds: a still for the whole evening, and nothing but damaged files."""

from __future__ import annotations

import time
from fractions import Fraction
from pathlib import Path

import numpy as np

from gloaming.shows.framefile.reader import FrameWriter, Universe
from tests.bench.evening import MIB, rss
from tests.daemon.broken_evening import broken_evening, since
from tests.daemon.fault_figures import Figures
from tests.daemon.faults_pieces import damage_chunk
from tests.daemon.numbered import FPS, PIECES, SLOTS
from tests.waiting import wait_until


def a_still(folder: Path) -> Figures:
    """A picture of one frame, given from noon to six in the morning; somebody pauses."""
    with broken_evening(folder, "127.0.74.38", start=False) as broken:
        with FrameWriter(broken.folder / "pieces/tide.frames", Fraction(FPS), [Universe(1, SLOTS, 0)]) as writer:
            writer.write(np.full((1, SLOTS), 200, np.uint8))
        site = broken.folder / "site.toml"
        site.write_text(site.read_text().replace('order = ["tide", "lanterns"]', 'order = ["tide"]'))
        with broken.evening.running():
            answers_s = since(lambda: broken.evening.now(), "an answer", 120)
            wait_until(broken.lit, "light on the wire")
            begin = time.monotonic()
            code, _ = broken.evening.ask("POST", "/api/overrides", {"kind": "pause", "minutes": 5})
            pause_s = time.monotonic() - begin
            assert code == 201
            broken.wait_until_black()
            memory = rss(broken.evening.pid("planner")) / MIB
            lines = (
                f"the planner answers after {answers_s:.1f} s, a pause takes {pause_s:.2f} s; it has {memory:.0f} MiB"
            )
            return Figures(0, pause_s, lines)


def all_damaged(folder: Path) -> Figures:
    """Every chunk of every piece is damaged: the show goes dark, and says so once."""
    with broken_evening(folder, "127.0.74.37") as broken:
        broken.wait_until_lit()
        for name, frames in PIECES.items():
            for frame in range(0, frames, FPS):
                damage_chunk(broken.folder / "pieces" / f"{name}.frames", frame)
        said_s = since(
            lambda: [one for one in broken.troubles("frames") if "none of its pieces" in one["text"]], "a trouble", 90
        )
        broken.wait_until_black()
        begin_ns = time.time_ns()
        time.sleep(6)  # longer than the planner waits before it decides again
        assert not broken.lit(begin_ns)
        lines, skips = broken.journal(), len(broken.overrides())
        assert skips <= len(PIECES)
        assert len(lines) < 20, lines
        (said,) = [line for line in broken.journal("trouble") if "none of its pieces" in line]
        return Figures(0, said_s, f"{said} ({skips} skips, {len(lines)} lines)")
