"""For all tests: in CI a test that is skipped has failed, since CI installs every real part.

With `-n auto` four processes share the tests, file by file: most tests wait for a boot, a browser or a second. E1.31
has one port, so that each process has a network of its own. Where that is not permitted, one process does it all.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from xdist.remote import Producer
from xdist.scheduler import LoadFileScheduling

from tests.namespaces import may_have_namespaces, move_into_a_network_of_ones_own
from tests.tools import PACKAGES, find, missing


class FileByFile(LoadFileScheduling):
    """A file's tests stay together; those that boot machines too, for their machines have one name."""

    def _split_scope(self, nodeid: str) -> str:
        return "tests/boot" if nodeid.startswith("tests/boot/") else super()._split_scope(nodeid)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    config.option.loadscopereorder = False  # the quick ones are last as they stand
    return 4 if may_have_namespaces() else 0


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> FileByFile:
    return FileByFile(config, log)


def pytest_configure(config: pytest.Config) -> None:
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job, and its children, ignore it
    sys.addaudithook(refuse_undeclared_tools)
    if hasattr(config, "workerinput"):
        move_into_a_network_of_ones_own()


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    outcome = yield
    report = outcome.get_result()  # type: ignore[attr-defined]  # pluggy's result object
    if report.skipped and os.environ.get("CI") == "true" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped in CI, where nothing may be missing: {report.longrepr}"


_running: pytest.Item | None = None


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    global _running
    _running = item
    if said := missing(declared(item)):
        pytest.skip(said)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_teardown() -> None:
    global _running
    _running = None


def declared(item: pytest.Item) -> list[str]:
    """The tools that a test's marks name."""
    return [tool for mark in item.iter_markers("needs") for tool in mark.args]


def refuse_undeclared_tools(event: str, args: tuple[Any, ...]) -> None:
    """A program of the table that a test starts without saying so fails that test, on a machine that has it too."""
    if event != "subprocess.Popen" or _running is None or isinstance(args[1], str):
        return
    words = {Path(str(word)).name: str(word) for word in args[1]}
    used = {tool for tool in words.keys() & PACKAGES.keys() if words[tool] in (tool, find(tool))}
    assert used <= {*declared(_running)}, f"it runs {', '.join(used)}: mark it with needs(...) of tests/tools.py"
