"""Texts are checked as files are, without being the site's files."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import pytest

from gloaming.daemon.site.editing import check_files, digest, promise_of, read_files, texts
from tests.daemon.quay_site import write

AT = datetime(2026, 11, 27, tzinfo=UTC)


def test_texts_are_checked_against_the_pieces_of_the_folder(tmp_path: Path) -> None:
    files = read_files(write(tmp_path))
    found = check_files(files, tmp_path, AT)
    assert found.site and found.promise and not found.errors
    assert found.site.folder == tmp_path
    assert all(piece.info for piece in found.site.pieces.values())
    assert read_files(tmp_path) == files


MISTAKES = {
    "not TOML": ("site.toml", b"[site]", b"[site", "site.toml", 1),
    "a key that is not there": ("site.toml", b"latitude", b"lattitude", "site.toml", 3),
    "another file": ("rig.toml", b'universes = "1-4"', b'universes = "4-1"', "rig.toml", 4),
    "no UTF-8": ("rig.toml", b"left", b"l\xe9ft", "rig.toml", 2),
    "NUL": ("rig.toml", b"left", b"\x00", "rig.toml", 2),
    "no file": ("rig.toml", None, b"", "rig.toml", None),
    "one show too few": ("site.toml", b'show = "evening"', b'show = "morning"', "site.toml", 36),
}


@pytest.mark.parametrize("case", sorted(MISTAKES))
def test_each_mistake_names_the_file_as_a_person_knows_it(tmp_path: Path, case: str) -> None:
    name, old, new, file, line = MISTAKES[case]
    files = dict(read_files(write(tmp_path)))
    files[name] = new if old is None else files[name].replace(old, new, 1)
    found = check_files(files, tmp_path, AT)
    assert found.site is None
    assert (found.errors[0].file, found.errors[0].line) == (file, line)
    assert all("/" not in str(error) and "\n" not in str(error) for error in found.errors), found.errors


def test_a_piece_without_a_file_is_a_warning(tmp_path: Path) -> None:
    files = read_files(write(tmp_path))
    (tmp_path / "pieces" / "swell.frames").unlink()
    found = check_files(files, tmp_path, AT)
    assert found.site
    assert any((one.file, one.key) == ("site.toml", "piece[3].frames") for one in found.warnings)


def test_another_file_is_another_version_and_an_exchange_too(tmp_path: Path) -> None:
    files = read_files(write(tmp_path))
    other = {"site.toml": files["rig.toml"], "rig.toml": files["site.toml"]}
    assert len({digest(files), digest(other), digest({**files, "rig.toml": b""})}) == 3
    assert texts({**files, "rig.toml": b"\xff"})["rig.toml"] == "\ufffd"


def test_the_promise_of_a_file_with_a_mistake_elsewhere_is_read(tmp_path: Path) -> None:
    files = dict(read_files(write(tmp_path)))
    files["site.toml"] = files["site.toml"].replace(b'show = "evening"', b'show = "morning"')
    assert promise_of(files, "")
    assert promise_of({**files, "rig.toml": b"[rig"}, "") is None
