"""While site.toml has a mistake, the last good site is in force, with the neighbours' hours that the file adds."""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gloaming.daemon.direction.score import ReasonCode
from gloaming.daemon.site.last_good import FILES, FOLDER, load_good, store_good
from gloaming.daemon.site.load import load_site
from gloaming.shows.config_files.errors import InputError
from tests.api.evening import gloaming
from tests.daemon.boxed_board import FULL, BoxedBoard, Rule, S
from tests.daemon.broken_evening import Broken, broken_evening
from tests.daemon.numbered import assert_none_missed, assert_right
from tests.daemon.quay_site import write
from tests.waiting import wait_until

MORNING = int(datetime(2026, 12, 12, 11, 36, tzinfo=UTC).timestamp()) * S


@pytest.fixture
def board(tmp_path: Path) -> Iterator[BoxedBoard]:
    """In dark hours; the clock is trusted, since the host set it."""
    board = BoxedBoard(tmp_path, MORNING, (Rule("dark", "10:00", "13:00"),), outside="host")
    board.start_transmitter()
    board.start_planner()
    yield board
    board.close()


@pytest.fixture(scope="module")
def broken(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broken]:
    with broken_evening(tmp_path_factory.mktemp("last-good"), "127.0.74.46") as found:
        found.wait_until_lit()
        yield found


def test_the_files_are_copied_when_they_differ_and_load_without_the_later_edit(tmp_path: Path) -> None:
    folder, state = write(tmp_path / "site"), tmp_path / "state"
    state.mkdir()
    store_good(folder, state)
    copies = [state / FOLDER / name for name in FILES]
    before = [copy.stat() for copy in copies]
    assert [one.st_mode & 0o077 for one in before] == [0, 0], "a file may hold a password"
    store_good(folder, state)
    assert [copy.stat().st_mtime_ns for copy in copies] == [one.st_mtime_ns for one in before]
    (folder / "site.toml").write_text("[site", encoding="utf-8")
    site = load_good(folder, state)
    assert (site.name, site.folder) == ("Pier Road boathouse", folder)
    assert all(piece.info for piece in site.pieces.values()), "the pieces are read where they are now"


