"""What a backup holds, and restoring it: whole, or not at all, and what was there is set aside."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gloaming.daemon.backup.archive import About, Purpose, write_archive
from gloaming.daemon.backup.contents import backup_contents
from gloaming.daemon.backup.restore import Restored, checked_archive, restore
from gloaming.daemon.planner.store import Store
from gloaming.daemon.service.state_lock import lock_state
from gloaming.shows.config_files.errors import InputError
from tests.api.house import write_site

AT = datetime(2026, 12, 12, 18, 0, 5, tzinfo=UTC)
OPENED = """
import sys, pathlib, gloaming.daemon.planner.store as module
store = module.Store(pathlib.Path(sys.argv[1]), 0)
print("opened", flush=True)
input()
"""
"""A process that has a state open."""
ASIDE = "before-restore-20261212-180005"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A site with a state that a planner has used."""
    folder = write_site(tmp_path_factory.mktemp("made") / "site")
    with closing(Store(folder / "state", 0)) as store:
        store.note(1, "start", "the planner has started")
        store.wait()
    (folder / "state" / "passcode").write_text("1234-5678\n")
    (folder / "state" / "site-versions" / "1").mkdir(parents=True)
    (folder / "state" / "site-versions" / "1" / "site.toml").write_text("[site]\n")
    return folder


@pytest.fixture
def site(made: Path, tmp_path: Path) -> Path:
    """A copy of it for each test."""
    return Path(shutil.copytree(made, tmp_path / "old"))


def backup(site: Path, state: Path, out: Path, pieces: bool = True) -> tuple[str, ...]:
    """Write a backup; what it leaves out."""
    scratch = out.with_suffix(".scratch")
    scratch.mkdir()
    found = backup_contents(site, state, scratch, pieces)
    about = About(purpose=Purpose.BACKUP, program="1", site="Pier Road", made_at="", machine="quay")
    with out.open("wb") as file:
        write_archive(file, about, found.files)
    shutil.rmtree(scratch)
    return found.left_out


@pytest.fixture
def owner() -> tuple[int, int]:
    """Whom the files may be given to: as root, to somebody else."""
    return (12_345, 12_345) if os.geteuid() == 0 else (os.getuid(), os.getgid())


@pytest.fixture
def file(site: Path, tmp_path: Path) -> Path:
    backup(site, site / "state", tmp_path / "backup")
    return tmp_path / "backup"


def names(path: Path) -> list[str]:
    return [one.name for one in checked_archive(path).members]


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def lines(state: Path) -> list[str]:
    with closing(sqlite3.connect(state / "state.db")) as db:
        return [text for (text,) in db.execute("SELECT text FROM journal")]


def test_a_backup_has_the_site_its_pieces_and_of_the_state_what_nobody_makes_again(site: Path, tmp_path: Path) -> None:
    (site / "pieces").mkdir()
    (site / "pieces" / "swell.flac").write_bytes(b"flac")
    (site / "board.key").symlink_to(tmp_path / "elsewhere.key")
    (tmp_path / "elsewhere.key").write_text("key")
    (site / "pieces" / "round").symlink_to(site)
    for name in (".hidden", "tide.frames.1a2b3c4d.part", "deleted-pieces/1/old.frames", "before-restore-1/site.toml"):
        (site / name).parent.mkdir(parents=True, exist_ok=True)
        (site / name).write_text("x")
    for name in ("token", "address", "rig-check/1.frames", "pictures/1.png", "uploads/1", "documents/survey.html"):
        (site / "state" / name).parent.mkdir(exist_ok=True)
        (site / "state" / name).write_text("x")
    (site / "state" / "state-damaged-1.db").write_text("x")
    os.mkfifo(site / "pipe")
    (site / "gone.frames").symlink_to("nowhere")
    with (site / "site.toml").open("a") as text:
        text.write('\n[[piece]]\nname = "far"\nframes = "../shared/far.frames"\n')
    left_out = backup(site, site / "state", tmp_path / "backup")
    assert names(tmp_path / "backup") == [
        "site/board.key",
        "site/lanterns.frames",
        "site/pieces/swell.flac",
        "site/rig.toml",
        "site/site.toml",
        "site/tide.frames",
        "state/passcode",
        "state/site-versions/1/site.toml",
        "state/state.db",
    ]
    assert sorted(left_out) == [
        "../shared/far.frames: it is outside the site's folder; copy it by hand",
        "gone.frames: it is no file",
        "pipe: it is no file",
        "state-damaged-1.db",
    ]
    left_out = backup(site, site / "state", tmp_path / "small", pieces=False)
    assert not [name for name in names(tmp_path / "small") if name.endswith((".frames", ".flac"))]
    assert "3 files of frames and sound" in left_out


def test_a_site_with_a_mistake_is_backed_up_as_it_is(site: Path, tmp_path: Path) -> None:
    (site / "site.toml").write_text("[site\n")
    backup(site, site / "state", tmp_path / "backup")
    restore(tmp_path / "backup", tmp_path / "new", tmp_path / "state", AT)
    assert (tmp_path / "new" / "site.toml").read_text() == "[site\n"


