"""A backup of a show that is on, restored in a fresh root; and the bundle for a helper of a board full of secrets."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest

from gloaming.daemon.backup.archive import reading_archive
from gloaming.daemon.backup.contents import DATABASE, STATE_KEPT, STATE_MADE_AGAIN
from tests.api.evening import Evening, Seen, evening_apart, gloaming, numbered
from tests.daemon.backup.secretive_site import secretive_tables
from tests.namespaces import inside
from tests.tools import needs

pytestmark = needs("ip")
LOOP = 2400
NEAR = 10
"""How many frames the punctual ones of two readings may be apart."""


@pytest.fixture
def secrets() -> list[str]:
    return []


@pytest.fixture
def old(tmp_path: Path, secrets: list[str], monkeypatch: pytest.MonkeyPatch) -> Iterator[Evening]:
    """A site with secrets of every kind."""
    monkeypatch.setenv("GLOAMING_BOARD", "quay")
    tables, mark, comment = secretive_tables("numbers")
    secrets += [*mark.forms, *comment.forms]
    with evening_apart(tmp_path / "old", "127.0.0.1", "1") as one:
        one.write(numbered(LOOP))
        with (one.folder / "site.toml").open("a") as site:
            site.write(tables)
        yield one


def overrides(one: Evening) -> list[tuple[int, str, str]]:
    return [(each["id"], each["kind"], each["until"]) for each in one.now()["overrides"]]


def full(seen: list[Seen], since_ns: int = 0) -> list[Seen]:
    """The packets at full light since an instant of the monotonic clock."""
    return [one for one in seen if one.at_ns > since_ns and one.slots[4] == 200]


def apart(before: Seen, after: Seen) -> float:
    """How many frames one is from where it should be after the other."""
    passed = (after.at_ns - before.at_ns) / 25e6
    off = (after.number - before.number - passed) % LOOP
    return min(off, LOOP - off)


def sign_in(one: Evening) -> list[str]:
    """A phone and a button get tokens; all that a thief would like to have."""
    _, link = one.ask("POST", "/api/links", {"kind": "operator"})
    _, phone = one.ask("POST", "/api/sign-in/link", {"code": link["code"], "device": "Anna's phone"})
    _, button = one.ask("POST", "/api/triggers/gate/token")
    files = [(one.state / name).read_text().strip() for name in ("token", "passcode")]
    secrets = [link["code"], phone["token"], button["token"], *files]
    return [*secrets, *(sha256(one.encode()).hexdigest() for one in secrets)]


def check_bundle(path: Path, secrets: list[str]) -> None:
    """No secret is in it, and what helps is."""
    with reading_archive(path) as archive:
        found = {one.member.name: b"".join(one.chunks).decode() for one in archive.files()}
        everything = "\n".join((*found.values(), archive.about.model_dump_json()))
    reports = {"metrics.txt", "network.json", "now.json", "survey.txt", "versions.json"}
    assert found.keys() == {"journal.jsonl", "rig.toml", "site.toml", *reports}
    assert [one for one in (*secrets, "Anna", "54.486", "0.613", "$argon2") if one in everything] == []
    assert json.loads(found["now.json"])["state"] == "playing"
    assert "gloaming_" in found["metrics.txt"] and "the machine" in found["survey.txt"]
    journal = [json.loads(line)["text"] for line in found["journal.jsonl"].splitlines()]
    assert any("the planner has started" in text for text in journal)


def test_a_backup_of_a_show_that_is_on_goes_on_in_a_fresh_root_at_the_right_frame(
    old: Evening, secrets: list[str], tmp_path: Path
) -> None:
    with old.reader("0.0.0.0") as reader:
        with old.running():
            before = full(reader.wait_for(lambda seen: len(full(seen)) > 20, "light"))
            assert old.ask("POST", "/api/overrides", {"kind": "mute", "minutes": 60})[0] == 201
            secrets += sign_in(old)
            done = gloaming("backup", tmp_path / "backup", old.folder)
            assert done.returncode == 0, done.stderr
            over = gloaming("restore", tmp_path / "backup", old.folder, "--replace")
            assert (over.returncode, over.stdout) == (2, "") and "a planner uses this state" in over.stderr
            with inside(old.namespace):
                done = gloaming("backup", tmp_path / "help", old.folder, "--for-help")
            assert done.returncode == 0, done.stderr
            there = {path.name for path in old.state.iterdir()}
            asked = overrides(old)
        check_bundle(tmp_path / "help", secrets)
        assert there <= {*STATE_KEPT, *STATE_MADE_AGAIN, f"{DATABASE}-wal", f"{DATABASE}-shm"}
        new = replace(old, folder=tmp_path / "new", offset_ns=old.offset_ns)
        assert gloaming("restore", tmp_path / "backup", new.folder).returncode == 0
        ended_ns = time.monotonic_ns()
        with new.running():
            seen = reader.wait_for(lambda seen: len(full(seen, ended_ns)) > 20, "light again")
            assert overrides(new) == asked
        # a machine that pauses reads some of them late, but not all
        assert min(apart(one, other) for one in before for other in full(seen, ended_ns)) < NEAR