def test_without_copies_there_is_one_error(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        load_good(write(tmp_path / "site"), tmp_path / "state")


MISTAKE = '\n[[performance]]\nshow = "no such show"\nfrom = "12:00"\nto = "13:00"\n'


def edit_with_a_mistake(board: BoxedBoard, *rules: Rule) -> None:
    """A person edits rules and makes a mistake elsewhere. The planner reads the file."""
    assert board.planner
    before, board.rules = board.rules, rules
    board.write(MISTAKE)
    assert not board.wait(board.planner._parts.site_watch.reload("its files have changed"))
    board.rules = before


def test_hours_that_an_edit_with_a_mistake_adds_are_in_force_at_once(board: BoxedBoard) -> None:
    board.step(5 * 3600)
    board.edit(Rule("dark", "22:00", "23:00"))
    assert board.play(3)
    assert board.planner
    edit_with_a_mistake(board, Rule("dark", "16:00", "17:00"))
    assert not board.play(3)
    reasons = board.planner._parts.situation.current(board.planner.now_ns()).reasons
    assert "hours 16:00 to 17:00" in reasons[0].text
    assert reasons[0].code == ReasonCode.DARK_HOURS
    standing = [one["text"] for one in board.planner._parts.monitor.troubles(board.wall_ns) if one["kind"] == "site"]
    assert "there is no show 'no such show'" in standing[0]
    assert "the neighbours' hours that it adds hold from now on" in standing[0]
    lines = [str(row["text"]) for row in board.planner.journal(9)]
    assert [line for line in lines if "no such show" in line and "hold from now on" in line]
    begins = [one.from_.text for one in board.planner.site.dark]
    assert begins == ["22:00", "16:00"], "the old hours too: no good file has removed them"
    edit_with_a_mistake(board, Rule("dark", "22:00", "23:00"))
    assert board.play(3), "hours that the file no longer has are over"


def test_an_edit_with_a_mistake_removes_no_hours(board: BoxedBoard) -> None:
    edit_with_a_mistake(board)
    assert not board.play(3)
    assert board.planner
    assert board.planner.site is board.planner._parts.site_watch.good
    (board.folder / "site.toml").write_text("[site")
    assert not board.wait(board.planner._parts.site_watch.reload("its files have changed"))
    assert not board.play(3)


def test_dimmer_quieter_and_no_rig_check_are_stricter(tmp_path: Path) -> None:
    board = BoxedBoard(tmp_path, MORNING, (), outside="host", more="rig_check = 0.1\n")
    board.start_transmitter()
    board.start_planner()
    assert {one.brightest for one in board.play(3)} == {FULL}
    board.more = ""
    edit_with_a_mistake(board, Rule("dim", "10:00", "13:00", 0.25), Rule("quiet", "10:00", "13:00"))
    assert {one.brightest for one in board.play(3)} == {FULL // 4}
    assert board.planner
    assert board.planner.site.neighbours.rig_check is None
    assert [one.place for one in board.planner.site.neighbours.quiet]
    board.close()


def test_a_start_with_a_mistake_adds_the_hours_of_the_file_too(board: BoxedBoard) -> None:
    """The planner starts with the last good files, as its main program does it."""
    board.step(5 * 3600)
    board.edit(Rule("dark", "22:00", "23:00"))
    assert board.play(3)
    good = load_site(board.folder)
    edit_with_a_mistake(board, Rule("dark", "16:00", "17:00"))
    with pytest.raises(InputError) as found:
        load_site(board.folder)
    board.kill_planner()
    board.start_planner(good)
    assert board.planner
    board.planner._parts.site_watch.refuse(found.value, "the site has a mistake; the last good site plays on")
    assert not board.play(3)


def test_a_planner_killed_while_the_site_has_a_mistake_gives_the_last_good_site(broken: Broken) -> None:
    """The show continues by the last good files, and the trouble is still reported."""
    broken.wait_until_lit()
    site, killed = broken.site, [broken.evening.pid(name) for name in ("planner", "transmitter")]
    broken.edit("[site]", "[site")
    wait_until(lambda: broken.troubles("site"), "the trouble")
    for pid in killed:
        os.kill(pid, signal.SIGKILL)
    wait_until(lambda: broken.evening.pid("planner") not in killed, "another planner")
    wait_until(lambda: broken.evening.now()["health"]["transmitter"], "both again")
    assert broken.troubles("site")
    broken.says("the last good site plays on", "site")
    assert_right(broken.wait_until_lit(), site, broken.overrides(), broken.evening.offset_ns)
    broken.edit("[site", "[site]")
    wait_until(lambda: not broken.troubles("site"), "the end of the trouble")
    broken.wait_until_lit()


def test_a_planner_without_a_good_site_waits_until_the_site_is_good(broken: Broken) -> None:
    """The transmitter continues meanwhile."""
    broken.wait_until_lit()
    begin_ns, killed = time.time_ns(), broken.evening.pid("planner")
    copies = broken.evening.state / "last-good"
    shutil.rmtree(copies)
    broken.edit("[site]", "[site")
    os.kill(killed, signal.SIGKILL)
    wait_until(lambda: broken.evening.pid("planner") != killed, "another planner")
    broken.wait_until_lit(seconds=4)
    assert "Gloaming does not answer" in gloaming("now", broken.folder).stderr, "it waits"
    broken.edit("[site", "[site]")
    wait_until(lambda: broken.evening.now()["state"], "an answer of the planner")
    broken.wait_until_lit()
    assert_none_missed(broken.packets(begin_ns))
    for name in ("site.toml", "rig.toml"):
        assert (copies / name).read_text() == (broken.folder / name).read_text()
        assert (copies / name).stat().st_mode & 0o077 == 0, "it may hold a password"