def test_a_database_that_is_written_to_meanwhile_is_copied_whole(site: Path, tmp_path: Path) -> None:
    with closing(Store(site / "state", 0)) as store:
        store.note(2, "state", "playing")
        store.wait()  # in the write-ahead log alone
        backup(site, site / "state", tmp_path / "backup")
    restore(tmp_path / "backup", tmp_path / "new", tmp_path / "new-state", AT)
    assert sorted(one.name for one in (tmp_path / "new-state").glob("state*")) == ["state.db"]
    assert lines(tmp_path / "new-state") == ["the planner has started", "playing"]


def test_a_damaged_database_is_named_and_nothing_is_written(site: Path, tmp_path: Path) -> None:
    path = site / "state" / "state.db"
    data = path.read_bytes()
    path.write_bytes(data[:4096] + b"\xff" * 4096 + data[8192:])
    with pytest.raises(InputError, match=r"state\.db: it (is damaged|cannot be read)"):
        backup(site, site / "state", tmp_path / "backup")


def test_a_restore_into_a_fresh_root_gives_the_same_bytes_for_the_owner_alone(
    site: Path, file: Path, tmp_path: Path, owner: tuple[int, int]
) -> None:
    new, state = tmp_path / "root" / "site", tmp_path / "root" / "state"
    done = restore(file, new, state, AT, owner=owner)
    before = {name: data for name, data in tree(site).items() if not name.startswith("state/")}
    assert tree(new) == before
    assert {*tree(state)} == {"state.db", "passcode", "site-versions/1/site.toml"}
    assert (done.files, done.aside) == (len(before) + 3, ())
    for path in (new, state, *new.rglob("*"), *state.rglob("*")):
        assert (path.stat().st_uid, path.stat().st_gid) == owner
        assert path.stat().st_mode & 0o007 == 0
    assert all(path.stat().st_mode & 0o077 == 0 for path in (state, *state.rglob("*")))


def refused(file: Path, site: Path, state: Path) -> str:
    with pytest.raises(InputError) as caught:
        restore(file, site, state, AT)
    (error,) = caught.value.errors
    return str(error)


@pytest.mark.parametrize("what", ["site.toml", "state/state.db", "tide.frames"])
def test_a_restore_over_something_else_is_refused_unless_it_is_asked_for(what: str, file: Path, tmp_path: Path) -> None:
    new = tmp_path / "new"
    (new / what).parent.mkdir(parents=True)
    (new / what).write_text("mine")
    before = tree(new)
    assert f"{Path(what).name} is there already" in refused(file, new, new / "state")
    assert tree(new) == before
    done = restore(file, new, new / "state", AT, replace=True)
    (aside,) = done.aside
    assert aside == (new / what).parent / ASIDE
    assert (aside / Path(what).name).read_text() == "mine"
    assert (new / what).read_bytes() != b"mine"
    assert lines(new / "state") == ["the planner has started"]


def test_a_site_that_never_ran_is_restored_without_a_state(tmp_path: Path) -> None:
    site = write_site(tmp_path / "old")
    backup(site, site / "state", tmp_path / "backup")
    restore(tmp_path / "backup", tmp_path / "new", tmp_path / "new" / "state", AT)
    assert tree(tmp_path / "new") == tree(site)
    assert not (tmp_path / "new" / "state").exists()


def test_what_is_there_already_with_the_same_bytes_stays(site: Path, file: Path) -> None:
    """So a state comes back to its own site, and large pieces are not written again."""
    piece = (site / "tide.frames").stat()
    shutil.rmtree(site / "state")
    done = restore(file, site, site / "state", AT)
    assert (done.files, done.there, done.aside) == (3, 4, ())
    assert (site / "tide.frames").stat().st_ino == piece.st_ino


def test_a_state_of_another_site_is_set_aside_as_a_whole(file: Path, tmp_path: Path) -> None:
    state = tmp_path / "state"
    for name in ("state.db", "state.db-wal", "passcode", "last-good/site.toml", "site-versions/7/site.toml", "token"):
        (state / name).parent.mkdir(parents=True, exist_ok=True)
        (state / name).write_text("theirs")
    restore(file, tmp_path / "new", state, AT, replace=True)
    aside = {"state.db", "state.db-wal", "passcode", "last-good/site.toml", "site-versions/7/site.toml"}
    kept = {"token", "state.db", "passcode", "site-versions/1/site.toml"}
    assert {*tree(state)} == {f"{ASIDE}/{name}" for name in aside} | kept


