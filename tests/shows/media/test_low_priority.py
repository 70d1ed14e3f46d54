"""Work beside the show in a service that may not change its priority."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile

FORBIDDEN = """
import os, runpy, sys
def forbidden(step): raise PermissionError(1, "Operation not permitted")  # as the board's unit answers
os.nice = forbidden
sys.argv = ["sound_info", sys.argv[1], "2"]
runpy.run_module("gloaming.shows.media.sound_info", run_name="__main__")
"""


def test_a_sound_is_measured_where_the_priority_may_not_be_changed(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "tide.wav", 0.2 * np.sin(np.arange(40_000) * 0.2), 8000)
    run = subprocess.run([sys.executable, "-c", FORBIDDEN, tmp_path / "tide.wav"], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    assert json.loads(run.stdout)["lufs"] is not None
