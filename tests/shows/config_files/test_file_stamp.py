"""Stamps of files."""

from __future__ import annotations

import os
from pathlib import Path

from gloaming.shows.config_files.file_stamp import file_stamp


def test_a_stamp_changes_when_a_file_is_written_or_replaced_and_not_before(tmp_path: Path) -> None:
    path, other = tmp_path / "site.toml", tmp_path / "other.toml"
    assert file_stamp(path) == (str(path), 0, 0, 0)
    path.write_text("one")
    first = file_stamp(path)
    assert file_stamp(path) == first
    other.write_text("two")
    os.utime(other, ns=(first[3], first[3]))
    other.replace(path)
    replaced = file_stamp(path)
    assert replaced != first
    path.write_text("three")
    assert file_stamp(path) != replaced
