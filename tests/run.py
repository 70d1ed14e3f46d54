"""`python -m tests.run`: all tests at once, as CI does; then those few that failed once more, one by one, alone.

A test that fails both times fails the run. So does more than a few failures at first: then it is not the machine.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

AGAIN_MAX = 5
"""The most tests that run again."""


def run(*arguments: str) -> int:
    """Run pytest with arguments, and what failed again. Returns pytest's exit status of the last run."""
    with TemporaryDirectory() as cache:
        command = [sys.executable, "-m", "pytest", "-q", "-n", "auto", "-o", f"cache_dir={cache}", *arguments]
        status = subprocess.call(command)
        failed = failed_of(Path(cache))
        if status != pytest.ExitCode.TESTS_FAILED or not failed:
            return status
        if len(failed) > AGAIN_MAX:
            say(f"{len(failed)} tests failed: too many to run them again")
            return status
        say(f"{len(failed)} failed at first, and now run again, alone:", *failed)
        again = ["--maxprocesses", "1", "--last-failed", "--last-failed-no-failures", "none"]
        status = subprocess.call([*command, *again])
        twice = failed_of(Path(cache)) if status in (pytest.ExitCode.OK, pytest.ExitCode.TESTS_FAILED) else failed
        for test in failed:
            say(f"{'failed twice' if test in twice else 'failed at first, passed alone'}: {test}")
        return status


def failed_of(cache: Path) -> list[str]:
    """The tests that failed in the last run."""
    stored = cache / "v" / "cache" / "lastfailed"
    return sorted(json.loads(stored.read_text())) if stored.exists() else []


def say(*lines: str) -> None:
    print(*lines, sep="\n  ", flush=True)


if __name__ == "__main__":
    sys.exit(run(*sys.argv[1:]))