def test_a_file_where_a_folder_belongs_is_set_aside(site: Path, tmp_path: Path) -> None:
    (site / "pieces").mkdir()
    (site / "tide.frames").rename(site / "pieces" / "tide.frames")
    backup(site, site / "state", tmp_path / "backup")
    new = tmp_path / "new"
    (new / "rig.toml").mkdir(parents=True)
    (new / "pieces").write_text("a file")
    restore(tmp_path / "backup", new, tmp_path / "state", AT, replace=True)
    assert (new / ASIDE / "pieces").read_text() == "a file"
    assert (new / ASIDE / "rig.toml").is_dir()
    assert (new / "pieces" / "tide.frames").read_bytes() == (site / "pieces" / "tide.frames").read_bytes()


def test_root_follows_a_link_only_to_a_folder_of_the_owner(site: Path, tmp_path: Path, owner: tuple[int, int]) -> None:
    """Pieces may lie on a larger disk; but the service could lay a link to a folder of the system."""
    (site / "pieces").mkdir()
    (site / "tide.frames").rename(site / "pieces" / "tide.frames")
    backup(site, site / "state", tmp_path / "backup")
    disk, system = tmp_path / "disk", tmp_path / "system" if os.geteuid() == 0 else Path("/usr")
    disk.mkdir()
    os.chown(disk, *owner)
    system.mkdir(exist_ok=True)
    for name, target in (("own", disk), ("foreign", system)):
        new = tmp_path / name
        new.mkdir()
        (new / "pieces").symlink_to(target)
        restore(tmp_path / "backup", new, tmp_path / f"{name}-state", AT, replace=True, owner=owner)
        assert (new / "pieces" / "tide.frames").read_bytes() == (site / "pieces" / "tide.frames").read_bytes()
    assert (disk / "tide.frames").exists() and (tmp_path / "own" / "pieces").is_symlink()
    assert not (system / "tide.frames").exists() and (tmp_path / "foreign" / ASIDE / "pieces").is_symlink()


def test_an_error_at_any_step_leaves_everything_as_it_was(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    new, state = tmp_path / "new", tmp_path / "new-state"
    for path in (new / "site.toml", new / "rig.toml", state / "state.db", state / "passcode"):
        path.parent.mkdir(exist_ok=True)
        path.write_text("mine")
    before, folders = tree(new) | tree(state), sorted(tmp_path.rglob("*/"))
    move = shutil.move

    def restored_with_an_error_at(step: int) -> bool:
        moves = 0

        def failing(source: Path, target: Path) -> None:
            nonlocal moves
            moves += 1
            if moves == step:
                raise OSError(errno.EIO, "Input/output error")
            move(source, target)

        monkeypatch.setattr(shutil, "move", failing)
        try:
            restore(file, new, state, AT, replace=True)
        except InputError as error:
            assert "everything is as it was" in str(error)
            assert (tree(new) | tree(state), sorted(tmp_path.rglob("*/"))) == (before, folders)
            return False
        return True

    assert [restored_with_an_error_at(step) for step in range(1, 13)] == [False] * 11 + [True]


def test_a_disk_that_is_full_is_named_before_and_while_it_is_written(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    new, state = tmp_path / "new", tmp_path / "new-state"
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=1_000_000))
    assert "the disk has 1 MB free, and 17 MB are needed" in refused(file, new, state)
    monkeypatch.undo()

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fchmod", full)
    assert "No space left on device" in refused(file, new, state)
    assert tree(new) | tree(state) == {}


def test_a_restore_over_a_planner_that_runs_is_refused(site: Path, file: Path) -> None:
    """Both ways of running: `gloaming run` has locked the state; the planner of the service has the database open."""
    before = tree(site)
    handle = lock_state(site / "state")
    assert handle is not None
    assert "a planner uses this state" in refused(file, site, site / "state")
    os.close(handle)
    command = [sys.executable, "-c", OPENED, site / "state"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
        assert process.stdout and process.stdout.readline()
        before = tree(site)
        assert "a planner uses this state; end it first: systemctl stop" in refused(file, site, site / "state")
        assert tree(site) == before
        process.kill()
    assert "state.db, and 4 more, is there already" in refused(file, site, site / "state")


def test_a_bundle_for_a_helper_and_a_strange_member_are_refused(tmp_path: Path) -> None:
    about = About(purpose=Purpose.HELP, program="1", site="Pier Road", made_at="", machine="quay")
    with (tmp_path / "help").open("wb") as file:
        write_archive(file, about, {"survey.txt": b""})
    assert "a bundle for a helper" in refused(tmp_path / "help", tmp_path / "new", tmp_path / "state")
    with (tmp_path / "strange").open("wb") as file:
        write_archive(file, about.model_copy(update={"purpose": Purpose.BACKUP}), {"etc/passwd": b""})
    assert "a backup has no file etc/passwd" in refused(tmp_path / "strange", tmp_path / "new", tmp_path / "state")
    assert not (tmp_path / "new").exists()


def test_restored_has_what_the_file_says(file: Path, tmp_path: Path) -> None:
    done: Restored = restore(file, tmp_path / "new", tmp_path / "state", AT)
    assert done.about == checked_archive(file)
