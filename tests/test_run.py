"""A test that failed runs once more, alone: what passes then is named, what fails twice fails the run."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.run import AGAIN_MAX, run

ONCE = """
import pathlib
def test_once() -> None:
    ran = pathlib.Path(__file__).with_name("ran")
    before = ran.exists()
    ran.touch()
    assert before, "it has never run"
"""
TWICE = """
import pytest
@pytest.mark.parametrize("number", range({count}))
def test_twice(number: int) -> None:
    assert number < 0
"""


@pytest.fixture(autouse=True)
def few_plugins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")


def said(folder: Path, source: str, capfd: pytest.CaptureFixture[str]) -> tuple[int, str]:
    """The status and the text of a run of one file."""
    (folder / "test_one.py").write_text(source)
    return run("-p", "xdist.plugin", "-n", "0", "--rootdir", str(folder), str(folder)), capfd.readouterr().out


def test_what_passes_alone_passes_and_is_named_with_its_first_failure(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    status, text = said(tmp_path, ONCE, capfd)
    assert status == 0
    assert "AssertionError: it has never run" in text
    assert text.splitlines()[-1] == "failed at first, passed alone: test_one.py::test_once"


def test_what_fails_twice_fails_the_run(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    status, text = said(tmp_path, ONCE + TWICE.format(count=1), capfd)
    assert status == 1
    assert text.splitlines()[-2:] == [
        "failed at first, passed alone: test_one.py::test_once",
        "failed twice: test_one.py::test_twice[0]",
    ]


def test_many_failures_fail_the_run_at_once(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    status, text = said(tmp_path, TWICE.format(count=AGAIN_MAX + 1), capfd)
    assert status == 1
    assert text.splitlines()[-1] == "6 tests failed: too many to run them again"
