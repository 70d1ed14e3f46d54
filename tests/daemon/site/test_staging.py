"""The staged files of a pushed site: which are taken, and that a power cut leaves the old site or the new one."""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.site import staging
from gloaming.daemon.site.editing import Files, read_files
from gloaming.daemon.site.staging import PUSHED, Plan, PushedFile, Stage, finish_take_over, path_problem
from gloaming.daemon.site.versions import Versions
from gloaming.shows.config_files.errors import InputError

OLD: Files = {"site.toml": b"# old site\n", "rig.toml": b"# old rig\n"}
NEW: Files = {"site.toml": b"# new site\n", "rig.toml": b"# new rig\n"}
NAMES = {"pieces/tide.frames": "a" * 64, "pieces/tide.flac": "b" * 64}
PLAN = Plan("1", "the quay", 1, NAMES)


class PowerCutError(BaseException):
    """The board is without power from here on."""


def staged_site(top: Path) -> tuple[Stage, Path, Path]:
    """A site with a piece, and another one on its way: the stage, the site, the state."""
    site, state = top / "site", top / "state"
    for folder in (site / "pieces", state):
        folder.mkdir(parents=True)
    for name, data in OLD.items():
        (site / name).write_bytes(data)
    for path in NAMES:
        (site / path).write_bytes(b"old")
    stage = Stage(site)
    stage.folder.mkdir()
    for name in NAMES.values():
        (stage.folder / name).write_bytes(b"new")
    return stage, site, state


def contents(site: Path) -> tuple[Files, set[bytes]]:
    return read_files(site), {(site / path).read_bytes() for path in NAMES}


@pytest.mark.parametrize("cut", range(14))
def test_a_power_cut_leaves_the_old_site_or_the_new_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, cut: int
) -> None:
    """It comes before one of the renames of a take-over, of pieces and of texts, and again during the completion."""
    stage, site, state = staged_site(tmp_path)
    stage.write(PLAN, NEW)
    moves = [0]

    def counted(move: Any) -> Any:
        def moved(*where: Any) -> Any:
            moves[0] += 1
            if moves[0] > cut:
                raise PowerCutError
            return move(*where)

        return moved

    with monkeypatch.context() as patch:
        patch.setattr(Path, "rename", counted(Path.rename))
        patch.setattr(Path, "replace", counted(Path.replace))
        for _ in range(2):
            try:
                stage.begin(PLAN)
                finish_take_over(site, state)
            except PowerCutError:
                moves[0] = cut - 1 if cut else 0  # one more step, then the power is cut again
    begun = bool(plan.begun) if (plan := stage.plan()) else moves[0] > 0
    while finish_take_over(site, state) or Versions(state).finish(site):
        pass
    assert contents(site) == ((NEW, {b"new"}) if begun else (OLD, {b"old"}))
    assert begun != stage.folder.exists()


def test_what_is_agreed_and_has_not_begun_waits_for_its_instant(tmp_path: Path) -> None:
    stage, site, state = staged_site(tmp_path)
    stage.write(PLAN, NEW)
    assert not finish_take_over(site, state)
    assert contents(site) == (OLD, {b"old"}) and stage.plan() == PLAN and stage.texts() == NEW
    stage.drop()
    assert stage.plan() is None


def test_a_take_over_is_a_version_and_so_is_what_it_replaces(tmp_path: Path) -> None:
    stage, site, state = staged_site(tmp_path)
    stage.write(PLAN, NEW)
    stage.begin(PLAN)
    assert finish_take_over(site, state)
    before, after = Versions(state).all()
    assert (before.board, Versions(state).files(before.id)) == (True, OLD)
    assert (after.who, after.text, Versions(state).files(after.id)) == ("the quay", PUSHED, NEW)


def test_a_take_over_that_cannot_be_completed_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stage, site, state = staged_site(tmp_path)
    stage.write(PLAN, NEW)
    stage.begin(PLAN)

    def read_only(*_: Any) -> None:
        raise OSError(errno.EROFS, os.strerror(errno.EROFS))

    with monkeypatch.context() as patch, pytest.raises(InputError) as found:
        patch.setattr(staging, "_move", read_only)
        finish_take_over(site, state)
    assert str(found.value) == (
        f"{site}: the take-over of a pushed site was interrupted, and cannot be completed: Read-only file system; make "
        f"the folder writable"
    )
    assert finish_take_over(site, state) and contents(site) == (NEW, {b"new"})


def test_a_folder_of_pieces_on_another_disk_is_copied_to(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    stage, site, state = staged_site(tmp_path)
    stage.write(PLAN, NEW)
    stage.begin(PLAN)
    replace = Path.replace

    def across(self: Path, target: Path) -> Path:
        if self.parent == stage.folder and target.parent == site / "pieces":
            raise OSError(errno.EXDEV, os.strerror(errno.EXDEV))
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", across)
    assert finish_take_over(site, state) and contents(site) == (NEW, {b"new"})
    assert sorted(path.name for path in (site / "pieces").iterdir()) == ["tide.flac", "tide.frames"]


def test_equal_files_have_each_their_own(tmp_path: Path) -> None:
    stage = Stage(tmp_path)
    stage.folder.mkdir()
    stage.at("c" * 64).write_bytes(b"wave")
    names = stage.names([PushedFile(path, 4, "c" * 64) for path in ("ebb.frames", "flow.frames")])
    stage.place(Plan("1", "", 1, names))
    assert [(tmp_path / f"{name}.frames").read_bytes() for name in ("ebb", "flow")] == [b"wave", b"wave"]


def test_of_what_another_push_has_left_only_wanted_files_stay(tmp_path: Path) -> None:
    stage = Stage(tmp_path)
    for name in ("a", "b"):
        (stage.uploads / name).mkdir(parents=True)
        (stage.uploads / name / (name * 64)).write_bytes(b"x")
        stage.at(name * 64).write_bytes(b"x")
    stage.keep_only(["a" * 64])
    assert sorted(path.name for path in tmp_path.rglob("*") if path.is_file()) == ["a" * 64, "a" * 64]


def test_what_nobody_has_touched_is_removed_and_a_plan_stays(tmp_path: Path) -> None:
    stage, _, _ = staged_site(tmp_path)
    touched_ns = max(path.stat().st_mtime_ns for path in (stage.folder, *stage.folder.rglob("*")))
    stage.remove_old(touched_ns)
    assert stage.folder.exists()
    stage.write(PLAN, NEW)
    stage.remove_old(touched_ns + 10**18)
    assert stage.plan() == PLAN
    stage.drop()
    stage.remove_old(touched_ns + 10**18)
    assert not stage.folder.exists()


@pytest.mark.parametrize("path", ["pieces/tide.frames", "tide.FRAMES", "pieces/the sea.flac"])
def test_files_of_pieces_have_a_place(path: str) -> None:
    assert path_problem(path) is None


@pytest.mark.parametrize(
    "path",
    [
        *("", "/etc/passwd.frames", "../x.frames", "a/../b.frames", "./x.frames", "a//b.frames", ".push/x.frames"),
        *("site.toml", "rig.toml", "board.key", "state/gloaming.sqlite", "a\\b.frames", "x\n.frames", "x.frames/"),
    ],
)
def test_nothing_else_has_one(path: str) -> None:
    """A sound is not checked as frames are. So a site.toml that is called one would pass by the neighbours' hours."""
    assert path_problem(path)
