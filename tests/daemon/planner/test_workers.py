"""Work in a process of its own: what it prints, and how it ends."""

from __future__ import annotations

import asyncio
import os
import time
from pathlib import Path

import pytest

from gloaming.daemon.planner.workers import Message, ask


@pytest.fixture(autouse=True)
def programs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    return tmp_path


def test_each_object_is_reported_and_the_last_is_the_answer(programs: Path) -> None:
    (programs / "counts.py").write_text("import json\nfor n in range(3): print(json.dumps({'done': n}), flush=True)\n")
    found: list[Message] = []
    assert asyncio.run(ask("counts", report=found.append)) == {"done": 2}
    assert found == [{"done": 0}, {"done": 1}, {"done": 2}]


@pytest.mark.parametrize("program", ["print('no JSON')", "print([1])", "", "raise SystemExit(3)"])
def test_a_program_without_an_answer_gives_none(program: str, programs: Path) -> None:
    (programs / "mute.py").write_text(program)
    assert asyncio.run(ask("mute")) is None


def test_a_program_that_does_not_end_is_killed(programs: Path) -> None:
    (programs / "hangs.py").write_text(
        "import json, os, time\nprint(json.dumps({'pid': os.getpid()}), flush=True)\ntime.sleep(600)\n"
    )
    found: list[Message] = []
    began_s = time.monotonic()
    assert asyncio.run(ask("hangs", limit_s=2, report=found.append)) is None
    assert time.monotonic() - began_s < 300
    with pytest.raises(ProcessLookupError):
        os.kill(found[0]["pid"], 0)
