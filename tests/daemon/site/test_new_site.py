"""The files of a new site: a comment for each key, read by the same code as every site; all of it or nothing."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from gloaming.daemon.site import new_site
from gloaming.daemon.site.new_site import (
    NewController,
    NewSite,
    config_error,
    make_site,
    refuse_taken,
    rig_toml,
    site_toml,
    universes_for,
)
from gloaming.shows.config_files.errors import InputError

QUAY = NewSite(
    name="Pier Road boathouse",
    timezone="Europe/London",
    latitude=54.486,
    longitude=-0.613,
    dark=("22:30", "07:00"),
    season="11-27..01-06",
    opens="sunset + 20 min",
    closes="22:00",
    controllers=(
        NewController("left", "192.0.2.21", "1-2", (150, 100)),
        NewController("right", None, "5", (60,)),
    ),
)


def test_the_site_that_is_read_has_what_was_answered(tmp_path: Path) -> None:
    site = make_site(tmp_path / "pier-road", QUAY)
    assert (site.name, site.timezone.key) == ("Pier Road boathouse", "Europe/London")
    assert (site.spot.latitude, site.spot.longitude) == (54.486, -0.613)
    (dark,) = site.neighbours.dark
    assert (dark.from_.text, dark.to.text) == ("22:30", "07:00")
    (evening,) = site.performances
    assert (evening.from_.text, evening.to.text) == ("sunset + 20 min", "22:00")
    assert evening.season
    assert evening.season.text == "11-27..01-06"
    assert [(one.name, one.host, one.universes) for one in site.rig.controller] == [
        ("left", "192.0.2.21", (1, 2)),
        ("right", None, (5,)),
    ]
    places = [(one.name, one.controller, one.universe, one.slot, one.pixels) for one in site.rig.string]
    assert places == [("left-1", "left", 1, 1, 150), ("left-2", "left", 1, 451, 100), ("right-1", "right", 5, 1, 60)]
    assert site.pieces["first-light"].info
    assert site.notices == ()


def test_each_key_has_a_comment_where_it_stands_first() -> None:
    for text in (site_toml(QUAY), rig_toml(QUAY.controllers)):
        seen = set()
        table = ""
        for line in text.splitlines():
            if found := re.match(r"\[+(\w+)\]+", line):
                table = found[1]
            elif found := re.match(r"(\w+) = ", line):
                assert " # " in line or (table, found[1]) in seen, line
                seen.add((table, found[1]))
        assert seen


def test_a_name_may_have_quotes_braces_and_letters_of_any_language(tmp_path: Path) -> None:
    site = make_site(tmp_path / "site", replace(QUAY, name='Der "Hafen" {Ö} \\ §'))
    assert site.name == 'Der "Hafen" {Ö} \\ §'


def test_a_site_without_promised_hours_has_none(tmp_path: Path) -> None:
    assert make_site(tmp_path / "site", replace(QUAY, dark=None)).neighbours.dark == ()


@pytest.mark.parametrize(
    ("pixels", "universes"), [((150,), "6"), ((170,), "6"), ((171,), "6-7"), ((150, 100, 100), "6-8"), ((0,), "6")]
)
def test_the_universes_of_a_controller_come_after_those_of_the_others(pixels: tuple[int, ...], universes: str) -> None:
    """170 pixels of three colours in a universe: common practice, no source."""
    assert universes_for(pixels, QUAY.controllers) == universes


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"season": "13-45"}, "'13-45' is not a season"),
        ({"opens": "25:00"}, "'25:00' is not a time of day"),
        ({"timezone": "Europe/Lodnon"}, "there is no time zone 'Europe/Lodnon'"),
        ({"name": "quay " * 15}, "should have at most 60"),
        ({"controllers": (NewController("left", None, "1", (600,)),)}, "its slots run into universe 2"),
        ({"controllers": (NewController("left", "300.1.1.1", "1", (9,)),)}, "is not an IP address or a host name"),
    ],
)
def test_an_answer_that_no_file_may_have_is_found_before_anything_is_made(change: dict[str, Any], problem: str) -> None:
    found = config_error(replace(QUAY, **change))
    assert found
    assert problem in found.problem
    assert config_error(QUAY) is None


@pytest.mark.parametrize("there", [True, False])
def test_what_fails_in_the_middle_leaves_nothing(there: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "pier-road"
    if there:
        folder.mkdir()

    def full(path: Path, rig: object) -> None:
        path.write_bytes(b"half a file")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(new_site, "write_first_light", full)
    with pytest.raises(OSError, match="No space"):
        make_site(folder, QUAY)
    assert [path.name for path in tmp_path.iterdir()] == (["pier-road"] if there else [])
    assert not there or not any(folder.iterdir())


def test_an_empty_folder_is_filled_and_stays_the_same_folder(tmp_path: Path) -> None:
    before = tmp_path.stat().st_ino
    make_site(tmp_path, QUAY)
    assert tmp_path.stat().st_ino == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["pieces", "rig.toml", "site.toml"]


def test_a_folder_with_a_file_a_file_and_a_folder_in_no_folder_are_refused(tmp_path: Path) -> None:
    note = tmp_path / "note"
    note.write_text("what Anna wrote")
    for folder, problem in ((tmp_path, "not empty"), (note, "a file"), (tmp_path / "a" / "b", "there is no folder")):
        with pytest.raises(InputError, match=problem):
            refuse_taken(folder)
        with pytest.raises(InputError, match=problem):
            make_site(folder, QUAY)
    assert [path.name for path in tmp_path.iterdir()] == ["note"]
