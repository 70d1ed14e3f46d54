"""Versions of the site's files, and both files saved together."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from gloaming.daemon.site import versions
from gloaming.daemon.site.editing import Files, digest, read_files
from gloaming.daemon.site.versions import Versions
from gloaming.shows.config_files.errors import InputError

OLD: Files = {"site.toml": b"# old site\n", "rig.toml": b"# old rig\n"}
NEW: Files = {"site.toml": b"# new site\n", "rig.toml": b"# new rig\n"}


class Place:
    """A site's folder and a state folder."""

    def __init__(self, top: Path) -> None:
        self.site, self.state = top / "site", top / "state"
        self.site.mkdir()
        self.state.mkdir()
        for name, data in OLD.items():
            (self.site / name).write_bytes(data)
            (self.site / name).chmod(0o640)
        self.versions = Versions(self.state)


@pytest.fixture
def at(tmp_path: Path) -> Place:
    return Place(tmp_path)


class PowerCutError(Exception):
    """The board is without power from here on."""


def cut_power_after(monkeypatch: pytest.MonkeyPatch, count: int) -> None:
    """The power is cut once so many files of the site are replaced."""
    replace, left = versions._replace, [count]

    def replaced(path: Path, data: bytes) -> None:
        if not left[0]:
            raise PowerCutError
        left[0] -= 1
        replace(path, data)

    monkeypatch.setattr(versions, "_replace", replaced)


@pytest.mark.parametrize(("count", "wanted"), [(0, OLD), (1, NEW)])
def test_after_a_power_cut_the_files_are_all_old_or_all_new(
    at: Place, monkeypatch: pytest.MonkeyPatch, count: int, wanted: Files
) -> None:
    version = at.versions.add(NEW, 1, "a laptop", "it is new")
    with monkeypatch.context() as patch, pytest.raises(PowerCutError):
        cut_power_after(patch, count)
        at.versions.save(at.site, version)
    assert (read_files(at.site) == OLD) == (count == 0)
    assert Versions(at.state).finish(at.site) == (count > 0)
    assert read_files(at.site) == wanted
    assert not Versions(at.state).finish(at.site), "it is done once"


def test_a_save_that_cannot_be_completed_is_a_mistake_in_one_line(at: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """So the last good site plays, and not a mixture of two."""
    version = at.versions.add(NEW, 1, "a laptop", "it is new")
    with monkeypatch.context() as patch, pytest.raises(PowerCutError):
        cut_power_after(patch, 1)
        at.versions.save(at.site, version)
    with monkeypatch.context() as patch, pytest.raises(InputError) as found:
        patch.setattr(versions, "_replace", read_only)
        at.versions.finish(at.site)
    assert len(str(found.value).splitlines()) == 1
    assert "a save was interrupted" in str(found.value)
    assert at.versions.finish(at.site), "it is completed once that is possible"


def read_only(path: Path, data: bytes) -> None:
    raise OSError(30, "Read-only file system")


def test_an_edit_on_the_board_after_the_power_cut_is_not_overwritten(
    at: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    version = at.versions.add(NEW, 1, "a laptop", "it is new")
    with monkeypatch.context() as patch, pytest.raises(PowerCutError):
        cut_power_after(patch, 1)
        at.versions.save(at.site, version)
    (at.site / "rig.toml").write_bytes(b"# by hand\n")
    assert not at.versions.finish(at.site)
    assert read_files(at.site)["rig.toml"] == b"# by hand\n"
    assert not at.versions.finish(at.site)


def test_a_save_that_fails_at_the_second_file_puts_the_first_one_back(
    at: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    version = at.versions.add(NEW, 1, "a laptop", "it is new")
    replace = versions._replace

    def full(path: Path, data: bytes) -> None:
        if path.name == "rig.toml":
            raise OSError(28, "No space left on device")
        replace(path, data)

    monkeypatch.setattr(versions, "_replace", full)
    with pytest.raises(OSError, match="cannot be saved: No space left on device"):
        at.versions.save(at.site, version)
    assert read_files(at.site) == OLD
    assert not at.versions.finish(at.site)


def test_mode_and_link_stay(at: Place, tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere.toml"
    (at.site / "rig.toml").rename(elsewhere)
    (at.site / "rig.toml").symlink_to(elsewhere)
    at.versions.save(at.site, at.versions.add(NEW, 1, "a laptop", "it is new"))
    assert (at.site / "rig.toml").is_symlink()
    assert elsewhere.read_bytes() == NEW["rig.toml"]
    assert [stat.S_IMODE((at.site / name).stat().st_mode) for name in NEW] == [0o640, 0o640]
    assert sorted(path.name for path in at.site.iterdir()) == ["rig.toml", "site.toml"]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root may give a file to another user")
def test_the_owner_stays_where_the_system_permits_it(at: Place) -> None:
    os.chown(at.site / "site.toml", 1234, 4321)
    at.versions.save(at.site, at.versions.add(NEW, 1, "a laptop", "it is new"))
    found = (at.site / "site.toml").stat()
    assert (found.st_uid, found.st_gid) == (1234, 4321)


def test_versions_are_kept_private_and_of_them_the_newest(at: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(versions, "VERSIONS_MAX", 4)
    board = at.versions.add(OLD, 1, "the board", "as it was", board=True)
    made = []
    for number in range(6):
        made.append(at.versions.add({**NEW, "rig.toml": b"%d" % number}, number, "a laptop", "more"))
        assert made[-1] in at.versions.all()
    assert [one.id for one in at.versions.all()] == [board.id, *(one.id for one in made[-3:])]
    assert at.versions.of_board() == board
    assert at.versions.files(made[-1].id) == {**NEW, "rig.toml": b"5"}
    assert at.versions.about(made[-1].id) == made[-1]
    assert at.versions.about(made[0].id) is None
    assert made[-1].digest == digest({**NEW, "rig.toml": b"5"})
    for path in at.state.rglob("*"):
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, "the files may hold secrets"


def test_a_version_that_was_damaged_is_left_out(at: Place) -> None:
    first, second = (at.versions.add(NEW, number, "a laptop", "more") for number in (1, 2))
    (at.state / versions.FOLDER / f"{second.id}" / versions.ABOUT).write_text("{")
    later = Versions(at.state)
    assert later.all() == [first]
    assert later.add(OLD, 3, "a laptop", "more").id == second.id + 1


def test_many_bytes_are_bounded_too(at: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(versions, "BYTES_MAX", 25_000)
    for number in range(5):
        at.versions.add({**NEW, "rig.toml": b"%d" % number * 10_000}, number, "a laptop", "more")
    assert [one.at_ns for one in at.versions.all()] == [3, 4]
