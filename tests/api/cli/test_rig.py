"""`gloaming rig`: rig.toml from a spreadsheet and back, and what is never overwritten or lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from gloaming.api.cli.main import main
from gloaming.shows.rig.load import load_rig

CSV = "name,controller,pixels,port,fuse_a\neaves,left,150,1,5\nridge,left,100,1,\ndoor,right,50,,\n"
POINTS = """
[[string]]
name = "wreath"
controller = "right"
universe = 3
slot = 151
pixels = 2
points = [[0, 1], [1, 1]]
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "strings.csv").write_text(CSV)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_a_spreadsheet_becomes_a_rig_with_a_word_on_what_is_to_be_filled_in(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["rig", "import", "strings.csv"]) == 0
    assert [one.name for one in load_rig(folder / "rig.toml").string] == ["eaves", "ridge", "door"]
    assert '# host = "192.0.2.21"     # fill in its address' in (folder / "rig.toml").read_text()
    assert capsys.readouterr().out.splitlines() == [
        "rig.toml: 2 controllers, 3 strings, 0 fixtures, 300 pixels",
        "  left: E1.31 by multicast: it has no host; universes 1-2; 2 strings",
        "  right: E1.31 by multicast: it has no host; universe 3; 1 string",
    ]
    assert sorted(one.name for one in folder.iterdir()) == ["rig.toml", "strings.csv"]


def test_a_folder_stands_for_its_rig_toml(folder: Path) -> None:
    (folder / "site").mkdir()
    assert main(["rig", "import", "strings.csv", "site"]) == 0
    assert main(["rig", "export", "site", "out.csv", "--decimal-comma"]) == 0
    assert (folder / "out.csv").read_bytes().startswith("\ufeffkind;name;controller;".encode())


def test_a_mistake_writes_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "strings.csv").write_text(CSV.replace("150", "150px"))
    assert main(["rig", "import", "strings.csv"]) == 2
    assert capsys.readouterr().err.startswith("strings.csv:2: column C, pixels: '150px' is not a whole number")
    assert [one.name for one in folder.iterdir()] == ["strings.csv"]
    assert main(["rig", "import", "none.csv"]) == 2
    assert capsys.readouterr().err == "none.csv: No such file or directory\n"


@pytest.mark.parametrize("words", [["import", "strings.csv"], ["export", "rig.toml", "strings.csv"]])
def test_a_file_is_replaced_only_on_request(folder: Path, words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rig", "import", "strings.csv"]) == 0
    before = {one: one.read_bytes() for one in folder.iterdir()}
    assert main(["rig", *words]) == 2
    assert "there is already a file with this name; name another one, or add --replace" in capsys.readouterr().err
    assert {one: one.read_bytes() for one in folder.iterdir()} == before
    assert main(["rig", *words, "--replace"]) == 0


def test_the_file_that_is_read_is_never_replaced(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "strings.csv").rename(folder / "strings.toml")
    assert main(["rig", "import", "strings.toml", "strings.toml", "--replace"]) == 2
    assert "strings.toml: this is the file that is read" in capsys.readouterr().err
    assert (folder / "strings.toml").read_text() == CSV
    assert main(["rig", "export", "strings.toml", "strings.toml", "--replace"]) == 2
    assert "strings.toml: this is the file that is read" in capsys.readouterr().err


def test_a_folder_that_is_not_there_becomes_no_file_of_that_name(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["rig", "import", "strings.csv", "site"]) == 2
    assert capsys.readouterr().err.startswith("site: this is no folder and no .toml file; make the folder")
    assert [one.name for one in folder.iterdir()] == ["strings.csv"]


def test_a_rig_that_cannot_be_read_is_not_replaced(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It may have points."""
    (folder / "rig.toml").write_text("[[controller]\n")
    assert main(["rig", "import", "strings.csv", "--replace"]) == 2
    assert "it is not replaced, because it cannot be read; its points would be lost: correct" in capsys.readouterr().err
    assert (folder / "rig.toml").read_text() == "[[controller]\n"


def test_points_are_not_lost_on_the_way(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A CSV has no place for them: they stay in the rig.toml that is replaced."""
    assert main(["rig", "import", "strings.csv"]) == 0
    path = folder / "rig.toml"
    path.write_text(path.read_text() + POINTS)
    assert main(["rig", "export", "rig.toml", "out.csv"]) == 0
    (note,) = capsys.readouterr().err.splitlines()
    assert note.startswith("note: 1 string with points: a CSV has no place for them; they stay in rig.toml")
    text = (folder / "out.csv").read_text(encoding="utf-8-sig")
    assert main(["rig", "import", "out.csv", "--replace"]) == 0
    assert load_rig(path).string[-1].points == [(0, 1), (1, 1)]

    (folder / "out.csv").write_text(text.replace("wreath,right,,2", "wreath,right,,3"))
    assert main(["rig", "import", "out.csv", "--replace"]) == 2
    assert "rig.toml has 2 points for string wreath, and here it has 3 pixels" in capsys.readouterr().err
    assert load_rig(path).string[-1].points == [(0, 1), (1, 1)]

    (folder / "out.csv").write_text(text.replace("wreath", "garland"))
    assert main(["rig", "import", "out.csv", "--replace"]) == 0
    assert "note: the points of wreath are left out: no line has such a string" in capsys.readouterr().err
