"""Removing the program keeps the journal of the seasons, unless it is asked to remove everything.

The package and the installer remove by the functions of systemd/board. These tests call them in folders of their own.
"""

from __future__ import annotations

import json
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

import pytest

from gloaming.daemon.planner.store import Store
from tests.places import TOP

HASH = "5e88" * 16


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """The state of a season: a journal, a device, a passcode."""
    with closing(Store(tmp_path / "state", 0)) as store:
        store.note(1, "start", "the planner has started", data={"boot": "a1"})
        store.note(2, "state", "it's playing: “tide”", "Anna's phone")
        store.add_device(HASH, "Anna's phone", "owner", 1)
        store.set_fact("passcode_argon2id", HASH)
        store.wait()
    return tmp_path / "state"


def forget(folder: Path, before: str = "", **environment: str) -> subprocess.CompletedProcess[str]:
    """The function that removes everything, in a folder. No unit, no user and no group is touched."""
    places = f"state={folder}/state site={folder}/etc program={folder}/program units='' user=nobody-of-ours"
    words = f"set -e; . {TOP}/systemd/board; chown() {{ :; }}; {places}; {before} forget"
    return subprocess.run(["sh", "-c", words], capture_output=True, text=True, check=False, env=environment)


def test_the_journal_of_the_season_stays_for_root_alone_and_without_a_secret(state: Path, tmp_path: Path) -> None:
    done = forget(tmp_path)
    assert done.returncode == 0, done.stderr
    (kept,) = (tmp_path / "etc").iterdir()
    assert done.stdout == f"gloaming: the season's journal is kept in {kept}\n"
    lines = [json.loads(line) for line in kept.read_text().splitlines()]
    assert [(line["text"], line["who"]) for line in lines] == [
        ("the planner has started", ""),
        ("it's playing: “tide”", "Anna's phone"),
    ]
    assert lines[0] == {
        "id": 1,
        "at_ns": 1,
        "kind": "start",
        "text": "the planner has started",
        "who": "",
        "data": {"boot": "a1"},
    }
    assert HASH not in kept.read_text()
    assert kept.stat().st_mode & 0o077 == 0
    assert not state.exists()


def test_one_word_has_the_journal_removed_too(state: Path, tmp_path: Path) -> None:
    assert (forget(tmp_path, GLOAMING_PURGE="everything").stdout, state.exists()) == ("", False)
    assert not (tmp_path / "etc").exists()
    text = (TOP / "systemd" / "README.md").read_text()
    assert "GLOAMING_PURGE=everything" in text


def test_without_python_the_database_itself_stays(state: Path, tmp_path: Path) -> None:
    done = forget(tmp_path, "journal_lines() { return 1; };")
    assert done.returncode == 0, done.stderr
    (kept,) = (tmp_path / "etc").glob("*.db")
    with closing(sqlite3.connect(kept)) as file:
        assert file.execute("SELECT count(*) FROM journal").fetchone() == (2,)
    assert kept.stat().st_mode & 0o077 == 0
    assert not state.exists()


def test_where_the_journal_cannot_be_kept_nothing_is_removed(state: Path, tmp_path: Path) -> None:
    done = forget(tmp_path, "journal_lines() { return 1; }; cp() { return 1; };")
    assert done.returncode != 0
    assert "the journal cannot be kept: make room in" in done.stderr
    assert (state / "state.db").exists()
    assert list((tmp_path / "etc").iterdir()) == []


def test_a_state_without_a_journal_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "state").mkdir()
    done = forget(tmp_path)
    assert (done.returncode, done.stdout, (tmp_path / "state").exists()) == (0, "", False)
