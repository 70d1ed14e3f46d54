"""A backup of a show that is on, restored in a fresh root: the frames go on where the time is."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from gloaming.daemon.backup.contents import DATABASE, STATE_KEPT, STATE_MADE_AGAIN
from tests.api.evening import Evening, Seen, evening_apart, gloaming, numbered
from tests.tools import needs

pytestmark = needs("ip")
LOOP = 2400
NEAR = 40
"""A second of frames: how far a reader on a busy machine may be off."""


def written(evening: Evening) -> Evening:
    evening.write(numbered(LOOP))
    return evening


def overrides(one: Evening) -> list[tuple[int, str, str]]:
    return [(each["id"], each["kind"], each["until"]) for each in one.now()["overrides"]]


def place(one: Seen) -> float:
    """When the piece began, in frames of the monotonic clock."""
    return one.number - one.at_ns / 25e6


def test_a_backup_of_a_show_that_is_on_goes_on_in_a_fresh_root_at_the_right_frame(tmp_path: Path) -> None:
    with evening_apart(tmp_path / "old", "127.0.0.1", "1") as old, written(old).reader("0.0.0.0") as reader:
        with old.running():
            seen = reader.wait_for(lambda seen: sum(one.slots[4] == 200 for one in seen) > 20, "light")
            assert old.ask("POST", "/api/overrides", {"kind": "mute", "minutes": 60})[0] == 201
            done = gloaming("backup", tmp_path / "backup", old.folder)
            assert done.returncode == 0, done.stderr
            over = gloaming("restore", tmp_path / "backup", old.folder, "--replace")
            assert (over.returncode, over.stdout) == (2, "") and "a planner uses this state" in over.stderr
            there = {path.name for path in old.state.iterdir()}
            asked = overrides(old)
        assert there <= {*STATE_KEPT, *STATE_MADE_AGAIN, f"{DATABASE}-wal", f"{DATABASE}-shm"}
        before = [one for one in seen if one.slots[4] == 200][-1]
        new = replace(old, folder=tmp_path / "new", offset_ns=old.offset_ns)
        assert gloaming("restore", tmp_path / "backup", new.folder).returncode == 0
        ended_ns = time.monotonic_ns()
        with new.running():
            seen = reader.wait_for(lambda seen: sum(after(one, ended_ns) for one in seen) > 20, "light again")
            assert overrides(new) == asked
        for one in seen:
            if after(one, ended_ns):
                apart = (place(one) - place(before)) % LOOP
                assert min(apart, LOOP - apart) < NEAR


def after(one: Seen, ended_ns: int) -> bool:
    """Whether a packet at full light came after an instant."""
    return one.at_ns > ended_ns and one.slots[4] == 200
