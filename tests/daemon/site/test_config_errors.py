"""Realistic mistakes in site.toml and rig.toml: each has its file, line, key and hint."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from gloaming.api.cli.main import main
from gloaming.daemon.site.load import load_site
from gloaming.shows.config_files.errors import ConfigError, InputError
from gloaming.shows.framefile.reader import FrameWriter, Universe
from tests.daemon.site.errors import RIG, RIG_CASES, SITE, SITE_CASES, Case

AT = datetime(2026, 11, 25, 12, tzinfo=UTC)


@pytest.fixture(scope="module")
def pieces(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("pieces")
    for name in ("tide", "lanterns"):
        with FrameWriter(folder / f"{name}.frames", Fraction(40), [Universe(1, 450, 0), Universe(5, 300, 450)]) as file:
            file.write(np.zeros((80, 750), np.uint8))
    return folder


def written(folder: Path, pieces: Path, site: str = SITE, rig: str = RIG, encoding: str = "utf-8") -> Path:
    shutil.copytree(pieces, folder / "pieces")
    (folder / "site.toml").write_text(site, encoding=encoding)
    (folder / "rig.toml").write_text(rig, encoding=encoding)
    return folder


def errors_of(folder: Path) -> list[ConfigError]:
    """All errors and warnings of a site."""
    try:
        site = load_site(folder, AT)
    except InputError as error:
        return list(error.errors)
    return list(site.notices)


def check(folder: Path, name: str, text: str, case: Case) -> None:
    at = case.at or case.written
    line = text[: text.index(at)].count("\n") + 1 + (at.startswith("\n"))
    found = errors_of(folder)
    assert found, "there is no error"
    first = found[0]
    assert (Path(first.file).name, first.line, first.key) == (name, line, case.key), str(first)
    assert case.message in str(first)
    assert first.hint
    assert "\n" not in str(first)


def test_the_files_without_mistakes_are_good(tmp_path: Path, pieces: Path) -> None:
    assert errors_of(written(tmp_path, pieces)) == []


@pytest.mark.parametrize("case", SITE_CASES, ids=lambda case: f"{case.key}-{case.written[:30]}")
def test_a_mistake_in_site_toml_is_reported_at_its_place(tmp_path: Path, pieces: Path, case: Case) -> None:
    assert case.there in SITE
    text = SITE.replace(case.there, case.written, 1)
    check(written(tmp_path, pieces, site=text), "site.toml", text, case)


@pytest.mark.parametrize("case", RIG_CASES, ids=lambda case: f"{case.key}-{case.written[:30]}")
def test_a_mistake_in_rig_toml_is_reported_at_its_place(tmp_path: Path, pieces: Path, case: Case) -> None:
    assert case.there in RIG
    text = RIG.replace(case.there, case.written, 1)
    check(written(tmp_path, pieces, rig=text), "rig.toml", text, case)


def test_there_are_more_than_a_hundred_and_twenty_of_them() -> None:
    assert len({(case.there, case.written) for case in (*SITE_CASES, *RIG_CASES)}) >= 120


def test_a_byte_order_mark_is_no_mistake(tmp_path: Path, pieces: Path) -> None:
    assert errors_of(written(tmp_path, pieces, encoding="utf-8-sig")) == []


def test_windows_line_ends_are_no_mistake(tmp_path: Path, pieces: Path) -> None:
    folder = written(tmp_path, pieces, SITE.replace("\n", "\r\n"))
    assert errors_of(folder) == []


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252"])
def test_a_file_in_another_encoding_is_reported_with_its_line(tmp_path: Path, pieces: Path, encoding: str) -> None:
    folder = written(tmp_path, pieces, SITE.replace("Pier Road", "Café am Kai"), encoding=encoding)
    (found,) = errors_of(folder)
    assert (Path(found.file).name, found.line) == ("site.toml", 2)
    assert "0xE9" in found.problem
    assert found.hint == "save the file as UTF-8"


def test_a_file_in_utf_16_is_reported(tmp_path: Path, pieces: Path) -> None:
    (found,) = errors_of(written(tmp_path, pieces, encoding="utf-16"))[:1]
    assert "UTF-16" in found.problem


def test_the_mistakes_of_both_files_are_reported_at_once(tmp_path: Path, pieces: Path) -> None:
    site, rig = SITE.replace("54.486", "95"), RIG.replace("pixels = 150", "pixels = 0")
    assert [(Path(one.file).name, one.key) for one in errors_of(written(tmp_path, pieces, site, rig))] == [
        ("site.toml", "site.latitude"),
        ("rig.toml", "string[0].pixels"),
    ]
    (tmp_path / "rig.toml").write_text("[[controller\n")
    (tmp_path / "site.toml").write_text(SITE.replace('"lanterns"]', '"lantern"]'))
    assert [(Path(one.file).name, one.line) for one in errors_of(tmp_path)] == [("site.toml", 38), ("rig.toml", 1)]


@pytest.mark.parametrize("command", ["nights", "why", "rehearse"])
def test_a_season_can_be_looked_at_before_the_frames_exist(
    tmp_path: Path, pieces: Path, capsys: pytest.CaptureFixture[str], command: str
) -> None:
    folder = written(tmp_path, pieces, SITE.replace("tide.frames", "not-yet.frames"))
    assert main([command, str(folder), *(["--days", "3"] if command != "why" else [])]) in (0, 1)
    printed = capsys.readouterr()
    assert printed.err.startswith(
        f"warning: {folder}/site.toml:30: piece[0].frames: pieces/not-yet.frames: there is no"
    )
    assert "Pier Road" in printed.out or "2026" in printed.out or "20" in printed.out


def test_why_names_a_piece_without_its_frames(tmp_path: Path, pieces: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = written(tmp_path, pieces, SITE.replace("tide.frames", "not-yet.frames"))
    main(["why", str(folder), "2026-12-24T18:00"])
    assert "tide is left out: its files are missing or damaged" in capsys.readouterr().out
