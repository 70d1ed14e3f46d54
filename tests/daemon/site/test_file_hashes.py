"""Hashes of files, and what is remembered of them."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.daemon.site import file_hashes
from gloaming.daemon.site.file_hashes import FileHashes
from gloaming.shows.config_files.errors import InputError

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
"""SHA-256 of "abc": NIST, Secure Hash Standard examples (FIPS 180-4), SHA256.pdf, one block message."""


def test_a_hash_is_computed_once_for_each_change_of_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path, read = tmp_path / "tide.frames", list[Path]()
    hash_of = file_hashes.hash_of
    monkeypatch.setattr(file_hashes, "hash_of", lambda path, tell: (read.append(path), hash_of(path, tell))[1])
    path.write_bytes(b"abc")
    for _ in range(2):
        hashes = FileHashes(tmp_path / "hashes.json")  # as after a restart
        assert hashes.of(path) == ABC
        hashes.save()
    assert read == [path]
    path.write_bytes(b"abd")
    assert FileHashes(tmp_path / "hashes.json").of(path) != ABC


def test_a_file_that_changes_while_it_is_read_is_a_mistake(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "tide.frames"
    path.write_bytes(b"abc")
    hashes = FileHashes(tmp_path / "hashes.json")
    with pytest.raises(InputError, match=r"tide\.frames: the file changes while it is read; wait"):
        hashes.of(path, lambda _: path.write_bytes(b"longer") and None)


@pytest.mark.parametrize("text", ["", "[]", "{", '{"x": 1}'])
def test_a_damaged_memory_is_no_obstacle(tmp_path: Path, text: str) -> None:
    (tmp_path / "hashes.json").write_text(text)
    (tmp_path / "tide.frames").write_bytes(b"abc")
    hashes = FileHashes(tmp_path / "hashes.json")
    assert hashes.of(tmp_path / "tide.frames") == ABC
    hashes.save()
