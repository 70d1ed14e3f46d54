"""Some hundreds of damaged files. `python -m tests.bench.framefile_damage 20000` makes as many as you want."""

from __future__ import annotations

import json
import subprocess
import sys

from tests.places import TOP

RUNNER = TOP / "tests" / "bench" / "framefile_damage.py"


def test_damaged_files_give_a_clear_error_or_play_what_is_whole() -> None:
    done = subprocess.run([sys.executable, RUNNER, "400", "7"], capture_output=True, text=True, check=False)
    result = json.loads(done.stdout)
    assert result["faults"] == [] and done.returncode == 0
    assert sum(result["outcomes"].values()) == 400
    assert set(result["outcomes"]) == {"clear error", "plays in part", "plays"}
