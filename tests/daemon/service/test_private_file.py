"""A file for its owner alone, replaced whole."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from gloaming.daemon.service.private_file import write_private


@pytest.fixture(params=[0o022, 0o000], ids=["usual umask", "no umask"])
def umask(request: pytest.FixtureRequest) -> Iterator[None]:
    before = os.umask(request.param)
    yield
    os.umask(before)


@pytest.mark.usefixtures("umask")
@pytest.mark.parametrize("mode_before", [None, 0o644], ids=["new", "readable by all before"])
def test_its_owner_alone_may_read_it(tmp_path: Path, mode_before: int | None) -> None:
    path = tmp_path / "passcode"
    if mode_before is not None:
        path.write_text("before")
        path.chmod(mode_before)
    write_private(path, "tide\n")
    assert path.read_text() == "tide\n"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_reader_of_the_old_file_keeps_the_whole_of_it(tmp_path: Path) -> None:
    """The new text is another file under the same name; nobody reads half of it."""
    path = tmp_path / "token"
    write_private(path, "ebb, and a longer text\n")
    with path.open() as reader:
        write_private(path, "flood\n")
        assert reader.read() == "ebb, and a longer text\n"
    assert path.read_text() == "flood\n"
    assert [one.name for one in tmp_path.iterdir()] == ["token"]


def test_what_a_power_failure_left_is_no_obstacle(tmp_path: Path) -> None:
    path = tmp_path / "token"
    left = tmp_path / ".token.new"
    left.write_text("half of")
    left.chmod(0o644)
    write_private(path, "flood\n")
    assert path.read_text() == "flood\n"
    assert not left.exists()


def test_a_write_that_fails_leaves_the_old_file(tmp_path: Path) -> None:
    """A lone surrogate has no UTF-8 (RFC 3629, section 3): the write fails after the fresh file was opened."""
    path = tmp_path / "token"
    write_private(path, "ebb\n")
    with pytest.raises(UnicodeEncodeError):
        write_private(path, "flood \udc80")
    assert path.read_text() == "ebb\n"
