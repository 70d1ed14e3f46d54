"""In a plain checkout, with nothing installed, editors and type checkers find `gloaming.*` by pyproject.toml alone."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.namespaces import outdoors
from tests.tools import needs

TOP = Path(__file__).resolve().parents[1]
PYRIGHT = "pyright@1.1.414"


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What git has of this tree, as it stands now."""
    folder = tmp_path_factory.mktemp("checkout")
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=TOP, capture_output=True, text=True, check=True).stdout
    for name in listed.rstrip("\0").split("\0"):
        if os.path.lexists(TOP / name):  # else it is about to be deleted
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(TOP / name, folder / name, follow_symlinks=False)
    return folder


@needs("git")
def test_mypy_finds_every_module(checkout: Path) -> None:
    """Without site-packages, every library is missing; of ours, none is."""
    words = [sys.executable, "-m", "mypy", "--no-site-packages", "--no-incremental"]
    found = subprocess.run(words, cwd=checkout, capture_output=True, text=True, check=False).stdout
    missing = [line for line in found.splitlines() if "import-not-found" in line]
    assert [line for line in missing if 'named "pydantic"' in line]
    assert [line for line in missing if 'named "gloaming' in line] == []
    modules = [path for room in ("shows", "daemon", "api") for path in (checkout / room).rglob("*.py")]
    checked = re.search(r"checked (\d+) source files", found)
    assert checked
    assert int(checked[1]) >= len(modules)


@needs("git", "node", "npm")
def test_pyright_finds_every_module(checkout: Path, tmp_path: Path) -> None:
    """Editors ask pyright, or ask as it does. Its Python has no package at all."""
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(tmp_path / "bare")], check=True)
    install = ["npm", "install", "--silent", "--no-audit", "--no-fund", "--prefer-offline", PYRIGHT, "--prefix"]
    with outdoors():
        subprocess.run([*install, str(tmp_path)], check=True)
    words = [str(tmp_path / "node_modules/.bin/pyright"), "--outputjson"]
    words += [
        "--pythonpath",
        str(tmp_path / "bare/bin/python"),
        "daemon/direction",
        "daemon/site",
        "tests/test_docs.py",
    ]
    run = subprocess.run(words, cwd=checkout, capture_output=True, text=True, check=False)
    found = json.loads(run.stdout)
    missing = [one["message"] for one in found["generalDiagnostics"] if one.get("rule") == "reportMissingImports"]
    assert [message for message in missing if '"pydantic"' in message]
    assert [message for message in missing if '"gloaming' in message] == []
    rooms = (checkout / "daemon/direction", checkout / "daemon/site")
    assert found["summary"]["filesAnalyzed"] == 1 + sum(len(list(room.glob("*.py"))) for room in rooms)
