"""For all tests: in CI a test that is skipped has failed, since CI installs every real part."""

from __future__ import annotations

import os
from collections.abc import Iterator

import pytest


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Iterator[None]:
    outcome = yield
    report = outcome.get_result()  # type: ignore[attr-defined]  # pluggy's result object
    if report.skipped and os.environ.get("CI") == "true" and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped in CI, where nothing may be missing: {report.longrepr}"
