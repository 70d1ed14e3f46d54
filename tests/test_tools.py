"""What a machine lacks is skipped with the package's name; what a test needs and does not say fails it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.places import TOP
from tests.tools import needs

HEAD = "import subprocess\nfrom tests.tools import needs\n\n"
RUNS_GIT = "def test_a_program() -> None:\n    subprocess.run(['git', '--version'], check=True)\n"


def outcome(folder: Path, source: str, **environment: str) -> str:
    """What pytest says of a file of tests, with the hooks of tests/conftest.py."""
    (folder / "test_one.py").write_text(HEAD + source)
    command = [sys.executable, "-m", "pytest", "-rA", "-p", "tests.conftest", "-c", TOP / "pyproject.toml", folder]
    return subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=False, env=environment).stdout


def test_a_program_that_is_missing_skips_the_test_and_names_its_package(tmp_path: Path) -> None:
    said = outcome(tmp_path, "@needs('editcap', 'pactl', 'parec')\n" + RUNS_GIT, PATH=str(tmp_path))
    assert "1 skipped" in said
    assert "no editcap, pactl, parec here: apt-get install wireshark-common pulseaudio-utils" in said


@needs("git")
def test_a_program_that_a_test_runs_and_does_not_name_fails_it(tmp_path: Path) -> None:
    assert "1 passed" in outcome(tmp_path, "@needs('git')\n" + RUNS_GIT, PATH="/usr/bin:/bin")
    said = outcome(tmp_path, RUNS_GIT, PATH="/usr/bin:/bin")
    assert "it runs git: mark it with needs(...)" in said
    assert "1 failed" in said


def test_a_need_without_a_package_is_no_need(tmp_path: Path) -> None:
    assert "KeyError: 'tshrak'" in outcome(tmp_path, "@needs('tshrak')\n" + RUNS_GIT, PATH="/usr/bin:/bin")
