"""A frame file remembers its rig: after import, recording and each change, as a person sees it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from gloaming.shows.framefile.reader import inspect
from tests.api.cli.test_frames import Said, gloaming
from tests.places import REFERENCE

RIG = """[[controller]]
name = "left"
universes = "1-13"

[[string]]
name = "ridge"
controller = "left"
universe = 1
pixels = 300

[[string]]
name = "eaves"
controller = "left"
universe = 4
pixels = 100
order = "GRB"

[[string]]
name = "mast"
controller = "left"
universe = 13
pixels = 8

[[fixture]]
name = "lamp"
controller = "left"
universe = 3
slot = 10
channels = ["dimmer", "red"]
"""
CAPTURE = REFERENCE / "moving-picture-13-universes-25fps.pcapng"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The folder of a site, with an array to import."""
    (tmp_path / "pieces").mkdir()
    (tmp_path / "rig.toml").write_text(RIG, encoding="utf-8")
    np.save(tmp_path / "in.npy", np.arange(8 * 2040).reshape(8, 2040).astype(np.uint8))
    return tmp_path


def imported(folder: Path, out: str, *more: str) -> Said:
    done = gloaming("import", "in.npy", out, "--fps", "40", *more, folder=folder)
    assert done.returncode == 0
    return done


def names(path: Path) -> list[str] | None:
    """The strings that `frames info` shows."""
    lines = gloaming("info", path, folder=path.parent).stdout.splitlines()
    found = [line.partition("; ")[0].partition(": ")[2].split(", ") for line in lines if line.startswith("  made for ")]
    made_for = json.loads(gloaming("info", path, "--json", folder=path.parent).stdout)["made_for"]
    assert (made_for and [one["name"] for one in made_for["strings"]]) == (found[0] if found else None)
    return found[0] if found else None


@pytest.mark.parametrize("out", ["pieces/a.frames", "a.frames"])
def test_a_file_in_the_folder_of_a_site_remembers_its_rig(folder: Path, out: str) -> None:
    done = imported(folder, out)
    assert done.stderr == f"note: {out} remembers 2 strings: ridge, eaves; 1 fixture: lamp ({folder}/rig.toml)\n"
    assert "\n  made for 2 strings: ridge, eaves; 1 fixture: lamp\n" in gloaming("info", out, folder=folder).stdout


def test_a_rig_that_is_named_goes_before_the_one_in_the_folder(folder: Path) -> None:
    (folder / "old.toml").write_text(RIG.replace('"eaves"', '"gutter"'), encoding="utf-8")
    done = imported(folder, "a.frames", "--rig", "old.toml")
    assert done.stderr == "note: a.frames remembers 2 strings: ridge, gutter; 1 fixture: lamp (old.toml)\n"
    done = imported(folder, "b.frames", "--universes", "101")
    assert "remembers no rig: none of its strings is in these universes" in done.stderr
    assert names(folder / "b.frames") is None


def test_a_rig_with_mistakes_stops_an_import_only_if_it_is_named(folder: Path) -> None:
    (folder / "rig.toml").write_text(RIG.replace("pixels = 300", 'pixels = "300px"'), encoding="utf-8")
    done = imported(folder, "a.frames")
    assert len(done.stderr.splitlines()) == 1 and "remembers no rig: " in done.stderr and "300px" in done.stderr
    assert names(folder / "a.frames") is None
    done = gloaming("import", "in.npy", "b.frames", "--fps", "40", "--rig", "rig.toml", folder=folder)
    assert done.returncode == 2 and len(done.stderr.splitlines()) == 1
    assert not (folder / "b.frames").exists()


@pytest.mark.parametrize("more", [(), ("--universes", "all"), ("--slots", "sent")])
def test_a_recording_remembers_the_rig(folder: Path, more: tuple[str, ...]) -> None:
    done = gloaming("pieces/a.frames", "--capture", CAPTURE, *more, folder=folder, command="record")
    assert done.returncode == 0
    assert f"remembers 3 strings: ridge, eaves, mast; 1 fixture: lamp ({folder}/rig.toml)" in done.stderr
    assert names(folder / "pieces" / "a.frames") == ["ridge", "eaves", "mast"]
    outside = folder / "elsewhere" / "far" / "away"
    outside.mkdir(parents=True)
    call = ("b.frames", "--capture", CAPTURE, "--json")
    assert gloaming(*call, folder=outside, command="record").stderr == ""
    assert names(outside / "b.frames") is None
    done = gloaming(*call, "--rig", folder / "rig.toml", folder=outside, command="record")
    assert json.loads(done.stdout)["frames"] == 132 and names(outside / "b.frames") == ["ridge", "eaves", "mast"]


def test_each_change_keeps_the_rig_as_far_as_it_stays_true(folder: Path) -> None:
    imported(folder, "a.frames")
    for call in (
        ("trim", "a.frames", "b.frames", "--until", "0.1"),
        ("gain", "b.frames", "c.frames", "--by", "0.5"),
        ("join", "c.frames", "b.frames", "--out", "d.frames"),
        ("rename-universes", "d.frames", "e.frames", "--to", "101"),
    ):
        done = gloaming(*call, folder=folder)
        assert (done.returncode, done.stderr) == (0, ""), call
        assert names(folder / call[-1 if call[0] == "join" else 2]) == ["ridge", "eaves"]
    made_for = json.loads(gloaming("info", "e.frames", "--json", folder=folder).stdout)["made_for"]
    assert [one["universe"] for one in made_for["strings"]] == [101, 104]


def test_a_rig_that_is_true_no_more_is_left_out_with_a_note(folder: Path) -> None:
    imported(folder, "a.frames")
    (folder / "rig.toml").unlink()
    imported(folder, "b.frames")
    for call in (
        ("join", "a.frames", "b.frames", "--out", "c.frames"),
        ("rename-universes", "a.frames", "c.frames", "--from", "1,2", "--to", "2,1"),
    ):
        done = gloaming(*call, folder=folder)
        assert done.returncode == 0 and done.stderr.startswith("note: c.frames remembers no rig: ")
        assert inspect(folder / "c.frames").rig == ""


def test_a_mended_file_keeps_the_rig(folder: Path) -> None:
    done = gloaming("pieces/a.frames", "--capture", CAPTURE, folder=folder, command="record")
    assert done.returncode == 0
    shutil.copy(folder / "pieces" / "a.frames", folder / "b.frames.part")  # its writer ended before it gave the name
    assert gloaming("mend", "b.frames.part", "b.frames", folder=folder).returncode == 0
    assert names(folder / "b.frames") == ["ridge", "eaves", "mast"]
