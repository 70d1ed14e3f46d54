"""A new file takes the place of an old one only when it is whole."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from gloaming.shows.config_files.errors import InputError
from gloaming.shows.replacing import replacing


def write(path: Path, text: str) -> None:
    with replacing(path) as temporary:
        temporary.write_text(text)


def test_the_name_is_the_old_file_until_the_new_one_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "season.svg"
    path.write_text("old")
    with replacing(path) as temporary:
        temporary.write_text("new")
        assert path.read_text() == "old"
    assert path.read_text() == "new" and [*tmp_path.iterdir()] == [path]


def test_an_error_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path = tmp_path / "season.svg"
    path.write_text("old")
    with pytest.raises(KeyboardInterrupt), replacing(path) as temporary:
        temporary.write_text("ne")
        raise KeyboardInterrupt
    assert path.read_text() == "old" and [*tmp_path.iterdir()] == [path]


@pytest.mark.parametrize("name", ["nowhere/season.svg", "x" * 300, "folder"])
def test_a_name_that_no_file_can_have_is_an_error_that_names_it(name: str, tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    with pytest.raises(InputError, match=rf"{name}: it cannot be written \("):
        write(tmp_path / name, "new")
    assert [path.name for path in tmp_path.iterdir()] == ["folder"]


def test_a_pipe_stays_a_pipe(tmp_path: Path) -> None:
    """As with `--svg /dev/stdout`: a rename would put a file in its place."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    reader = os.open(pipe, os.O_RDONLY | os.O_NONBLOCK)
    write(pipe, "new")
    assert os.read(reader, 10) == b"new" and pipe.is_fifo()
    os.close(reader)
