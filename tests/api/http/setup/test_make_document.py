"""The process that makes a document: what it prints."""

from __future__ import annotations

import json
import os
import resource
import sys
from pathlib import Path

import pytest

from gloaming.api.http.setup import make_document
from gloaming.api.http.setup.make_document import MEMORY_BYTES, TOO_LARGE, Progress
from gloaming.shows.config_files.errors import ConfigError, InputError


def test_progress_is_printed_seldom_and_whenever_something_else_begins(capsys: pytest.CaptureFixture[str]) -> None:
    progress = Progress()
    for name in ("tide", "lanterns"):
        for frame in range(1000):
            progress(name, frame, 1000)
    printed = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [one["doing"] for one in printed if one["done"] == 0] == ["tide", "lanterns"]
    assert len(printed) < 20


@pytest.mark.parametrize(
    ("error", "problem"),
    [
        (MemoryError(), TOO_LARGE),
        (
            InputError(ConfigError("site.toml", 3, "show", "missing", "name one")),
            "site.toml:3: show: missing; name one",
        ),
        (OSError(28, "No space left on device"), "No space left on device"),
    ],
    ids=["memory", "site", "disk"],
)
def test_what_goes_wrong_is_the_last_line_and_memory_has_a_limit(
    error: Exception,
    problem: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def fails(*_: object) -> str:
        raise error

    limits: list[object] = []
    monkeypatch.setitem(make_document.MAKERS, "survey", fails)
    monkeypatch.setattr(os, "nice", lambda _: 19)
    monkeypatch.setattr(resource, "setrlimit", lambda *given: limits.append(given))
    out = tmp_path / "survey.html"
    monkeypatch.setattr(sys, "argv", ["", "survey", "site", "state", "2026-12-12T18:00:00+00:00", str(out)])
    make_document.main()
    assert json.loads(capsys.readouterr().out.splitlines()[-1]) == {"problem": problem}
    assert limits == [(resource.RLIMIT_DATA, (MEMORY_BYTES, MEMORY_BYTES))]
    assert not out.exists()
