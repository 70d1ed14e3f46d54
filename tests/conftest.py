"""For all tests: in CI a test that is skipped has failed, since CI installs every real part.

With `-n auto` two processes share the tests, file by file. E1.31 has one port, so that each has a network of its own;
where that is not permitted, one process does it all.
"""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest
from xdist.remote import Producer
from xdist.scheduler import LoadFileScheduling

from tests.namespaces import may_have_namespaces, move_into_a_network_of_ones_own


class FileByFile(LoadFileScheduling):
    """A file's tests stay together; those that boot machines too, for their machines have one name."""

    def _split_scope(self, nodeid: str) -> str:
        return "tests/boot" if nodeid.startswith("tests/boot/") else super()._split_scope(nodeid)


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    config.option.loadscopereorder = False  # the quick ones are last as they stand
    return 2 if may_have_namespaces() else 0


def pytest_xdist_make_scheduler(config: pytest.Config, log: Producer) -> FileByFile:
    return FileByFile(config, log)


def pytest_configure(config: pytest.Config) -> None:
    if hasattr(config, "workerinput"):
        move_into_a_network_of_ones_own()


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    outcome = yield
    report = outcome.get_result()  # type: ignore[attr-defined]  # pluggy's result object
    if report.skipped and os.environ.get("CI") == "true" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped in CI, where nothing may be missing: {report.longrepr}"
